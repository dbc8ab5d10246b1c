//! Small-signal response about the operating point.

use crate::board::Board;
use crate::knobs::Settings;
use num_complex::Complex64;

/// Where a stage resonates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// Frequency of the greatest magnitude, hertz.
    pub frequency: f64,
    /// Loaded Q: frequency over the −3 dB width.
    pub q: f64,
    /// Magnitude at the peak, V/V.
    pub gain: f64,
}

/// The linear circuit about its operating point, ready to be asked at any frequency.
#[derive(Clone, Debug)]
pub struct Response {}

impl Response {
    /// Linearises a board about its DC operating point under a code.
    pub fn of(_board: &Board, _settings: &Settings, _codes: [u8; 3]) -> Self {
        Self {}
    }

    /// From main in (after its level) through the chain to each tap at `hertz`: `tap/in`, V/V.
    pub fn taps(&self, _hertz: f64) -> [Complex64; 3] {
        [Complex64::ZERO; 3]
    }

    /// Each stage alone, from its own bus to its own tap, V/V.
    pub fn stages(&self, _hertz: f64) -> [Complex64; 3] {
        [Complex64::ZERO; 3]
    }

    /// Peak of each stage alone.
    pub fn peaks(&self) -> [Peak; 3] {
        [Peak { frequency: 0.0, q: 0.0, gain: 0.0 }; 3]
    }
}
