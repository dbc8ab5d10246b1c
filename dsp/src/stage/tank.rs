//! A tank: coil, core loss, fixed capacitor, bank, sweep capacitor, and for tank 2 the follower's divider; the linear
//! part of a stage, with every state physical.
//!
//! ```text
//!   rail ──┬──[coil R L]──┬──[core]──┬──[fixed]──┬──[Cₙ]─/ ─┬──[C]──channel──┬── collector
//! ```
//! A switch changes a branch's conductance and nothing else: each capacitor keeps its own voltage, the coil its current.

use super::branch::{Branch, Reply};
use crate::board;
use crate::lanes::{Course, Grid, dot};
use crate::radau::{self, Map};

/// Most positions of a bank.
pub(crate) const POSITIONS: usize = 16;

/// The states of a tank, in volts and amperes; of several, side by side, when `L` is a pack.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct State<L = f64> {
    /// Across the tank: collector less rail.
    pub volts: L,
    /// In the coil, as flux over inductance.
    pub coil: L,
    /// Across each bank capacitor.
    pub bank: [L; POSITIONS],
    /// Across the sweep capacitor.
    pub sweep: L,
    /// Across the follower's coupling capacitor.
    pub coupling: L,
}

/// The linear parts of a tank.
#[derive(Clone, Debug)]
pub(crate) struct Tank {
    /// `None` for a plain resistive load.
    pub(crate) coil: Option<board::Coil>,
    /// Core loss or load, ohms.
    pub(crate) core: f64,
    pub(crate) fixed: f64,
    pub(crate) bank: board::Bank,
    pub(crate) sweep: Option<f64>,
    /// Tank 2's follower: coupling capacitor, divider conductance, and the divider's open voltage as a share of the
    /// supply, counted from the rail.
    pub(crate) divider: Option<Divider>,
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct Divider {
    pub(crate) farads: f64,
    pub(crate) siemens: f64,
    pub(crate) share: f64,
}

impl Divider {
    pub(crate) fn of(part: &board::Follower) -> Self {
        Self {
            farads: part.coupling,
            siemens: 1.0 / part.upper + 1.0 / part.lower,
            share: -part.upper / (part.upper + part.lower),
        }
    }
}

/// Conductance of each bank switch now, bleed included, siemens; the one thing that switching changes.
pub(crate) type Switches = [f64; POSITIONS];

/// A tank ready for steps of one length.
#[derive(Clone, Debug)]
pub(crate) struct TankStep {
    step: f64,
    fixed: Branch,
    coil: Branch,
    coil_ohms: f64,
    divider: Branch,
    divider_reply: Reply,
    /// `h/C·A` of the sweep capacitor.
    sweep: Map,
    /// Admittance of all that is never switched.
    still: Map,
    bank: [Branch; POSITIONS],
    switches: Switches,
}

impl TankStep {
    pub(crate) fn of(tank: &Tank, step: f64) -> Self {
        let fixed = Branch::capacitor(tank.fixed, step);
        let coil = tank.coil.map_or(Branch::OPEN, |coil| Branch::coil(coil.inductance, coil.series, step));
        let divider_reply = tank.divider.map_or(Reply::of(1.0, 0.0, step), |d| Reply::of(d.farads, d.siemens, step));
        let divider = tank.divider.map_or(Branch::OPEN, |d| divider_reply.branch(d.siemens));
        let mut still = radau::scaled(&radau::IDENTITY, 1.0 / tank.core);
        for branch in [&fixed, &coil, &divider] {
            still = radau::sum(&still, &branch.admittance);
        }
        Self {
            step,
            fixed,
            coil,
            coil_ohms: tank.coil.map_or(0.0, |coil| coil.series),
            divider,
            divider_reply,
            sweep: radau::scaled(&radau::A, tank.sweep.map_or(0.0, |farads| step / farads)),
            still,
            bank: [Branch::OPEN; POSITIONS],
            switches: [f64::NAN; POSITIONS],
        }
    }

    /// Takes over the switches; only what changed is computed anew. Returns the whole admittance.
    pub(crate) fn switch(&mut self, tank: &Tank, switches: &Switches) -> Map {
        let mut whole = self.still;
        for (n, &farads) in tank.bank.capacitors.iter().enumerate() {
            if farads > 0.0 {
                if self.switches[n] != switches[n] {
                    self.bank[n] = Branch::behind(farads, switches[n], self.step);
                    self.switches[n] = switches[n];
                }
                whole = radau::sum(&whole, &self.bank[n].admittance);
            }
        }
        whole
    }

    /// Voltage that a current beside the coil's own drops in its wire, as a current of the coil.
    fn coil_drop(&self) -> Map {
        radau::scaled(&self.coil.admittance, self.coil_ohms)
    }
}

/// A branch of every chain's tank, side by side.
#[derive(Clone, Debug)]
pub(crate) struct Branches<C: Course> {
    pub(crate) admittance: Grid<C>,
    history: C,
    keep: C::Lane,
    take: [C::Lane; 3],
}

impl<C: Course> Branches<C> {
    fn gather<'a>(mut chain: impl FnMut(usize) -> &'a Branch) -> Self {
        Self {
            admittance: Grid::gather(|n| chain(n).admittance),
            history: C::gather(|n| chain(n).history),
            keep: C::lane(|n| chain(n).keep),
            take: std::array::from_fn(|m| C::lane(|n| chain(n).take[m])),
        }
    }

    /// The current drawn at the nodes.
    #[inline(always)]
    pub(crate) fn current(&self, state: C::Lane, volts: C) -> C {
        self.admittance.apply(volts) - self.history * C::each(state)
    }

    /// The state at the end of a step.
    #[inline(always)]
    fn end(&self, state: C::Lane, volts: &[C::Lane; 3]) -> C::Lane {
        self.keep * state + dot::<C>(&self.take, volts)
    }
}

/// Every chain's tank of one stage, side by side, ready for steps of one length under the present switches.
#[derive(Clone, Debug)]
pub(crate) struct Tanks<C: Course> {
    fixed: C,
    pub(crate) coil: Branches<C>,
    coil_ohms: C::Lane,
    pub(crate) coil_drop: Grid<C>,
    bank: Vec<Branches<C>>,
    pub(crate) sweep: Grid<C>,
    pub(crate) divider: Option<Dividers<C>>,
}

/// The follower's dividers.
#[derive(Clone, Debug)]
pub(crate) struct Dividers<C: Course> {
    branch: Branches<C>,
    /// Current at the nodes per volt of the open divider.
    open: C,
    pub(crate) follow: Grid<C>,
    pub(crate) stay: C,
    pub(crate) fed: Grid<C>,
}

impl<C: Course> Tanks<C> {
    /// From every chain's tank.
    pub(crate) fn gather(tanks: &[Tank], steps: &[TankStep]) -> Self {
        let most = tanks.iter().map(|tank| tank.bank.capacitors.len()).max().unwrap_or(0);
        let bank = (0..most).map(|position| Branches::gather(|n| &steps[n].bank[position])).collect();
        Self { bank, ..Self::still(tanks, steps) }
    }

    /// All but the bank; allocates nothing.
    fn still(tanks: &[Tank], steps: &[TankStep]) -> Self {
        let divider = tanks[0].divider.is_some().then(|| Dividers {
            branch: Branches::gather(|n| &steps[n].divider),
            open: C::gather(|n| radau::apply(&steps[n].divider.admittance, &[1.0; 3])),
            follow: Grid::gather(|n| steps[n].divider_reply.follow),
            stay: C::gather(|n| steps[n].divider_reply.stay),
            fed: Grid::gather(|n| steps[n].divider_reply.fed),
        });
        Self {
            fixed: C::gather(|n| steps[n].fixed.history),
            coil: Branches::gather(|n| &steps[n].coil),
            coil_ohms: C::lane(|n| steps[n].coil_ohms),
            coil_drop: Grid::gather(|n| steps[n].coil_drop()),
            bank: Vec::new(),
            sweep: Grid::gather(|n| steps[n].sweep),
            divider,
        }
    }

    /// Takes over other lengths of step, in the place that is there.
    pub(crate) fn take(&mut self, tanks: &[Tank], steps: &[TankStep]) {
        *self = Self { bank: std::mem::take(&mut self.bank), ..Self::still(tanks, steps) };
    }

    /// Takes over the switched branches.
    pub(crate) fn switch(&mut self, steps: &[TankStep]) {
        for (position, branches) in self.bank.iter_mut().enumerate() {
            *branches = Branches::gather(|n| &steps[n].bank[position]);
        }
    }

    /// What the states drive into the tank at the nodes, amperes; `open` is the divider's open voltage from the rail.
    #[inline(always)]
    pub(crate) fn history(&self, state: &State<C::Lane>, open: C) -> C {
        let mut driven = self.fixed.mul_add(C::each(state.volts), self.coil.history * C::each(state.coil));
        for (branches, volts) in self.bank.iter().zip(&state.bank) {
            driven = branches.history.mul_add(C::each(*volts), driven);
        }
        if let Some(divider) = &self.divider {
            driven = divider.branch.history.mul_add(C::each(state.coupling), divider.open.mul_add(open, driven));
        }
        driven
    }

    /// The states at the end of a step with the tank at `volts`.
    #[inline(always)]
    pub(crate) fn end(&self, state: &mut State<C::Lane>, volts: C, open: C, ports: &PortCurrents<C>) {
        let nodes = volts.nodes();
        for (branches, volts) in self.bank.iter().zip(&mut state.bank) {
            *volts = branches.end(*volts, &nodes);
        }
        let across = match ports.core {
            Some(core) => (volts - C::each(self.coil_ohms) * core).nodes(),
            None => nodes,
        };
        state.coil = self.coil.end(state.coil, &across);
        if let Some(channel) = ports.channel {
            state.sweep = state.sweep + self.sweep.apply(channel).nodes()[2];
        }
        if let Some(divider) = &self.divider {
            state.coupling = divider.branch.end(state.coupling, &(volts - open).nodes());
            if let Some(base) = ports.base {
                state.coupling = state.coupling + divider.fed.apply(base).nodes()[2];
            }
        }
        state.volts = nodes[2];
    }

    /// Current through bank position `n`, at the nodes.
    #[inline(always)]
    pub(crate) fn bank_current(&self, n: usize, state: &State<C::Lane>, volts: C) -> C {
        self.bank[n].current(state.bank[n], volts)
    }
}

/// Currents of a stage's other ports at the nodes, amperes: coil saturation, sweep and follower.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct PortCurrents<C> {
    pub(crate) core: Option<C>,
    pub(crate) channel: Option<C>,
    pub(crate) base: Option<C>,
}

impl<L: Copy> State<L> {
    /// Of one chain.
    pub(crate) fn chain<C: Course<Lane = L>>(&self, chain: usize) -> State {
        let of = |lane: L| C::chain(lane, chain);
        State {
            volts: of(self.volts),
            coil: of(self.coil),
            bank: self.bank.map(of),
            sweep: of(self.sweep),
            coupling: of(self.coupling),
        }
    }
}

#[cfg(test)]
impl State {
    /// Energy held by the tank's coil and capacitors, joules.
    pub(crate) fn energy(&self, tank: &Tank) -> f64 {
        let half = |c: f64, v: f64| 0.5 * c * v * v;
        let coil = tank.coil.map_or(0.0, |coil| half(coil.inductance, self.coil));
        let bank: f64 = tank.bank.capacitors.iter().zip(&self.bank).map(|(&c, &v)| half(c, v)).sum();
        half(tank.fixed, self.volts) + coil + bank + tank.sweep.map_or(0.0, |c| half(c, self.sweep))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lanes::One;
    use approx::assert_relative_eq;

    fn one(branch: &Branch) -> Branches<One<wide::f64x4>> {
        Branches::gather(|_| branch)
    }

    /// Closed form: a capacitor behind a resistor, and a coil with its wire, relax as e^{−t/τ}.
    #[test]
    fn a_lone_branch_relaxes_exponentially() {
        let (step, ohms, farads, henries) = (2e-6, 1e3, 47e-9, 0.05);
        let held = [2.0; 3];
        let charging = one(&Branch::behind(farads, 1.0 / ohms, step));
        let end = 2.0 + (-0.5 - 2.0) * (-step / (ohms * farads)).exp();
        assert_relative_eq!(charging.end(-0.5, &held), end, max_relative = 1e-7);
        let coil = one(&Branch::coil(henries, ohms, step));
        let end = 2e-3 + (-1e-3 - 2e-3) * (-step * ohms / henries).exp();
        assert_relative_eq!(coil.end(-1e-3, &held), end, max_relative = 1e-7);
    }

    /// What a branch draws over a step is what its state gains.
    #[test]
    fn charge_drawn_is_charge_kept() {
        let (step, farads, siemens) = (5e-6, 100e-9, 1.0 / 100.0);
        let branch = one(&Branch::behind(farads, siemens, step));
        let volts = [0.3, -0.2, 0.9];
        let drawn = branch.current(0.7, One::of(volts)).nodes();
        let charge: f64 = (0..3).map(|m| radau::A[2][m] * drawn[m]).sum::<f64>() * step;
        assert_relative_eq!(charge, farads * (branch.end(0.7, &volts) - 0.7), max_relative = 1e-12);
    }
}
