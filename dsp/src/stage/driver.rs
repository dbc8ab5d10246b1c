//! A driver within one step: a germanium transistor, common emitter, as a current drawn from its tank.
//!
//! ```text
//!                        v + V_cc (collector)
//!                          │ i_c
//!   bus v_j ──[R_b]── v_b ─┤
//!                          │ v_e ──[R_e]── 0
//! ```
//! Two junction voltages at each node satisfy
//! `v_j = v_be + R_b·i_b + R_e·(i_c + i_b)` and `v + V_cc = v_j − R_b·i_b − v_bc`.
//! Newton eliminates them at the node, so that the tank sees `i_c + g·Δv` and, through the bus, `g_j·Δv_j`.

use crate::board;
use crate::device::Law;
use crate::lanes::{Course, Grid};
use crate::pace::Past;

/// A device's current about its present voltages: `i + g·Δv`.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Linear<C> {
    /// Current drawn, amperes.
    pub(crate) current: C,
    /// By its own voltage, siemens.
    pub(crate) by_own: C,
    /// By the voltage on its bus, siemens; only a driver has one.
    pub(crate) by_bus: C,
}

#[derive(Clone, Debug)]
pub(crate) struct Driver<C: Course> {
    law: Law<C::Lane>,
    parts: Vec<board::Driver>,
    base: C::Lane,
    emitter: C::Lane,
    /// Junction voltages.
    be: C,
    bc: C,
    /// The same in the last step.
    last: [C; 2],
    /// Newton's step of the junction voltages: for Δv = 0, and per volt of Δv and of `Δv_j`.
    step_be: [C; 3],
    step_bc: [C; 3],
}

impl<C: Course> Driver<C> {
    /// One part for every chain.
    pub(crate) fn new(parts: &[board::Driver], celsius: f64) -> Self {
        let off = [C::splat(0.0), C::splat(-1.0)];
        Self {
            law: law::<C>(parts, celsius),
            base: C::lane(|n| parts[n].base),
            emitter: C::lane(|n| parts[n].emitter),
            parts: parts.to_vec(),
            be: off[0],
            bc: off[1],
            last: off,
            step_be: [C::splat(0.0); 3],
            step_bc: [C::splat(0.0); 3],
        }
    }

    pub(crate) fn heat(&mut self, celsius: f64) {
        self.law = law::<C>(&self.parts, celsius);
    }

    /// Starts a step: from the end of the last one, or from its course carried on. A guess never goes up by more than
    /// Newton may.
    #[inline(always)]
    pub(crate) fn start(&mut self, past: Option<Past>) {
        let (be, bc) = (self.last[0].end(), self.last[1].end());
        (self.be, self.bc) = (be, bc);
        if let Some(past) = past {
            let ahead = Grid::constant(past.ahead());
            self.be = self.law.limited_be(be, ahead.apply(self.last[0]));
            self.bc = self.law.limited_bc(bc, ahead.apply(self.last[1]));
        }
    }

    /// Whether Newton stands on numbers.
    pub(crate) fn is_finite(&self) -> bool {
        self.be.is_finite() && self.bc.is_finite()
    }

    /// Ends a step.
    #[inline(always)]
    pub(crate) fn keep(&mut self) {
        self.last = [self.be, self.bc];
    }

    #[inline(always)]
    pub(crate) fn linearise(&mut self, bus: C, tank: C, rail: C) -> Linear<C> {
        let (rb, re, one) = (C::each(self.base), C::each(self.emitter), C::splat(1.0));
        let at = self.law.currents(self.be, self.bc);
        let drop = rb * at.base;
        let loop_left = bus - self.be - drop - re * (at.collector + at.base);
        let collector_left = rail + tank - (bus - drop) + self.bc;
        let a21 = rb * at.base_by_be;
        let a11 = re.mul_add(at.collector_by_be + at.base_by_be, one + a21);
        let by_bc = rb * at.base_by_bc;
        let a12 = re.mul_add(at.base_by_bc - at.collector_by_cb, by_bc);
        let a22 = one + by_bc;
        let per_determinant = one / (a11 * a22 - a12 * a21);
        self.step_be = [
            (a22 * loop_left + a12 * collector_left) * per_determinant,
            a12 * per_determinant,
            (a22 - a12) * per_determinant,
        ];
        self.step_bc = [
            -(a11 * collector_left + a21 * loop_left) * per_determinant,
            -(a11 * per_determinant),
            (a11 - a21) * per_determinant,
        ];
        let (f, r) = (at.collector_by_be, -at.collector_by_cb);
        let ([be, be_own, be_bus], [bc, bc_own, bc_bus]) = (self.step_be, self.step_bc);
        Linear {
            current: at.collector + f.mul_add(be, r * bc),
            by_own: f.mul_add(be_own, r * bc_own),
            by_bus: f.mul_add(be_bus, r * bc_bus),
        }
    }

    /// Takes Newton's step; returns how far junctions that conduct moved, volts.
    #[inline(always)]
    pub(crate) fn advance(&mut self, tank: C, bus: C) -> C {
        let ([a, b, c], [d, e, f]) = (self.step_be, self.step_bc);
        let be = self.law.limited_be(self.be, self.be + b.mul_add(tank, c.mul_add(bus, a)));
        let bc = self.law.limited_bc(self.bc, self.bc + e.mul_add(tank, f.mul_add(bus, d)));
        let moved = self.law.moved(self.be, be).max(self.law.moved(self.bc, bc));
        (self.be, self.bc) = (be, bc);
        moved
    }
}

fn law<C: Course>(parts: &[board::Driver], celsius: f64) -> Law<C::Lane> {
    Law::gather::<C>(|n| Law::of(&parts[n].transistor, celsius))
}
