//! What one stage aims at, and what "nearest" means.
//!
//! ```text
//!   worst   largest of w·|e|                e: cents from target to peak
//!   rms     √( Σ w·e² / Σ w )               w: how many times as much a target counts
//! ```
//! In differences that can just be heard, e is divided by the least one at the target's frequency: 14 Hz up to some 900 Hz, 1.5 % above
//! (D. Kewley-Port and C. S. Watson, "Formant-frequency discrimination for isolated English vowels", J. Acoust. Soc. Am. 95 (1994)
//! 485–496, from memory).

use std::fmt;

/// One target of one stage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Aim {
    /// Where it is to peak, hertz.
    pub hertz: f64,
    /// What its error, or the square of it, is multiplied by.
    pub weight: f64,
    /// What it has in the sum that a mean is taken over.
    pub share: f64,
}

impl Aim {
    /// One that counts `weight` times, its errors in units of which a cent has so many.
    pub fn of(hertz: f64, weight: f64, cent: f64, measure: Measure) -> Self {
        let weight_of_error = if measure == Measure::Rms { weight * cent * cent } else { weight * cent };
        Self { hertz, weight: weight_of_error, share: weight }
    }
}

/// What is to be smallest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Measure {
    /// The target that is farthest off.
    #[default]
    Worst,
    /// The root of the mean square.
    Rms,
}

/// What an error is counted in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Unit {
    /// 1200 to the octave.
    #[default]
    Cents,
    /// Differences that can just be heard.
    Heard,
}

impl Measure {
    /// Of errors in cents.
    pub fn of(self, aims: &[Aim], cents: impl Iterator<Item = f64>) -> f64 {
        let weighed = aims.iter().zip(cents);
        match self {
            Self::Worst => weighed.map(|(aim, cents)| aim.weight * cents.abs()).fold(0.0, f64::max),
            Self::Rms => (weighed.map(|(aim, cents)| aim.weight * cents * cents).sum::<f64>() / shares(aims)).sqrt(),
        }
    }

    /// Cents that one target may be off by itself, when the whole is to be no more than `limit`.
    pub(super) fn alone(self, aims: &[Aim], limit: f64) -> impl Iterator<Item = f64> {
        let whole = shares(aims);
        aims.iter().map(move |aim| match self {
            Self::Worst => limit / aim.weight,
            Self::Rms => limit * (whole / aim.weight).sqrt(),
        })
    }
}

/// What the sum of squares is divided by.
pub(super) fn shares(aims: &[Aim]) -> f64 {
    aims.iter().map(|aim| aim.share).sum()
}

impl Unit {
    /// What a cent at `hertz` counts for.
    pub fn of_a_cent(self, hertz: f64) -> f64 {
        match self {
            Self::Cents => 1.0,
            Self::Heard => 1.0 / (1200.0 * (1.0 + f64::max(14.0 / hertz, 0.015)).log2()),
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Cents => "cents",
            Self::Heard => "just heard",
        })
    }
}
