//! Steps to host frames: the low-pass as an integral over each step, whatever its length.
//!
//! ```text
//!   y(m) = ∫ k(m − t)·v(t) dt        v on a step: the cubic through its start and its three nodes
//!
//!   k(x) = sinc(x)·I₀(β√(1 − (x/H)²))/I₀(β)      H = 30 frames, β for 115.5 dB
//! ```
//! Nothing of a step is lost, neither the microsecond in which a tank shares its charge nor what two steps of different lengths
//! do side by side. k is scaled so that over the frames it reaches it sums to 1 at every instant: DC passes exactly.
//!
//! The integrals of steps of levels 0 to 4 are tables. In a shorter step, as they come after edges, k hardly bends, and Radau's
//! quadrature does: k at a node is read between rows that stand 1/64 of a frame apart, by the cubic through four of them.
//! A step that is a whole frame lies symmetrically to the frames it reaches: the even and the odd part of its cubic about its
//! middle reach one side and, mirrored, the other.
//! Cost of a step: 4 × 60 multiplications for each lane; of a whole frame half of it.

use super::half_band::bessel_i0;
use crate::pace::{self, LEVELS, TICKS};
use crate::radau::{self, Nodes};
use std::f64::consts::PI;
use std::sync::LazyLock;

/// Half the length of k, frames.
const HALF: usize = 30;
/// Frames that a node reaches.
const REACH: usize = 2 * HALF;
/// Stop band, dB.
const ATTENUATION: f64 = 115.5;
/// Levels that have a table of their own.
const TABLED: usize = 5;
/// Rows in a frame from which those of shorter steps are read.
const FINE: usize = 64;
/// Room for this many frames before the pending ones are moved to its start.
const ROOM: usize = 8 * REACH;

/// Pulse and taps 1 to 3.
pub(crate) type Lanes = [f64; 4];
/// k at the frames that a node reaches, the earliest first.
type Row = [f64; REACH];

/// Half of them, from the earliest to the one in the middle.
type HalfRow = [f64; HALF];

struct Kernel {
    /// Of a whole frame: integrals of k with the cubics through thirds that are even and 1 at both ends, or at both inner
    /// places, and with those that are odd.
    whole: [[HalfRow; 2]; 2],
    /// Weights of start and nodes at the inner thirds.
    thirds: [[f64; 4]; 2],
    /// By level and step: integrals of k with the cubics that are 1 at the start, or at a node, and 0 at the others.
    steps: [Box<[[Row; 4]]>; TABLED],
    /// Integrals of k over a frame.
    frame: Row,
    /// k by place in the frame, one place before it and three behind.
    fine: Box<[Row]>,
}

static KERNEL: LazyLock<Kernel> = LazyLock::new(|| Kernel {
    whole: whole(),
    thirds: [1.0, 2.0].map(|third| radau::weights_at(third / 3.0)),
    steps: std::array::from_fn(|level| (0..1u32 << level).map(|n| integrals(n, pace::part(level))).collect()),
    frame: integrals(0, 1.0).into_iter().fold([0.0; REACH], |sum, row| std::array::from_fn(|j| sum[j] + row[j])),
    fine: (0..FINE + 4).map(|n| row((n as f64 - 1.0) / FINE as f64)).collect(),
});

/// Of step n of `length` frames.
fn integrals(n: u32, length: f64) -> [Row; 4] {
    // Gauss's quadrature on sixteenths of a frame, which is symmetrical as k is: what is left is below 10⁻¹⁰.
    let gauss =
        [0.5 - 0.15_f64.sqrt(), 0.5, 0.5 + 0.15_f64.sqrt()].into_iter().zip([5.0 / 18.0, 8.0 / 18.0, 5.0 / 18.0]);
    let parts = ((16.0 * length) as usize).max(1);
    let mut sums = [[0.0; REACH]; 4];
    for part in 0..parts {
        for (node, weight) in gauss.clone() {
            let place = (part as f64 + node) / parts as f64;
            let row = row((f64::from(n) + place) * length);
            for (sum, cubic) in sums.iter_mut().zip(radau::weights_at(place)) {
                let weight = cubic * length * weight / parts as f64;
                sum.iter_mut().zip(row).for_each(|(sum, k)| *sum += weight * k);
            }
        }
    }
    sums
}

/// The cubic through thirds that is 1 at third n and 0 at the others, at the start and the nodes of a frame.
fn thirds(n: usize) -> [f64; 4] {
    let at = |k: usize| k as f64 / 3.0;
    let cubic = |s: f64| (0..4).filter(|&k| k != n).map(|k| (s - at(k)) / (at(n) - at(k))).product();
    [0.0, radau::C[0], radau::C[1], radau::C[2]].map(cubic)
}

fn whole() -> [[HalfRow; 2]; 2] {
    let rows = integrals(0, 1.0);
    let third = |n: usize, j: usize| -> f64 { thirds(n).iter().zip(&rows).map(|(value, row)| value * row[j]).sum() };
    [1.0, -1.0].map(|sign| [0, 1].map(|n| std::array::from_fn(|j| 0.5 * (third(n, j) + sign * third(3 - n, j)))))
}

/// k from a node at `place` in its frame to the frames it reaches: the first is `HALF − 1` before the frame's start.
fn row(place: f64) -> Row {
    let beta = 0.1102 * (ATTENUATION - 8.7);
    let scale = 1.0 / bessel_i0(beta);
    let k = |x: f64| {
        let part = 1.0 - (x / HALF as f64).powi(2);
        if part <= 0.0 {
            0.0
        } else {
            let sinc = if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) };
            sinc * bessel_i0(beta * part.sqrt()) * scale
        }
    };
    let row: Row = std::array::from_fn(|j| k((j as f64 + 1.0) - HALF as f64 - place));
    let sum: f64 = row.iter().sum();
    row.map(|k| k / sum)
}

/// Collects node values; gives a host frame when its last step is in.
#[derive(Clone, Debug)]
pub(crate) struct Decimator([Lane; 4]);

/// One lane's frames that wait for more.
#[derive(Clone, Debug)]
struct Lane {
    pending: Box<[f64; ROOM]>,
    /// Where the oldest of them stands.
    first: usize,
    /// Value at the end of the last step.
    last: f64,
    /// Frames for which it has been held there. Once that is as long as k, what waits no longer changes.
    held: usize,
}

impl Decimator {
    /// Silent. Allocates; nothing after it does.
    pub(crate) fn new() -> Self {
        LazyLock::force(&KERNEL);
        Self(std::array::from_fn(|_| Lane { pending: Box::new([0.0; ROOM]), first: 0, last: 0.0, held: REACH }))
    }

    /// Frames by which a frame comes out after the steps that begin at its instant.
    pub(crate) const LATENCY: usize = HALF - 1;

    /// Takes one lane's values at the nodes of the step of level `level` that begins at `tick`.
    #[inline]
    pub(crate) fn take(&mut self, lane: usize, tick: usize, level: usize, nodes: &Nodes) {
        let lane = &mut self.0[lane];
        let start = std::mem::replace(&mut lane.last, nodes[2]);
        lane.held = 0;
        let pending = lane.waiting();
        if level == 0 {
            whole_frame(pending, start, nodes);
        } else if level < TABLED {
            let [s, a, b, c] = &KERNEL.steps[level][tick >> (LEVELS - 1 - level)];
            for j in 0..REACH {
                pending[j] += (s[j] * start + a[j] * nodes[0]) + (b[j] * nodes[1] + c[j] * nodes[2]);
            }
        } else {
            between(pending, tick, level, nodes);
        }
    }

    /// A lane jumps: its next step begins at `value`.
    pub(crate) fn jump(&mut self, lane: usize, value: f64) {
        let lane = &mut self.0[lane];
        (lane.last, lane.held) = (value, 0);
    }

    /// Takes a frame throughout which a lane stays where its last step has ended.
    #[inline]
    pub(crate) fn hold(&mut self, lane: usize) {
        let lane = &mut self.0[lane];
        lane.held += 1;
        if lane.held <= REACH {
            let value = lane.last;
            lane.waiting().iter_mut().zip(&KERNEL.frame).for_each(|(sum, k)| *sum += k * value);
        }
    }

    /// The frame at LATENCY before the one whose steps have now all been taken.
    #[inline]
    pub(crate) fn pull(&mut self) -> Lanes {
        std::array::from_fn(|lane| self.0[lane].pull())
    }

    /// As if `value` had stood at the input for ever.
    pub(crate) fn settle(&mut self, value: Lanes) {
        for (lane, value) in self.0.iter_mut().zip(value) {
            lane.pending.fill(0.0);
            (lane.first, lane.last, lane.held) = (0, value, 0);
        }
        for _ in 0..REACH {
            (0..4).for_each(|lane| self.hold(lane));
            self.pull();
        }
    }

    /// As new.
    #[cfg(test)]
    pub(crate) fn reset(&mut self) {
        self.settle([0.0; 4]);
    }
}

impl Lane {
    #[inline]
    fn waiting(&mut self) -> &mut Row {
        (&mut self.pending[self.first..self.first + REACH]).try_into().expect("in the room")
    }

    #[inline]
    fn pull(&mut self) -> f64 {
        if self.held > REACH {
            return self.last;
        }
        let out = self.pending[self.first];
        self.first += 1;
        if self.first + REACH > ROOM {
            self.pending.copy_within(self.first.., 0);
            self.pending[REACH - 1..].fill(0.0);
            self.first = 0;
        }
        out
    }
}

/// A step that is a whole frame.
#[inline]
fn whole_frame(pending: &mut Row, start: f64, nodes: &Nodes) {
    let [a, b] = KERNEL.thirds.map(|w| w[0] * start + w[1] * nodes[0] + w[2] * nodes[1] + w[3] * nodes[2]);
    let even = [start + nodes[2], a + b];
    let odd = [start - nodes[2], a - b];
    let [evens, odds] = &KERNEL.whole;
    let (earlier, later) = pending.split_at_mut(HALF);
    let later: &mut HalfRow = later.try_into().expect("the other half");
    for j in 0..HALF {
        let e = evens[0][j] * even[0] + evens[1][j] * even[1];
        let o = odds[0][j] * odd[0] + odds[1][j] * odd[1];
        earlier[j] += e + o;
        later[HALF - 1 - j] += e - o;
    }
}

/// A step shorter than the tables'. It lies between two rows or, at their first level, on both sides of one: all its nodes
/// read the same five.
#[inline(never)]
fn between(pending: &mut Row, tick: usize, level: usize, nodes: &Nodes) {
    const { assert!(FINE == 1 << (TABLED + 1), "the longest steps reach over two rows") }
    let length = pace::part(level);
    let begin = tick * FINE / TICKS;
    let mut weights = [0.0; 5];
    for m in 0..3 {
        let place = (tick as f64 / TICKS as f64 + radau::C[m] * length) * FINE as f64 - begin as f64;
        let later = usize::from(place > 1.0);
        let x = place - later as f64;
        // Lagrange through the places −1, 0, 1, 2.
        let cubic = [
            -x * (x - 1.0) * (x - 2.0) / 6.0,
            (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
            -(x + 1.0) * x * (x - 2.0) / 2.0,
            (x + 1.0) * x * (x - 1.0) / 6.0,
        ];
        let scale = nodes[m] * length * radau::A[2][m];
        weights[later..].iter_mut().zip(cubic).for_each(|(sum, w)| *sum += scale * w);
    }
    let [a, b, c, d, e]: &[Row; 5] = KERNEL.fine[begin..begin + 5].try_into().expect("five rows");
    for j in 0..REACH {
        pending[j] +=
            (weights[0] * a[j] + weights[1] * b[j]) + (weights[2] * c[j] + weights[3] * d[j]) + weights[4] * e[j];
    }
}
