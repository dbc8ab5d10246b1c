//! The Darlington follower within one step, as a current drawn from its base divider.
//!
//! ```text
//!                 V_cc ────┬─────────┐
//!   v_n ──[R_s]── b ───┤ q_a        │
//!                      └─ e ───┤ q_b
//!                              └─ o ──[R_l]── 0
//! ```
//! Three node voltages at each of the step's nodes satisfy
//! `(v_n − v_b)/R_s = i_b,a`, `i_e,a = i_b,b`, `i_e,b = v_o/R_l`: a chain of three, eliminated from the bottom. It clips at
//! both rails by its own law. No approximation: both junctions of both transistors, always.

use crate::board;
use crate::device::{Currents, Law};
use crate::pace::Past;
use crate::radau::{self, Nodes};
use crate::stage::Linear;

#[derive(Clone, Debug)]
pub(crate) struct Follower {
    law: Law,
    stopper: f64,
    load: f64,
    base: Nodes,
    middle: Nodes,
    out: Nodes,
    /// The same in the last step.
    last: [Nodes; 3],
    rail: f64,
    /// Newton's step of base, middle and out, by node: for `Δv_n` = 0, and per volt of it.
    step: [[Nodes; 3]; 2],
}

impl Follower {
    pub(crate) fn new(part: &board::Follower, celsius: f64) -> Self {
        Self {
            law: Law::of(&part.transistor, celsius),
            stopper: part.base,
            load: part.load,
            base: [0.0; 3],
            middle: [0.0; 3],
            out: [0.0; 3],
            last: [[0.0; 3]; 3],
            rail: 0.0,
            step: Default::default(),
        }
    }

    pub(crate) fn heat(&mut self, part: &board::Follower, celsius: f64) {
        self.law = Law::of(&part.transistor, celsius);
    }

    /// Voltage at the second emitter, at the nodes.
    pub(crate) fn out(&self) -> &Nodes {
        &self.out
    }

    /// Starts a step: from the end of the last one, or from its course carried on.
    #[inline]
    pub(crate) fn start(&mut self, past: Option<Past>) {
        [self.base, self.middle, self.out] =
            self.last.map(|v| past.map_or([v[2]; 3], |past| radau::apply(past.ahead(), &v)));
        if past.is_some() {
            for m in 0..3 {
                let [base, middle, out] = self.last.map(|v| v[2]);
                let rise = |a: f64, b: f64, c: f64, d: f64| (a - b) - (c - d);
                let most = rise(self.base[m], self.middle[m], base, middle)
                    .max(rise(self.middle[m], self.out[m], middle, out))
                    .max(self.base[m] - base);
                if most > 2.0 * self.law.vt {
                    [self.base[m], self.middle[m], self.out[m]] = [base, middle, out];
                }
            }
        }
    }

    /// Whether Newton stands on numbers.
    pub(crate) fn is_finite(&self) -> bool {
        [self.base, self.middle, self.out].as_flattened().iter().all(|v| v.is_finite())
    }

    #[inline]
    pub(crate) fn keep(&mut self) {
        self.last = [self.base, self.middle, self.out];
    }

    #[inline]
    pub(crate) fn linearise(&mut self, divider: &Nodes, rail: f64) -> Linear {
        self.rail = rail;
        let minus = |a: &Nodes, b: &Nodes| -> Nodes { std::array::from_fn(|m| a[m] - b[m]) };
        let rails = [rail; 3];
        let first = self.law.currents(minus(&self.base, &self.middle), minus(&self.base, &rails));
        let second = self.law.currents(minus(&self.middle, &self.out), minus(&self.middle, &rails));
        let (per_stopper, per_load) = (1.0 / self.stopper, 1.0 / self.load);
        let mut linear = Linear::default();
        for m in 0..3 {
            let (a, b) = (Emitter::of(&first[m]), Emitter::of(&second[m]));
            let at_base = (divider[m] - self.base[m]) * per_stopper - first[m].base;
            let at_middle = a.current - second[m].base;
            let at_out = b.current - self.out[m] * per_load;
            // Bottom up: Δo = (r_o + below·Δe)/own, and so on; each `own` is a sum of conductances.
            let own_out = b.by_be + per_load;
            let out = [at_out / own_out, (b.by_be + b.by_bc) / own_out];
            let own_middle = a.by_be + second[m].base_by_be * (1.0 - out[1]) + second[m].base_by_bc;
            let middle = [(at_middle + second[m].base_by_be * out[0]) / own_middle, (a.by_be + a.by_bc) / own_middle];
            let own_base = per_stopper + first[m].base_by_be * (1.0 - middle[1]) + first[m].base_by_bc;
            let base = [(at_base + first[m].base_by_be * middle[0]) / own_base, per_stopper / own_base];
            let middle = [middle[0] + middle[1] * base[0], middle[1] * base[1]];
            let out = [out[0] + out[1] * middle[0], out[1] * middle[1]];
            for k in 0..2 {
                self.step[k][0][m] = base[k];
                self.step[k][1][m] = middle[k];
                self.step[k][2][m] = out[k];
            }
            linear.current[m] = (divider[m] - self.base[m] - base[0]) * per_stopper;
            linear.by_own[m] = (1.0 - base[1]) * per_stopper;
        }
        linear
    }

    /// Takes Newton's step; returns the largest change of a junction that conducts, volts.
    ///
    /// Limits work on the voltages that bend: the two base–emitter voltages, stacked on the output, which stays near the
    /// supply; then the whole stack is lowered until neither base–collector voltage rises by more than it may. So a limit on
    /// one junction never throws another one far off, and a middle node that almost nothing conducts from cannot run away.
    #[inline]
    pub(crate) fn advance(&mut self, divider: &Nodes) -> f64 {
        let off = self.law.off_below();
        let rail = self.rail;
        let mut moved: f64 = 0.0;
        for m in 0..3 {
            let old = [self.base[m], self.middle[m], self.out[m]];
            let new: [f64; 3] = std::array::from_fn(|n| old[n] + self.step[0][n][m] + self.step[1][n][m] * divider[m]);
            let out = new[2].clamp(-1.0, rail + 1.0);
            let middle = out + self.law.limited_be(old[1] - old[2], new[1] - new[2]);
            let base = middle + self.law.limited_be(old[0] - old[1], new[0] - new[1]);
            let above = |old: f64, new: f64| new - rail - self.law.limited_bc(old - rail, new - rail);
            let excess = above(old[1], middle).max(above(old[0], base)).max(0.0);
            let taken = [base - excess, middle - excess, out - excess];
            let junctions = |v: &[f64; 3]| [v[0] - v[1], v[1] - v[2], v[0] - rail, v[1] - rail];
            for (before, after) in junctions(&old).into_iter().zip(junctions(&taken)) {
                if before.max(after) > off {
                    moved = moved.max((after - before).abs());
                }
            }
            [self.base[m], self.middle[m], self.out[m]] = taken;
        }
        moved
    }
}

/// The emitter's side of a transistor: current out of it, by `v_be`, and by `v_bc` at fixed `v_be`.
struct Emitter {
    current: f64,
    by_be: f64,
    by_bc: f64,
}

impl Emitter {
    fn of(at: &Currents) -> Self {
        Self {
            current: at.collector + at.base,
            by_be: at.collector_by_be + at.base_by_be,
            by_bc: at.base_by_bc - at.collector_by_cb,
        }
    }
}
