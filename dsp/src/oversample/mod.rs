//! Host rate to internal rate and back (signatures first; the arithmetic follows).

/// Four signals side by side.
pub type Lanes = [f64; 4];

/// Nodes of the three-stage Radau IIA step, as parts of the step.
pub const NODES: [f64; 3] = [0.155_051_025_721_682_2, 0.644_948_974_278_317_8, 1.0];

/// Host frames to node values of the internal steps.
#[derive(Clone, Debug)]
pub struct Upsampler {
    factor: usize,
}

impl Upsampler {
    /// For 1, 2, 4, 8 or 16 internal steps a frame.
    pub fn new(factor: usize) -> Self {
        Self { factor }
    }

    /// Takes host frame n; writes the nodes of the steps that cover host time [n − latency, n − latency + 1).
    pub fn push(&mut self, frame: Lanes, out: &mut [[Lanes; 3]]) {
        out[..self.factor].fill([frame; 3]);
    }

    /// Whole host frames from a frame to the steps that start at its instant.
    pub fn latency_frames(&self) -> usize {
        0
    }

    /// As if `frame` had stood at the input for ever.
    pub fn settle(&mut self, _frame: Lanes) {}

    /// As new.
    pub fn reset(&mut self) {}
}

/// Step-end values to host frames.
#[derive(Clone, Debug)]
pub struct Downsampler {
    factor: usize,
}

impl Downsampler {
    /// For 1, 2, 4, 8 or 16 internal steps a frame.
    pub fn new(factor: usize) -> Self {
        Self { factor }
    }

    /// Takes the end values of the steps that cover host time [n, n + 1); returns the frame at n − latency.
    pub fn pull(&mut self, steps: &[Lanes]) -> Lanes {
        steps[self.factor - 1]
    }

    /// Whole host frames by which a frame comes out after the steps that start at its instant.
    pub fn latency_frames(&self) -> usize {
        0
    }

    /// As if `value` had stood at the input for ever.
    pub fn settle(&mut self, _value: Lanes) {}

    /// As new.
    pub fn reset(&mut self) {}
}
