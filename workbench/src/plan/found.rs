//! What a search gives back, and what it is given.

use super::aim::{Aim, Measure};
use super::reckon::FARTHEST;
use super::stock::{Place, Stock};

/// What may be soldered in one stage.
#[derive(Clone, Debug)]
pub struct Choice {
    /// All parts, with how many of each this stage may use.
    pub stock: Stock,
    /// What may stand as the fixed capacitor, ascending.
    pub fixed: Vec<Place>,
    /// What may stand at a line or a position, ascending.
    pub position: Vec<Place>,
    /// What is soldered and stays there: the fixed capacitor, farads.
    pub kept_fixed: Option<f64>,
    /// The same by line or position, for all that there are.
    pub kept: Vec<Option<f64>>,
}

/// A bank and what it makes of the targets.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// Fixed capacitor.
    pub fixed: Place,
    /// Line or position 0 first.
    pub bank: Vec<Place>,
    /// The code that comes nearest to each target.
    pub codes: Vec<u8>,
    /// From each target to its peak, cents.
    pub cents: Vec<f64>,
    /// By the measure that was asked for.
    pub score: f64,
    /// No bank has a smaller score than this.
    pub bound: f64,
    /// Whether no bank is better, to [`GAP`].
    pub proved: bool,
}

/// A score is proved when nothing can be better by more than this: no ear and no meter tells a twentieth of a cent.
pub const GAP: f64 = 0.05;

impl Found {
    /// With the bound that its search came to.
    pub(super) fn bound_by(self, bound: f64) -> Self {
        Self { bound, proved: self.score <= bound + 1.001 * GAP, ..self }
    }

    /// The parts that it takes, each as often as it does.
    pub fn parts(&self) -> Vec<usize> {
        self.bank.iter().chain([&self.fixed]).flat_map(Place::parts).collect()
    }

    /// Error of the target that is farthest off, cents.
    pub fn worst(&self) -> f64 {
        self.cents.iter().map(|cents| cents.abs()).fold(0.0, f64::max)
    }
}

/// Why there is none.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoPlan {
    /// A target that the coil cannot be tuned to.
    #[error("target {hertz} Hz: this coil with its losses peaks there under no capacitor")]
    OutOfReach {
        /// The target.
        hertz: f64,
    },
    /// Not even within an octave.
    #[error("no bank of these values comes within {:.0} octave of every target", FARTHEST / 1200.0)]
    Nothing,
}

/// A choice for tests: as many as one wants of each value, nothing kept.
#[cfg(test)]
pub(super) fn free(values: &[f64], pairs: bool, positions: usize) -> Choice {
    let stock = Stock::of(values);
    let fixed = stock.singles();
    let position = if pairs { stock.pairs() } else { fixed.clone() };
    Choice { stock, fixed, position, kept_fixed: None, kept: vec![None; positions] }
}

/// Score of errors by target.
pub(super) fn score(measure: Measure, aims: &[Aim], cents: &[f64]) -> f64 {
    measure.of(aims, cents.iter().copied())
}
