//! Host rate to the solver's steps and back: linear phase, whole frames late.
//!
//! ```text
//!   host frame ─► ×2 ─► ×2 ─► … ─► nodes of a grid of M steps ─► solver, in steps of its own ─► ∫ k·v dt ─► host frame
//!   time n                          n … n + 1
//! ```
//! **Alignment.** Host frame n stands at host time n. The grid of one call covers host time [n, n + 1): step k runs
//! from n + k/M to n + (k + 1)/M, and its nodes stand at n + (k + c)/M, c = [`NODES`]. What is switched on host frame n
//! is switched at the start of step 0. [`Upsampler::push`] of frame n + latency delivers that grid; `Decimator::pull`, after
//! the steps of [n, n + 1), returns the host frame at time n − latency. So a signal passed up and straight down comes out after
//! the sum of both, with no fraction left.
//!
//! | M  | latency up + down, frames | nodes to 10/48 fs | nodes to 0.4375 fs | cubic of a step to 0.4375 fs |
//! |---:|--------------------------:|------------------:|-------------------:|-----------------------------:|
//! | 1  | 24 + 29                   | −98 dB            | −80 dB             | 0.03 dB                      |
//! | 2  | 33 + 29                   | −108 dB           | −102 dB            | 0.001 dB                     |
//! | 4  | 36 + 29                   | −108 dB           | −106 dB            | 0.0001 dB                    |
//! | 8  | 37 + 29                   | −108 dB           | −106 dB            | 0.0001 dB                    |
//! | 16 | 37 + 29                   | −108 dB           | −106 dB            | 0.0001 dB                    |
//!
//! The nodes' columns bound the error of a unit sine at any node, images of the half-bands included.
//! **Up and down**, each: pass band to 0.4375 fs within 0.001 dB; all that would be an image of it, or fold into it,
//! below −110 dB. At fs/2 each way is −6 dB. What the way down hears is the cubic through a step's start and nodes; how
//! far that is from a sine is the last column, for steps of the grid's own length. Denormals are the caller's to flush.

mod decimator;
mod fir;
mod half_band;
mod nodes;
mod window;

pub(crate) use decimator::{Decimator, Lanes};
use half_band::Doubler;
use nodes::NodeFilter;

pub(crate) use nodes::fractional;
use std::f64::consts::TAU;
pub(crate) use window::Window;

/// Nodes of the three-stage Radau IIA step, as parts of the step: (4 − √6)/10, (4 + √6)/10, 1
/// (E. Hairer, G. Wanner, Solving Ordinary Differential Equations II, table 5.6; from memory).
pub const NODES: [f64; 3] = [0.155_051_025_721_682_2, 0.644_948_974_278_317_8, 1.0];

/// Highest factor.
const MOST: usize = 16;

/// Edge of the pass band, as a part of the host rate.
pub const PASS_BAND: f64 = 0.4375;

/// Tap pairs and Kaiser attenuation of each half-band, the one next to the host first. The first leaves a gap of
/// 0.4375 to 0.5625 fs; the others have room from 0.5625 fs to its mirror image, and are as short as that allows.
const HALF_BANDS: [(usize, f64); 4] = [(30, 115.5), (9, 122.0), (6, 123.5), (5, 129.5)];

/// Half-bands of a factor.
fn stages(factor: usize) -> &'static [(usize, f64)] {
    assert!(
        factor.is_power_of_two() && factor <= MOST,
        "oversampling: given {factor}, allowed are 1, 2, 4, 8 and 16 internal steps a frame"
    );
    &HALF_BANDS[..factor.trailing_zeros() as usize]
}

/// Lanes of the way up: main and the jacks of stages 2 and 3.
const LANES: usize = 3;

/// Host frames to node values of the internal steps.
#[derive(Clone, Debug)]
pub struct Upsampler {
    doublers: Box<[Doubler]>,
    nodes: NodeFilter,
    latency: usize,
    /// Frames of silence after which nothing is left in the filters.
    memory: usize,
    lanes: [Lane; LANES],
}

/// What the filters remember of one lane.
#[derive(Clone, Debug)]
struct Lane {
    /// Before each doubler and before the node filter.
    windows: Box<[Window<f64>]>,
    /// Frames of silence, as far as they count.
    silent: usize,
}

impl Upsampler {
    /// For 1, 2, 4, 8 or 16 internal steps a frame. Allocates; nothing after it does.
    ///
    /// # Panics
    /// Another factor.
    pub fn new(factor: usize) -> Self {
        let stages = stages(factor);
        // After the push of frame m the newest internal sample is factor·m − behind.
        let behind = stages.iter().fold(0, |behind, (pairs, _)| 2 * (behind + pairs) - 1);
        let length = match factor {
            1 => 48,
            2 => 12,
            _ => 8,
        };
        // The last step of the frame needs length/2 samples from its start on.
        let needed = behind + factor - 1 + length / 2;
        let latency = needed.div_ceil(factor);
        // From ×4 on one filter serves: a narrower band would only make the design ill-conditioned.
        let band = TAU * PASS_BAND / factor.min(4) as f64;
        let doublers: Box<[_]> = stages.iter().map(|&(pairs, attenuation)| Doubler::new(pairs, attenuation)).collect();
        let nodes = NodeFilter::new(length, band, factor * latency - needed);
        let lengths: Vec<usize> = doublers.iter().map(Doubler::length).chain([nodes.length()]).collect();
        let memory = lengths.iter().enumerate().map(|(stage, length)| length.div_ceil(1 << stage) + 1).sum();
        let lane =
            Lane { windows: lengths.into_iter().map(|length| Window::new(length, 0.0)).collect(), silent: memory };
        Self { doublers, nodes, latency, memory, lanes: std::array::from_fn(|_| lane.clone()) }
    }

    /// Takes host frame n of a lane (0 to 2); writes, three a step, the nodes of the steps that cover host time
    /// [n − latency, n − latency + 1). Returns false, and leaves `out` alone, when they and those of the frame before are
    /// exactly zero because nothing has come for so long.
    ///
    /// # Panics
    /// `out` is shorter than three times the factor.
    #[inline]
    pub fn push(&mut self, lane: usize, sample: f64, out: &mut [f64]) -> bool {
        let lane = &mut self.lanes[lane];
        if sample != 0.0 {
            lane.silent = 0;
        } else if lane.silent >= self.memory {
            return false;
        } else {
            lane.silent += 1;
        }
        lane.windows[0].next(1)[0] = sample;
        let mut count = 1;
        for (stage, doubler) in self.doublers.iter().enumerate() {
            let [slower, faster] = &mut lane.windows[stage..stage + 2] else {
                unreachable!("a window behind each doubler")
            };
            let seen = slower.last(count);
            for (k, pair) in faster.next(2 * count).as_chunks_mut::<2>().0.iter_mut().enumerate() {
                *pair = doubler.double(&seen[k..][..doubler.length()]);
            }
            count *= 2;
        }
        let seen = lane.windows[self.doublers.len()].last(count);
        for (k, step) in out[..3 * count].as_chunks_mut::<3>().0.iter_mut().enumerate() {
            *step = self.nodes.nodes(&seen[k..][..self.nodes.length()]);
        }
        true
    }

    /// Whole host frames from a frame to the steps that start at its instant.
    pub fn latency_frames(&self) -> usize {
        self.latency
    }

    /// As if this had stood at the lanes for ever.
    pub fn settle(&mut self, frame: [f64; LANES]) {
        for (lane, sample) in self.lanes.iter_mut().zip(frame) {
            lane.windows.iter_mut().for_each(|window| window.fill(sample));
            lane.silent = if sample == 0.0 { self.memory } else { 0 };
        }
    }

    /// As new.
    pub fn reset(&mut self) {
        self.settle([0.0; LANES]);
    }
}

#[cfg(test)]
mod tests;
