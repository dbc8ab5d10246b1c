//! The stereo mixer (signatures first; the arithmetic follows).

use crate::knobs::Settings;

/// Gains from tap and direct signal to left and right, output level included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gains {
    /// Per tap: to left, to right.
    pub taps: [[f64; 2]; 3],
    /// Direct signal, each side to its own.
    pub direct: f64,
}

impl Gains {
    /// From where the knobs stand.
    pub fn of(_settings: &Settings) -> Self {
        Self { taps: [[0.0; 2]; 3], direct: 0.0 }
    }

    /// Coefficient of [`Gains::glide`] for a time constant of 5 ms at `rate_hz` calls a second.
    pub fn coefficient(rate_hz: f64) -> f64 {
        -(-1.0 / (5e-3 * rate_hz)).exp_m1()
    }

    /// Moves by `coefficient` (0 to 1) of the way to `target`.
    pub fn glide(&mut self, _target: &Self, _coefficient: f64) {}
}

/// Three coupling capacitors and a summing point.
#[derive(Clone, Debug)]
pub struct Mixer {}

impl Mixer {
    /// At `rate_hz` frames a second, capacitors empty.
    pub fn new(_rate_hz: f64) -> Self {
        Self {}
    }

    /// Charges the capacitors to these taps, so that nothing thumps.
    pub fn settle(&mut self, _taps: [f64; 3]) {}

    /// One frame.
    pub fn mix(&mut self, _taps: [f64; 3], direct: [f64; 2], gains: &Gains) -> [f64; 2] {
        direct.map(|x| x * gains.direct)
    }
}
