//! The safety limiter (signatures first; the arithmetic follows).

/// Stereo-linked look-ahead limiter at host rate.
#[derive(Clone, Debug)]
pub struct Limiter {}

impl Limiter {
    /// At `rate_hz` frames a second, on, ceiling −1 dB re 1 V.
    pub fn new(_rate_hz: f64) -> Self {
        Self {}
    }

    /// Frames by which everything comes out late, on or off.
    pub fn latency_frames(&self) -> usize {
        0
    }

    /// From the next frame on: on or off, and the ceiling in dB re 1 V (at most −1).
    pub fn set(&mut self, _on: bool, _ceiling_db: f64) {}

    /// One frame.
    pub fn tick(&mut self, frame: [f64; 2]) -> [f64; 2] {
        frame
    }

    /// Gain now, 0 to 1.
    pub fn gain(&self) -> f64 {
        1.0
    }

    /// As new, switch and ceiling as they stand.
    pub fn reset(&mut self) {}
}
