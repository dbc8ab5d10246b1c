//! Band-limited edges: each step of the pulse is eight internal steps wide and starts at its exact instant.
//!
//! ```text
//!                       ____            s(x) = x + Σₖ (−1)ᵏ aₖ sin(2πkx)/(2πk a₀),   0 ≤ x ≤ 1
//!                     /                 s' = minimum four-term cosine window
//!   ________________/                   x = (time − instant)/(8 internal steps)
//!            instant ↑
//! ```
//! Window: A. H. Nuttall, "Some windows with very good sidelobe behavior", IEEE Trans. ASSP 29 (1981) 84–91
//! (citation from memory; coefficients as in `scipy.signal.windows.nuttall`). Its spectrum is 98 dB down from four bins
//! on, and a bin is an eighth of the internal rate: above the internal Nyquist frequency an edge is 98 dB below the ideal step. Below, it is
//! 2.2 dB down at a tenth of the internal rate, and 0.5 dB at a twentieth.
//! An edge in flight keeps the sine and cosine of 2πx and turns them by 45° a step. Most steps have none in flight.

use crate::oversample::NODES;
use std::f64::consts::TAU;

/// Width of an edge in internal steps; its middle comes half of this after its instant.
pub(super) const WIDTH: usize = 8;

/// Edges that one step may add.
pub(super) const MOST_A_STEP: usize = 6;

/// An edge is in flight for up to `WIDTH + 1` steps.
const ROOM: usize = 64;
const _: () = assert!(MOST_A_STEP * (WIDTH + 1) <= ROOM && ROOM.is_power_of_two());

const WINDOW: [f64; 4] = [0.363_581_9, 0.489_177_5, 0.136_599_5, 0.010_641_1];

#[derive(Clone, Copy, Debug, Default)]
struct Edge {
    height: f64,
    /// Part of the width passed at the start of the next step; negative before the edge's instant.
    passed: f64,
    /// Cosine and sine of 2π·passed.
    turn: [f64; 2],
}

#[derive(Clone, Debug)]
pub(super) struct Edges {
    /// Turn from the start of a step to each node.
    to_nodes: [[f64; 2]; 3],
    in_flight: [Edge; ROOM],
    first: usize,
    count: usize,
    settled: f64,
}

#[inline]
fn turned(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [a[0] * b[0] - a[1] * b[1], a[0] * b[1] + a[1] * b[0]]
}

fn turn(part: f64) -> [f64; 2] {
    let (sine, cosine) = (TAU * part).sin_cos();
    [cosine, sine]
}

/// s(x) with the cosine and sine of 2πx.
#[inline]
fn risen(x: f64, [cosine, sine]: [f64; 2]) -> f64 {
    const A: [f64; 3] =
        [WINDOW[1] / (TAU * WINDOW[0]), WINDOW[2] / (2.0 * TAU * WINDOW[0]), WINDOW[3] / (3.0 * TAU * WINDOW[0])];
    if x <= 0.0 {
        0.0
    } else if x >= 1.0 {
        1.0
    } else {
        x - sine * (A[0] - A[1] * 2.0 * cosine + A[2] * (4.0 * cosine * cosine - 1.0))
    }
}

impl Edges {
    pub(super) fn new() -> Self {
        Self {
            to_nodes: NODES.map(|c| turn(c / WIDTH as f64)),
            in_flight: [Edge::default(); ROOM],
            first: 0,
            count: 0,
            settled: 0.0,
        }
    }

    pub(super) fn reset(&mut self) {
        self.count = 0;
        self.settled = 0.0;
    }

    /// Whether none is in flight.
    pub(super) fn are_over(&self) -> bool {
        self.count == 0
    }

    /// What those that are over sum to.
    pub(super) fn settled(&self) -> f64 {
        self.settled
    }

    /// An edge of `height` at `instant`, a part (0 to 1) of the step that comes next.
    pub(super) fn add(&mut self, height: f64, instant: f64) {
        debug_assert!(self.count < ROOM, "no step may add more than {MOST_A_STEP} edges");
        let passed = -instant / WIDTH as f64;
        self.in_flight[(self.first + self.count) % ROOM] = Edge { height, passed, turn: turn(passed) };
        self.count += 1;
    }

    /// The sum of all edges at the nodes of the next step.
    #[inline]
    pub(super) fn step(&mut self) -> [f64; 3] {
        let mut sum = [self.settled; 3];
        if self.count > 0 {
            self.fly(&mut sum);
        }
        sum
    }

    fn fly(&mut self, sum: &mut [f64; 3]) {
        let half = std::f64::consts::FRAC_1_SQRT_2;
        const { assert!(WIDTH == 8, "a step is an eighth of a turn") }
        let mut landed = 0;
        for place in 0..self.count {
            let edge = &mut self.in_flight[(self.first + place) % ROOM];
            for ((sum, c), to_node) in sum.iter_mut().zip(NODES).zip(self.to_nodes) {
                *sum += edge.height * risen(edge.passed + c / WIDTH as f64, turned(edge.turn, to_node));
            }
            edge.passed += 1.0 / WIDTH as f64;
            edge.turn = turned(edge.turn, [half, half]);
            if edge.passed >= 1.0 {
                // All are equally wide, so the oldest lands first.
                self.settled += edge.height;
                landed += 1;
            }
        }
        self.first = (self.first + landed) % ROOM;
        self.count -= landed;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use realfft::RealFftPlanner;

    /// The edge at `fine` times the internal rate, put together from edges at `fine` instants.
    fn fine_edge(fine: usize) -> Vec<f64> {
        let mut edge = vec![0.0; fine * (WIDTH + 2)];
        for place in 0..fine {
            let mut edges = Edges::new();
            edges.add(1.0, 1.0 - place as f64 / fine as f64);
            for step in 0..WIDTH + 2 {
                edge[step * fine + place] = edges.step()[2];
            }
        }
        edge
    }

    #[test]
    fn an_edge_is_98_db_down_above_the_internal_nyquist_frequency() {
        let fine = 64;
        let edge = fine_edge(fine);
        assert!(edge.windows(2).all(|pair| pair[1] >= pair[0] - 1e-15), "an edge rises and never turns back");
        let mut slope: Vec<f64> = edge.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let bins = 1 << 16;
        slope.resize(bins, 0.0);
        let fft = RealFftPlanner::new().plan_fft_forward(bins);
        let mut spectrum = fft.make_output_vec();
        fft.process(&mut slope, &mut spectrum).unwrap();
        let db = |part: f64| 20.0 * spectrum[(part * bins as f64 / fine as f64).round() as usize].norm().log10();
        approx::assert_abs_diff_eq!(db(0.0), 0.0, epsilon = 1e-9);
        let worst = (0..4000).map(|k| db(0.5 + 0.001 * f64::from(k))).fold(f64::NEG_INFINITY, f64::max);
        println!("worst {worst:.1} dB; {:.2} dB at 0.05, {:.2} dB at 0.1 of the internal rate", db(0.05), db(0.1));
        assert!(worst < -97.9, "{worst} dB");
        assert!(db(0.05) > -0.55 && db(0.1) > -2.25);
    }

    #[test]
    fn overlapping_edges_add_and_leave_exactly_nothing() {
        let mut edges = Edges::new();
        let mut alone = [Edges::new(), Edges::new()];
        for step in 0..30 {
            if step % 3 == 0 && step < 24 {
                let (which, height) = if step % 2 == 0 { (0, 2.9) } else { (1, -2.9) };
                edges.add(height, 0.3);
                alone[which].add(height, 0.3);
            }
            let [up, down] = [alone[0].step(), alone[1].step()];
            let sum = edges.step();
            for node in 0..3 {
                approx::assert_abs_diff_eq!(sum[node], up[node] + down[node], epsilon = 1e-12);
            }
        }
        assert_eq!(edges.step(), [0.0; 3]);
    }
}
