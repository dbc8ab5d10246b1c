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
use crate::lanes::{Course, Grid};
use crate::pace::Past;
use crate::stage::Linear;

/// How far the second junction is ever closed, in `V_T`. Its base gets `I_S/β_R + I_L` from its collector and loses at most
/// `I_S/β_F` to the first emitter, so that it rests near `V_T·ln(β_F/β_R)` when all is off.
const OFF: f64 = 12.0;
/// How far it opens at first, in `V_T`: from too far open, Newton comes back by one `V_T` at a time.
const OPENS: f64 = 4.0;

#[derive(Clone, Debug)]
pub(crate) struct Follower<C: Course> {
    law: Law<C::Lane>,
    per_stopper: C::Lane,
    per_load: C::Lane,
    /// Base, middle and output.
    nodes: [C; 3],
    /// The same in the last step.
    last: [C; 3],
    rail: C,
    /// Newton's step of base, middle and output: for `Δv_n` = 0, and per volt of it.
    step: [[C; 3]; 2],
}

impl<C: Course> Follower<C> {
    /// One part for every chain.
    pub(crate) fn new(parts: &[board::Follower], celsius: f64) -> Self {
        Self {
            law: law::<C>(parts, celsius),
            per_stopper: C::lane(|n| 1.0 / parts[n].base),
            per_load: C::lane(|n| 1.0 / parts[n].load),
            nodes: [C::splat(0.0); 3],
            last: [C::splat(0.0); 3],
            rail: C::splat(0.0),
            step: [[C::splat(0.0); 3]; 2],
        }
    }

    pub(crate) fn heat(&mut self, parts: &[board::Follower], celsius: f64) {
        self.law = law::<C>(parts, celsius);
    }

    /// Voltage at the second emitter.
    pub(crate) fn out(&self) -> C {
        self.nodes[2]
    }

    /// Starts a step: from the end of the last one, or from its course carried on, unless that opens a junction too far.
    #[inline(always)]
    pub(crate) fn start(&mut self, past: Option<Past>) {
        let [base, middle, out] = self.last;
        let end = [base.end(), middle.end(), out.end()];
        self.nodes = end;
        if let Some(past) = past {
            let ahead = Grid::constant(past.ahead());
            let to = [ahead.apply(base), ahead.apply(middle), ahead.apply(out)];
            let opens = ((to[0] - to[1]) - (end[0] - end[1])).max((to[1] - to[2]) - (end[1] - end[2]));
            let most = opens.max(to[0] - end[0]);
            let allowed = C::splat(2.0 * self.law.vt);
            for n in 0..3 {
                self.nodes[n] = most.where_above(allowed, end[n], to[n]);
            }
        }
    }

    /// Whether Newton stands on numbers.
    pub(crate) fn is_finite(&self) -> bool {
        self.nodes.iter().all(|v| v.is_finite())
    }

    #[inline(always)]
    pub(crate) fn keep(&mut self) {
        self.last = self.nodes;
    }

    #[inline(always)]
    pub(crate) fn linearise(&mut self, divider: C, rail: C) -> Linear<C> {
        self.rail = rail;
        let [base, middle, out] = self.nodes;
        let first = self.law.currents(base - middle, base - rail);
        let second = self.law.currents(middle - out, middle - rail);
        let (per_stopper, per_load, one) = (C::each(self.per_stopper), C::each(self.per_load), C::splat(1.0));
        let (a, b) = (Emitter::of(&first), Emitter::of(&second));
        let at_base = (divider - base) * per_stopper - first.base;
        let at_middle = a.current - second.base;
        let at_out = b.current - out * per_load;
        // Bottom up: Δo = (r_o + below·Δe)/own, and so on; each `own` is a sum of conductances.
        let per_own = one / (b.by_be + per_load);
        let out = [at_out * per_own, (b.by_be + b.by_bc) * per_own];
        let per_own = one / (a.by_be + second.base_by_be * (one - out[1]) + second.base_by_bc);
        let middle = [second.base_by_be.mul_add(out[0], at_middle) * per_own, (a.by_be + a.by_bc) * per_own];
        let per_own = one / (per_stopper + first.base_by_be * (one - middle[1]) + first.base_by_bc);
        let base = [first.base_by_be.mul_add(middle[0], at_base) * per_own, per_stopper * per_own];
        let middle = [middle[1].mul_add(base[0], middle[0]), middle[1] * base[1]];
        let out = [out[1].mul_add(middle[0], out[0]), out[1] * middle[1]];
        self.step = [[base[0], middle[0], out[0]], [base[1], middle[1], out[1]]];
        Linear {
            current: (divider - self.nodes[0] - base[0]) * per_stopper,
            by_own: (one - base[1]) * per_stopper,
            by_bus: C::splat(0.0),
        }
    }

    /// Takes Newton's step; returns how far junctions that conduct moved, volts.
    ///
    /// Limits work on the voltages that bend: the two base–emitter voltages, stacked on the output, which stays near the
    /// supply; then the whole stack is lowered until neither base–collector voltage rises by more than it may. So a limit on
    /// one junction never throws another one far off. The second base–emitter voltage has a floor of its own, [`OFF`]: below
    /// it so little conducts from the middle node that it would run away.
    #[inline(always)]
    pub(crate) fn advance(&mut self, divider: C) -> C {
        let (law, rail, old) = (&self.law, self.rail, self.nodes);
        let mut new = old;
        for n in 0..3 {
            new[n] = old[n] + self.step[1][n].mul_add(divider, self.step[0][n]);
        }
        let before = junctions(&old, rail);
        let out = new[2].max(C::splat(-1.0)).min(rail + C::splat(1.0));
        let kept_open = new[1].max(new[2] - C::splat(OFF * law.vt));
        let second = law.limited_be(before[1], kept_open - new[2]);
        let middle = out + before[1].where_above(C::splat(0.0), second, second.min(C::splat(OPENS * law.vt)));
        let base = middle + law.limited_be(before[0], new[0] - kept_open);
        let high = [base - rail, middle - rail];
        let above = [high[0] - law.limited_bc(before[2], high[0]), high[1] - law.limited_bc(before[3], high[1])];
        let excess = above[0].max(above[1]).max(C::splat(0.0));
        self.nodes = [base - excess, middle - excess, out - excess];
        let after = junctions(&self.nodes, rail);
        let mut moved = C::splat(0.0);
        for n in 0..4 {
            moved = moved.max(law.moved(before[n], after[n]));
        }
        moved
    }
}

/// `v_be` of both transistors, then `v_bc` of both.
#[inline(always)]
fn junctions<C: Course>(nodes: &[C; 3], rail: C) -> [C; 4] {
    let [base, middle, out] = *nodes;
    [base - middle, middle - out, base - rail, middle - rail]
}

/// The emitter's side of a transistor: current out of it, by `v_be`, and by `v_bc` at fixed `v_be`.
struct Emitter<C> {
    current: C,
    by_be: C,
    by_bc: C,
}

impl<C: Course> Emitter<C> {
    #[inline(always)]
    fn of(at: &Currents<C>) -> Self {
        Self {
            current: at.collector + at.base,
            by_be: at.collector_by_be + at.base_by_be,
            by_bc: at.base_by_bc - at.collector_by_cb,
        }
    }
}

fn law<C: Course>(parts: &[board::Follower], celsius: f64) -> Law<C::Lane> {
    Law::gather::<C>(|n| Law::of(&parts[n].transistor, celsius))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::Board;
    use crate::lanes::{Number, One};

    type Single = Follower<One<wide::f64x4>>;

    /// Iterations to rest with the divider held at `volts`.
    fn settle(follower: &mut Single, volts: f64, rail: f64) -> usize {
        follower.start(None);
        for iteration in 1..100 {
            follower.linearise(One::splat(volts), One::splat(rail));
            if follower.advance(One::splat(0.0)).largest() < 30e-6 {
                follower.keep();
                return iteration;
            }
        }
        panic!("it does not settle at {volts} V under {rail} V: {:?}", follower.nodes)
    }

    /// From any voltage to any other, far beyond both rails: below ground nothing conducts from the middle node.
    #[test]
    fn it_settles_from_anywhere() {
        let volts = [-60.0, -12.0, -4.0, -1.0, -0.2, 0.0, 0.1, 0.4, 1.0, 2.0, 2.9, 3.1, 4.0, 8.9, 9.1, 12.0, 60.0];
        let mut most = 0;
        for saturation in [0.2e-6, 2e-6, 20e-6] {
            let mut part = Board::built_in().follower;
            part.transistor.saturation = saturation;
            for celsius in [0.0, 25.0, 50.0] {
                for rail in [1.2, 3.0, 9.0] {
                    for from in volts {
                        for to in volts {
                            let mut follower = Single::new(&[part], celsius);
                            settle(&mut follower, from, rail);
                            most = most.max(settle(&mut follower, to, rail));
                        }
                    }
                }
            }
        }
        println!("at most {most} iterations");
        // Jumps far beyond what a step of the tank does; a usual step has 14.
        assert!(most <= 20);
    }
}
