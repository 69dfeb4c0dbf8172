//! Mean power of a signal by even steps, of one that is handed over piece by piece.

/// A signal's mean power, step by step.
#[derive(Debug)]
pub struct PowerSteps<T> {
    /// Samples to a step; it need not be a whole number.
    step: f64,
    /// Where the next sample after so many steps is.
    ends_at: fn(f64) -> f64,
    /// Samples so far.
    heard: usize,
    /// First sample of the step at hand, and the one after its last.
    from: usize,
    to: usize,
    /// Sum of squares in the step at hand, and means of those before.
    energy: f64,
    means: Vec<T>,
}

impl<T: FromPower> PowerSteps<T> {
    /// Nothing yet. A step ends at a whole number of samples, `ends_at` (floor or round) of what it should be.
    #[must_use]
    pub fn new(step: f64, ends_at: fn(f64) -> f64) -> Self {
        Self { step, ends_at, heard: 0, from: 0, to: ends_at(step) as usize, energy: 0.0, means: Vec::new() }
    }

    /// Takes in what `filter` makes of more samples; what is no number is silence.
    pub fn add(&mut self, mut samples: &[f32], mut filter: impl FnMut(f64) -> f64) {
        while !samples.is_empty() {
            let (own, left) = samples.split_at(samples.len().min(self.to - self.heard));
            samples = left;
            self.heard += own.len();
            for s in own {
                let s = if s.is_finite() { f64::from(*s) } else { 0.0 };
                self.energy += filter(s).powi(2);
            }
            if self.heard == self.to {
                self.means.push(T::from_power(self.energy / (self.to - self.from).max(1) as f64));
                self.energy = 0.0;
                self.from = self.to;
                self.to = (self.ends_at)((self.means.len() + 1) as f64 * self.step) as usize;
            }
        }
    }

    /// The means; a step that was begun only is left out.
    #[must_use]
    pub fn whole(mut self) -> Vec<T> {
        // an end at the nearest sample may be half a sample early
        self.means.truncate((self.heard as f64 / self.step) as usize);
        self.means
    }
}

/// How a power is kept.
pub trait FromPower {
    /// From the power.
    fn from_power(power: f64) -> Self;
}

impl FromPower for f64 {
    fn from_power(power: f64) -> Self {
        power
    }
}

impl FromPower for f32 {
    fn from_power(power: f64) -> Self {
        power as Self
    }
}
