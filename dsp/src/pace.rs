//! How a frame is cut into steps: as few as the sound allows.
//!
//! ```text
//!   frame  |───────────────────────────────|     level 0, one step
//!          |───────────────|───────|───|───|     levels 1, 2, 3, 3; a step begins at a multiple of its length
//! ```
//! A step of level l is 2^−l of a frame. Its error is estimated from what it solved; one that is too large is taken back and
//! halved, and after one that is far below what is allowed the next may be twice as long. **Refused** for accuracy is a step
//! down to the quality's own finest level only; Newton that does not settle, and an edge, go further down.
//!
//! **Estimate.** Let f be a port's current times the volts that it moves its tank by in a step, or a tank's own voltage. Radau's
//! quadrature of f over a step errs by `f⁽⁵⁾/7200`, and by up to 0.02 of the jump in slope at a kink. Both show in the fifth
//! divided difference through the nodes of two steps, `f[c₁−1, c₂−1, 0, c₁, c₂, 1]`, which is weighted for the kink: on smooth
//! sound it is ten times too careful.

use crate::lanes::{Course, Number, dot};
use crate::radau::{C, Map, Nodes};

/// Lengths of step.
pub(crate) const LEVELS: usize = 11;
/// Shortest steps in a frame.
pub(crate) const TICKS: usize = 1 << (LEVELS - 1);
/// How much shorter than the grid's a step may become for accuracy's sake, as a power of two.
const DEEPER: usize = 3;
/// Cuts in a frame after which Newton gets no more: a frame that will not be solved does not take for ever either.
const MOST_CUTS: usize = 6 * LEVELS;
/// A step may be doubled when its error is this part of what is allowed.
const FAR_BELOW: f64 = 1.0 / 24.0;

/// Length of a step of level `level`, as a part of the frame.
#[inline]
pub(crate) fn part(level: usize) -> f64 {
    1.0 / f64::from(1u32 << level)
}

/// What a quality asks of the steps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Accuracy {
    /// Error that one step may make, volts.
    pub(crate) volts: f64,
    /// Level of the step that follows an edge, of whose error nothing can be told. A tank shares its charge within a
    /// microsecond or two, and the method damps what is too fast for its step.
    pub(crate) edge: usize,
    /// Level down to which a step is refused for its error.
    pub(crate) finest: usize,
    /// Steps tried in a frame beyond which accuracy has to wait: no frame takes long.
    pub(crate) patience: usize,
}

impl Accuracy {
    /// Every frame one step, as long as Newton settles.
    pub(crate) const NONE: Self = Self { volts: f64::INFINITY, edge: 0, finest: 0, patience: 0 };

    /// Of an oversampling factor.
    pub(crate) fn of(factor: usize) -> Self {
        let edge = factor.trailing_zeros() as usize;
        let volts = [500e-6, 100e-6, 20e-6, 4e-6, 0.8e-6][edge.min(4)];
        Self { volts, edge, finest: edge + DEEPER, patience: [16, 16, 16, 32, 64][edge.min(4)] }
    }
}

/// Chooses the levels.
#[derive(Clone, Debug)]
pub(crate) struct Pace {
    accuracy: Accuracy,
    /// Level that the sound asks for now.
    wanted: usize,
    /// Steps tried since the frame began.
    taken: usize,
    /// Cuts since the frame began.
    cuts: usize,
    /// Whether an edge has come in this frame.
    edged: bool,
}

impl Pace {
    pub(crate) fn new(accuracy: Accuracy) -> Self {
        Self { accuracy, wanted: accuracy.edge, taken: 0, cuts: 0, edged: false }
    }

    pub(crate) fn accuracy(&self) -> Accuracy {
        self.accuracy
    }

    pub(crate) fn begin_frame(&mut self) {
        self.taken = 0;
        self.cuts = 0;
        self.edged = false;
    }

    /// An edge comes now.
    pub(crate) fn edge(&mut self) {
        self.wanted = self.wanted.max(self.accuracy.edge).max(1);
        self.edged = true;
    }

    /// Level of the step from `tick` on, when the chain is to arrive at tick `end`.
    #[inline]
    pub(crate) fn level(&self, tick: usize, end: usize) -> usize {
        // The longest step that begins here is the lowest bit of `tick`; it must not go beyond `end`.
        let aligned = (LEVELS - 1).saturating_sub(tick.trailing_zeros() as usize);
        let left = end - tick;
        let fits = LEVELS - 1 - left.ilog2() as usize;
        self.wanted.max(aligned).max(fits)
    }

    /// Whether a step must be taken back for its error; if so, shorter ones are wanted.
    #[inline]
    pub(crate) fn refuses(&mut self, level: usize, error: f64) -> bool {
        // What an edge leaves behind soon fades: to resolve it to the end would cost more than it is heard.
        let finest = if self.edged { self.accuracy.edge } else { self.accuracy.finest };
        let refused = error > self.accuracy.volts && level < finest && self.taken < self.accuracy.patience;
        if refused {
            self.taken += 1;
            self.wanted = level + 1;
        }
        refused
    }

    /// Newton did not settle: whether there is a shorter step to try.
    pub(crate) fn cuts(&mut self, level: usize) -> bool {
        let cuts = level + 1 < LEVELS && self.cuts < MOST_CUTS;
        if cuts {
            self.cuts += 1;
            self.wanted = self.wanted.max(level + 1);
        }
        cuts
    }

    /// A step was kept.
    #[inline]
    pub(crate) fn kept(&mut self, level: usize, error: f64) {
        self.taken += 1;
        let small = error <= FAR_BELOW * self.accuracy.volts;
        let enough = level > self.accuracy.finest && self.taken >= self.accuracy.patience;
        if level == self.wanted && level > 0 && (small || enough) {
            self.wanted -= 1;
        }
    }
}

/// How much longer the step before may have been: ½, 1, 2, 4, 8 times.
const RATIOS: usize = 5;
/// Median of a kink's error against the divided difference, over its place in the step, by ratio.
const KINK: [f64; RATIOS] = [9.5e-3, 19.2e-3, 40.8e-3, 98.9e-3, 282e-3];

/// Nodes of the step before, on the scale of the next, by ratio.
const fn before(ratio: usize) -> [f64; 3] {
    let mut length = 0.5;
    let mut k = 0;
    while k < ratio {
        length *= 2.0;
        k += 1;
    }
    [(C[0] - 1.0) * length, (C[1] - 1.0) * length, 0.0]
}

/// Weights of the step before at the nodes of the next: the parabola through them, carried on.
const AHEAD: [Map; RATIOS] = {
    let mut maps = [[[0.0; 3]; 3]; RATIOS];
    let mut ratio = 0;
    while ratio < RATIOS {
        let at = before(ratio);
        let mut m = 0;
        while m < 3 {
            let mut i = 0;
            while i < 3 {
                let (j, k) = ((i + 1) % 3, (i + 2) % 3);
                maps[ratio][m][i] = (C[m] - at[j]) * (C[m] - at[k]) / ((at[i] - at[j]) * (at[i] - at[k]));
                i += 1;
            }
            m += 1;
        }
        ratio += 1;
    }
    maps
};

/// Weights of the error estimate: of the step before, and of this one.
const DIFFERENCE: [[Nodes; 2]; RATIOS] = {
    let mut all = [[[0.0; 3]; 2]; RATIOS];
    let mut ratio = 0;
    while ratio < RATIOS {
        let b = before(ratio);
        let at = [b[0], b[1], b[2], C[0], C[1], C[2]];
        let mut i = 0;
        while i < 6 {
            let mut product = 1.0;
            let mut j = 0;
            while j < 6 {
                if j != i {
                    product *= at[i] - at[j];
                }
                j += 1;
            }
            all[ratio][i / 3][i % 3] = KINK[ratio] / product;
            i += 1;
        }
        ratio += 1;
    }
    all
};

/// What a step has behind it: the step before, when there is one to go by.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Past(usize);

impl Past {
    /// Of a step of level `level` after one of level `before`.
    pub(crate) fn of(before: Option<usize>, level: usize) -> Option<Self> {
        let ratio = (level + 1).checked_sub(before?)?;
        (ratio < RATIOS).then_some(Self(ratio))
    }

    /// Weights of the nodes before at the nodes to come.
    #[inline]
    pub(crate) fn ahead(self) -> &'static Map {
        &AHEAD[self.0]
    }

    /// Error of a step over which a quantity ran through `now`, after `before`, in its own unit.
    #[inline(always)]
    pub(crate) fn error<Q: Course>(self, before: Q, now: Q) -> Q::Lane {
        let [b, n] = &DIFFERENCE[self.0];
        let (b, n) = (each::<Q>(b), each::<Q>(n));
        (dot::<Q>(&b, &before.nodes()) + dot::<Q>(&n, &now.nodes())).abs()
    }
}

#[inline(always)]
fn each<Q: Course>([a, b, c]: &Nodes) -> [Q::Lane; 3] {
    [Q::Lane::splat(*a), Q::Lane::splat(*b), Q::Lane::splat(*c)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lanes::One;
    use crate::radau;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_parabola_is_carried_on_exactly_whatever_the_steps() {
        let parabola = |s: f64| 1.0 + s * (2.0 - 3.0 * s);
        for (level, before) in [(0usize, 1usize), (1, 1), (2, 1), (4, 1)] {
            let length = 2.0 * part(level);
            let nodes = |start: f64, length: f64| C.map(|c| parabola(start + length * c));
            let ahead = radau::apply(Past::of(Some(before), level).unwrap().ahead(), &nodes(-1.0, 1.0));
            for (ahead, exact) in ahead.iter().zip(nodes(0.0, length)) {
                assert_abs_diff_eq!(*ahead, exact, epsilon = 1e-12);
            }
        }
        assert!(Past::of(None, 3).is_none() && Past::of(Some(3), 1).is_none());
    }

    /// The estimate is never below the true error of Radau's quadrature on smooth sound, and near it at a kink.
    #[test]
    fn the_estimate_covers_the_error_of_the_quadrature() {
        let past = Past::of(Some(1), 1).unwrap();
        let error = |before: Nodes, now: Nodes| past.error(One::<wide::f64x4>::of(before), One::of(now));
        let quadrature = |f: &dyn Fn(f64) -> f64| (0..3).map(|j| radau::A[2][j] * f(C[j])).sum::<f64>();
        for turn in [0.1, 0.3, 0.9] {
            for phase in 0..16 {
                let phase = f64::from(phase) * 0.4;
                let f = |s: f64| (turn * s + phase).cos();
                let exact = ((turn + phase).sin() - phase.sin()) / turn;
                let off = (quadrature(&f) - exact).abs();
                let worst = (0..16).map(|n| {
                    let g = |s: f64| (turn * s + f64::from(n) * 0.4).cos();
                    error(C.map(|c| g(c - 1.0)), C.map(g))
                });
                assert!(off <= worst.fold(0.0, f64::max));
            }
        }
        let mut covered = 0;
        for place in 1..100 {
            let place = f64::from(place) / 100.0;
            let kink = |s: f64| (s - place).max(0.0);
            let off = (quadrature(&kink) - 0.5 * (1.0 - place).powi(2)).abs();
            covered += u32::from(4.0 * error([0.0; 3], C.map(kink)) > off);
        }
        assert!(covered > 90, "{covered} of 99");
    }

    #[test]
    fn steps_begin_at_multiples_of_their_length_and_arrive_where_they_should() {
        let mut pace = Pace::new(Accuracy { volts: 1.0, edge: 2, finest: 2, patience: 24 });
        let (mut tick, mut levels) = (0, vec![]);
        while tick < TICKS {
            let level = pace.level(tick, TICKS);
            levels.push(level);
            pace.kept(level, 0.0);
            tick += TICKS >> level;
        }
        assert_eq!((tick, levels), (TICKS, vec![2, 2, 1]));
        assert_eq!(pace.level(0, TICKS), 0);
        assert_eq!(pace.level(0, TICKS / 2 + TICKS / 8), 1);
        assert_eq!(pace.level(TICKS / 8, TICKS), 3);
        pace.edge();
        assert_eq!(pace.level(0, TICKS), 2);
    }

    #[test]
    fn accuracy_waits_when_a_frame_has_taken_long_enough() {
        let mut pace = Pace::new(Accuracy { volts: 1.0, edge: 2, finest: 2, patience: 24 });
        assert!(pace.refuses(1, 2.0) && !pace.refuses(2, 2.0) && !pace.refuses(0, 0.5));
        assert!(pace.cuts(4));
        let (mut tick, mut steps) = (0, 0);
        while tick < TICKS {
            let level = pace.level(tick, TICKS);
            pace.kept(level, 2.0);
            tick += TICKS >> level;
            steps += 1;
        }
        assert!(steps < 48, "{steps}");
    }
}
