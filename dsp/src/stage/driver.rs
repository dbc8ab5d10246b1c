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
use crate::pace::Past;
use crate::radau::{self, Nodes};

/// A device's current about its present voltages: `i + g·Δv`.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Linear {
    /// Current drawn, amperes.
    pub(crate) current: Nodes,
    /// By its own voltage, siemens.
    pub(crate) by_own: Nodes,
    /// By the voltage on its bus, siemens; only a driver has one.
    pub(crate) by_bus: Nodes,
}

#[derive(Clone, Debug)]
pub(crate) struct Driver {
    law: Law,
    part: board::Driver,
    /// Junction voltages at the nodes.
    be: Nodes,
    bc: Nodes,
    /// The same in the last step.
    last: [Nodes; 2],
    step: Step,
}

/// Newton's step of the junction voltages, by node: for Δv = 0, and per volt of Δv and of `Δv_j`.
#[derive(Clone, Copy, Debug, Default)]
struct Step {
    be: [Nodes; 3],
    bc: [Nodes; 3],
}

impl Driver {
    pub(crate) fn new(part: &board::Driver, celsius: f64) -> Self {
        Self {
            law: Law::of(&part.transistor, celsius),
            part: *part,
            be: [0.0; 3],
            bc: [-1.0; 3],
            last: [[0.0; 3], [-1.0; 3]],
            step: Step::default(),
        }
    }

    pub(crate) fn heat(&mut self, celsius: f64) {
        self.law = Law::of(&self.part.transistor, celsius);
    }

    /// The bias on the bus for a supply, volts.
    pub(crate) fn bias(&self, supply: f64) -> f64 {
        self.part.bias * supply
    }

    /// Starts a step: from the end of the last one, or from its course carried on. A guess never
    /// goes up by more than Newton may.
    #[inline]
    pub(crate) fn start(&mut self, past: Option<Past>) {
        let [be, bc] = self.last;
        if let Some(past) = past {
            let (ahead_be, ahead_bc) = (radau::apply(past.ahead(), &be), radau::apply(past.ahead(), &bc));
            self.be = std::array::from_fn(|m| self.law.limited_be(be[2], ahead_be[m]));
            self.bc = std::array::from_fn(|m| self.law.limited_bc(bc[2], ahead_bc[m]));
        } else {
            (self.be, self.bc) = ([be[2]; 3], [bc[2]; 3]);
        }
    }

    /// Whether Newton stands on numbers.
    pub(crate) fn is_finite(&self) -> bool {
        self.be.iter().chain(&self.bc).all(|v| v.is_finite())
    }

    /// Ends a step.
    #[inline]
    pub(crate) fn keep(&mut self) {
        self.last = [self.be, self.bc];
    }

    #[inline]
    pub(crate) fn linearise(&mut self, bus: &Nodes, tank: &Nodes, rail: f64) -> Linear {
        let board::Driver { base: rb, emitter: re, .. } = self.part;
        let currents = self.law.currents(self.be, self.bc);
        let mut linear = Linear::default();
        for m in 0..3 {
            let at = currents[m];
            let loop_left = bus[m] - self.be[m] - rb * at.base - re * (at.collector + at.base);
            let collector_left = rail + tank[m] - (bus[m] - rb * at.base) + self.bc[m];
            let a11 = 1.0 + rb * at.base_by_be + re * (at.collector_by_be + at.base_by_be);
            let a12 = rb * at.base_by_bc + re * (at.base_by_bc - at.collector_by_cb);
            let a21 = rb * at.base_by_be;
            let a22 = 1.0 + rb * at.base_by_bc;
            let per_determinant = 1.0 / (a11 * a22 - a12 * a21);
            let be = [
                (a22 * loop_left + a12 * collector_left) * per_determinant,
                a12 * per_determinant,
                (a22 - a12) * per_determinant,
            ];
            let bc = [
                -(a11 * collector_left + a21 * loop_left) * per_determinant,
                -a11 * per_determinant,
                (a11 - a21) * per_determinant,
            ];
            let by = |k: usize| at.collector_by_be * be[k] - at.collector_by_cb * bc[k];
            linear.current[m] = at.collector + by(0);
            linear.by_own[m] = by(1);
            linear.by_bus[m] = by(2);
            for k in 0..3 {
                self.step.be[k][m] = be[k];
                self.step.bc[k][m] = bc[k];
            }
        }
        linear
    }

    /// Takes Newton's step; returns the largest change of a junction that conducts, volts.
    #[inline]
    pub(crate) fn advance(&mut self, tank: &Nodes, bus: &Nodes) -> f64 {
        let off = self.law.off_below();
        let mut moved: f64 = 0.0;
        for m in 0..3 {
            let by = |step: &[Nodes; 3]| step[0][m] + step[1][m] * tank[m] + step[2][m] * bus[m];
            let be = self.law.limited_be(self.be[m], self.be[m] + by(&self.step.be));
            let bc = self.law.limited_bc(self.bc[m], self.bc[m] + by(&self.step.bc));
            for (old, new) in [(self.be[m], be), (self.bc[m], bc)] {
                if old.max(new) > off {
                    moved = moved.max((new - old).abs());
                }
            }
            self.be[m] = be;
            self.bc[m] = bc;
        }
        moved
    }
}
