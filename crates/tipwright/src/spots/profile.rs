//! Picture of a disc that moves at constant speed while the shutter is open, through a slightly soft lens.
//!
//! A disc at rest is a soft step of the distance from its rim. The step is the integral of the biweight kernel
//! (1 - u^2)^2 with the variance of a Gaussian blur: a polynomial, which keeps exponentials out of the inner loop. A disc in
//! motion is the mean of discs at the middles of equal parts of its path, close enough together to be smooth.

/// Values and derivatives of the profile at many places: 1 inside a sharp disc at rest.
#[derive(Debug, Default)]
pub(super) struct Profiles {
    pub value: Vec<f32>,
    /// By the distance along the path.
    pub along: Vec<f32>,
    /// By the distance across it.
    pub across: Vec<f32>,
    pub radius: Vec<f32>,
    pub half_length: Vec<f32>,
    pub blur: Vec<f32>,
}

/// Outline of a moving disc.
#[derive(Debug, Clone, Copy)]
pub(super) struct Outline {
    pub radius: f32,
    /// Half the path of the centre over the exposure.
    pub half_length: f32,
    /// Lens blur, one standard deviation.
    pub blur: f32,
}

impl Outline {
    /// Parts the path is cut into: shorter than the radius, so that their discs run into each other without ripples.
    fn parts(&self) -> usize {
        if self.half_length <= 0.0 {
            return 1;
        }
        let longest = (0.7 * self.radius).max(1.2);
        ((2.0 * self.half_length / longest).ceil() as usize + 1).min(48)
    }
}

impl Profiles {
    /// Profile at places `along` and `across` the path from its middle.
    #[inline(always)]
    pub fn evaluate(&mut self, along: &[f32], across: &[f32], outline: Outline) {
        let count = along.len();
        let columns = [
            &mut self.value,
            &mut self.along,
            &mut self.across,
            &mut self.radius,
            &mut self.half_length,
            &mut self.blur,
        ];
        let [value, by_along, by_across, by_radius, by_half, by_blur] = columns.map(|c| {
            c.clear();
            c.resize(count, 0.0);
            &mut c[..count]
        });
        let (along, across) = (&along[..count], &across[..count]);
        let parts = outline.parts();
        let share = 1.0 / parts as f32;
        // Middles of n equal parts spread less than the whole path, by one less 1/n^2 in variance: they are moved apart by so much.
        let apart = if parts == 1 { 0.0 } else { (1.0 - share * share).sqrt().recip() };
        // The biweight reaches sqrt(7) sigma.
        let inverse = 1.0 / (2.645_751_3 * outline.blur);
        let per_blur = 1.0 / outline.blur;
        for part in 0..parts {
            let place = apart * ((2.0 * part as f32 + 1.0) * share - 1.0);
            let middle = place * outline.half_length;
            for i in 0..count {
                let (a, b) = (along[i] - middle, across[i]);
                let rho = (a * a + b * b + 1e-6).sqrt();
                let u = ((outline.radius - rho) * inverse).clamp(-1.0, 1.0);
                let u2 = u * u;
                let kernel = 1.0 - u2;
                let slope = share * 0.9375 * inverse * kernel * kernel;
                let per_rho = slope / rho;
                value[i] += share * (0.5 + 0.9375 * u * (1.0 - u2 * (2.0 / 3.0 - 0.2 * u2)));
                by_along[i] -= per_rho * a;
                by_across[i] -= per_rho * b;
                by_radius[i] += slope;
                by_half[i] += per_rho * a * place;
                by_blur[i] -= slope * (outline.radius - rho) * per_blur;
            }
        }
    }
}

/// Share of the full amplitude that the middle of the picture reaches.
pub(super) fn cover(outline: Outline) -> f32 {
    let mut one = Profiles::default();
    one.evaluate(&[0.0], &[0.0], outline);
    one.value[0]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(a: f32, b: f32, radius: f32, half_length: f32) -> [f32; 6] {
        with_blur(a, b, radius, half_length, 0.8)
    }

    fn with_blur(a: f32, b: f32, radius: f32, half_length: f32, blur: f32) -> [f32; 6] {
        let mut p = Profiles::default();
        p.evaluate(&[a], &[b], Outline { radius, half_length, blur });
        [p.value[0], p.along[0], p.across[0], p.radius[0], p.half_length[0], p.blur[0]]
    }

    #[test]
    fn light_is_kept_whatever_the_motion() {
        for (radius, half_length) in [(3.5, 0.0), (3.5, 2.0), (2.5, 9.0)] {
            let mut sum = 0.0;
            for y in -60..=60 {
                for x in -100..=100 {
                    sum += at(x as f32 * 0.2, y as f32 * 0.2, radius, half_length)[0] * 0.04;
                }
            }
            // A soft rim adds pi sigma^2.
            let area = std::f32::consts::PI * (radius * radius + 0.64);
            assert!((sum / area - 1.0).abs() < 0.01, "{sum} {area}");
        }
    }

    #[test]
    fn derivatives_are_those_of_the_value() {
        let e = 0.02;
        for (a, b, r, h) in
            [(2.0, 1.0, 3.5, 3.2), (-5.0, -2.2, 3.0, 4.1), (0.4, 2.0, 2.8, 0.0), (3.0, 0.3, 3.5, 0.0)]
        {
            let p = at(a, b, r, h);
            let slope = |hi: [f32; 6], lo: [f32; 6]| (hi[0] - lo[0]) / (2.0 * e);
            let by_half = if h > 0.0 { slope(at(a, b, r, h + e), at(a, b, r, h - e)) } else { 0.0 };
            for (got, want) in [
                (p[1], slope(at(a + e, b, r, h), at(a - e, b, r, h))),
                (p[2], slope(at(a, b + e, r, h), at(a, b - e, r, h))),
                (p[3], slope(at(a, b, r + e, h), at(a, b, r - e, h))),
                (p[4], by_half),
                (p[5], slope(with_blur(a, b, r, h, 0.8 + e), with_blur(a, b, r, h, 0.8 - e))),
            ] {
                assert!((got - want).abs() < 0.01, "{got} {want} at {a} {b} {r} {h}");
            }
        }
    }
}
