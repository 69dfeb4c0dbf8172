//! What balls look like: how much light each place of a ball's surface sends back.

use nalgebra::{Matrix3, Vector3};

/// Surface of the markers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Skin {
    /// Even paint.
    #[default]
    Even,
    /// Dark seams along two great circles, and paint that is thinner here and there.
    Seamed,
    /// Thin plastic: half of the light comes through the ball.
    Translucent,
    /// Mud in three places, the largest a quarter of what is seen of the ball.
    Muddy,
}

/// Direction and half angle (degrees) of each patch of mud, in the ball's own axes.
const MUD: [([f64; 3], f64); 3] =
    [([0.9, 0.3, 0.3], 42.0), ([-0.7, 0.6, 0.4], 26.0), ([0.1, -0.8, -0.6], 30.0)];
/// Wet earth on bright paint: what is left of its brightness (from memory).
const MUD_LEAVES: f64 = 0.35;
/// Patches and seams end over this many degrees.
const EDGE_DEG: f64 = 6.0;

impl Skin {
    /// All kinds by name, as on the command line.
    pub const ALL: [(&'static str, Self); 4] = [
        ("even", Self::Even),
        ("seamed", Self::Seamed),
        ("translucent", Self::Translucent),
        ("muddy", Self::Muddy),
    ];

    /// From its name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().find(|(n, _)| *n == name).map(|(_, skin)| *skin)
    }

    /// It matters how the ball is turned.
    #[must_use]
    pub fn has_marks(self) -> bool {
        matches!(self, Self::Seamed | Self::Muddy)
    }

    /// Share of the sun's light sent back where the cosine between the surface's normal and the sun is `cosine`: Lambert's, and of
    /// thin plastic half of it spread over the whole ball, most where the sun is.
    #[must_use]
    pub fn of_sun(self, cosine: f64) -> f64 {
        let outside = cosine.max(0.0);
        match self {
            Self::Translucent => 0.5 * outside + 0.25 * (1.0 + cosine),
            _ => outside,
        }
    }

    /// Share of any light sent back at a place of the surface, given by the normal there in the ball's own axes.
    #[must_use]
    pub fn paint(self, normal: &Vector3<f64>) -> f64 {
        let covered = |deg_inside: f64| (0.5 + deg_inside / EDGE_DEG).clamp(0.0, 1.0);
        match self {
            Self::Even | Self::Translucent => 1.0,
            Self::Seamed => {
                let off_deg = |cosine: f64| cosine.clamp(-1.0, 1.0).asin().to_degrees().abs();
                let seam = covered(5.0 - off_deg(normal.x)).max(covered(5.0 - off_deg(normal.y)));
                let thin = 0.5 + 0.5 * (7.0 * normal.x).sin() * (6.0 * normal.y + 2.0 * normal.z).sin();
                (1.0 - 0.2 * thin) * (1.0 - 0.5 * seam)
            }
            Self::Muddy => {
                let mud = MUD.iter().map(|(towards, half_deg)| {
                    let cosine = Vector3::from(*towards).normalize().dot(normal).clamp(-1.0, 1.0);
                    covered(half_deg - cosine.acos().to_degrees())
                });
                1.0 - (1.0 - MUD_LEAVES) * mud.fold(0.0, f64::max)
            }
        }
    }
}

/// How a ball stands before a camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Facing {
    /// Direction of the light in the axes of the stored picture: right, down, towards the camera.
    pub light: Vector3<f64>,
    /// From those axes to the ball's own.
    pub ball_from_picture: Matrix3<f64>,
}

impl Facing {
    /// As one sees it, the same as another: the light within half a degree, marks within two.
    #[must_use]
    pub fn is_near(&self, other: &Self) -> bool {
        (self.light - other.light).norm() < 0.01
            && (self.ball_from_picture - other.ball_from_picture).norm() < 0.05
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The largest patch of mud covers a seventh of the ball: its cap's area (1 - cos 42)/2 of the sphere's; all three together 0.23,
    /// for none lies over another.
    #[test]
    fn mud_covers_what_its_caps_do() {
        let n = 200_000;
        let golden = std::f64::consts::PI * (3.0 - 5.0_f64.sqrt());
        let mean: f64 = (0..n)
            .map(|i| {
                let z = 1.0 - 2.0 * (f64::from(i) + 0.5) / f64::from(n);
                let (sin, cos) = (golden * f64::from(i)).sin_cos();
                let r = (1.0 - z * z).sqrt();
                Skin::Muddy.paint(&Vector3::new(r * cos, r * sin, z))
            })
            .sum::<f64>()
            / f64::from(n);
        let caps: f64 = MUD.iter().map(|(_, deg)| (1.0 - deg.to_radians().cos()) / 2.0).sum();
        assert!((mean - (1.0 - (1.0 - MUD_LEAVES) * caps)).abs() < 0.003, "{mean} {caps}");
    }

    #[test]
    fn thin_plastic_is_brighter_than_nothing_where_the_sun_is_not() {
        assert_eq!(Skin::Even.of_sun(-0.5), 0.0);
        assert!((Skin::Translucent.of_sun(-0.5) - 0.125).abs() < 1e-12);
        assert!((Skin::Translucent.of_sun(1.0) - 1.0).abs() < 1e-12);
    }
}
