//! A tank: coil, core loss, fixed capacitor, bank, sweep capacitor, and for tank 2 the follower's divider; the linear
//! part of a stage, with every state physical.
//!
//! ```text
//!   rail ──┬──[coil R L]──┬──[core]──┬──[fixed]──┬──[Cₙ]─/ ─┬──[C]──channel──┬── collector
//! ```
//! A switch changes a branch's conductance and nothing else: each capacitor keeps its own voltage, the coil its current.

use super::branch::{Branch, Reply};
use crate::board;
use crate::radau::{self, Map, Nodes};

/// Most positions of a bank.
pub(crate) const POSITIONS: usize = 16;

/// The states of a tank, in volts and amperes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct State {
    /// Across the tank: collector less rail.
    pub volts: f64,
    /// In the coil, as flux over inductance.
    pub coil: f64,
    /// Across each bank capacitor.
    pub bank: [f64; POSITIONS],
    /// Across the sweep capacitor.
    pub sweep: f64,
    /// Across the follower's coupling capacitor.
    pub coupling: f64,
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
    pub(crate) step: f64,
    fixed: Branch,
    pub(crate) coil: Branch,
    coil_ohms: f64,
    divider: Branch,
    pub(crate) divider_reply: Reply,
    /// `h/C·A` of the sweep capacitor.
    pub(crate) sweep: Map,
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

    /// What the states drive into the tank at the nodes, amperes; `open` is the divider's open voltage from the rail.
    #[inline(never)]
    pub(crate) fn history(&self, tank: &Tank, state: &State, open: f64) -> Nodes {
        let mut driven: Nodes =
            std::array::from_fn(|m| self.fixed.history[m] * state.volts + self.coil.history[m] * state.coil);
        for n in 0..tank.bank.capacitors.len() {
            for m in 0..3 {
                driven[m] += self.bank[n].history[m] * state.bank[n];
            }
        }
        if tank.divider.is_some() {
            let from_open = radau::apply(&self.divider.admittance, &[open; 3]);
            for m in 0..3 {
                driven[m] += self.divider.history[m] * state.coupling + from_open[m];
            }
        }
        driven
    }

    /// The states at the end of a step with the tank at `volts`; `core`, `channel` and `base` are the port currents of
    /// coil saturation, sweep and follower.
    #[inline]
    pub(crate) fn end(&self, tank: &Tank, state: &mut State, volts: &Nodes, open: f64, ports: &PortCurrents) {
        for n in 0..tank.bank.capacitors.len() {
            state.bank[n] = self.bank[n].end(state.bank[n], volts);
        }
        let across: Nodes = std::array::from_fn(|m| volts[m] - self.coil_ohms * ports.core[m]);
        state.coil = self.coil.end(state.coil, &across);
        let row = &self.sweep[2];
        state.sweep += row[0] * ports.channel[0] + row[1] * ports.channel[1] + row[2] * ports.channel[2];
        if tank.divider.is_some() {
            let across: Nodes = std::array::from_fn(|m| volts[m] - open);
            let fed = &self.divider_reply.fed[2];
            state.coupling = self.divider.end(state.coupling, &across)
                + (fed[0] * ports.base[0] + fed[1] * ports.base[1] + fed[2] * ports.base[2]);
        }
        state.volts = volts[2];
    }

    /// Voltage that a current beside the coil's own drops in its wire, as a current of the coil.
    pub(crate) fn coil_drop(&self) -> Map {
        radau::scaled(&self.coil.admittance, self.coil_ohms)
    }

    /// Current through bank position `n`, at the nodes.
    pub(crate) fn bank_current(&self, n: usize, state: &State, volts: &Nodes) -> Nodes {
        self.bank[n].current(state.bank[n], volts)
    }
}

/// Currents of a stage's other ports at the nodes, amperes.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct PortCurrents {
    pub(crate) core: Nodes,
    pub(crate) channel: Nodes,
    pub(crate) base: Nodes,
}

impl State {
    /// Energy held by the tank's coil and capacitors, joules.
    pub(crate) fn energy(&self, tank: &Tank) -> f64 {
        let half = |c: f64, v: f64| 0.5 * c * v * v;
        let coil = tank.coil.map_or(0.0, |coil| half(coil.inductance, self.coil));
        let bank: f64 = tank.bank.capacitors.iter().zip(&self.bank).map(|(&c, &v)| half(c, v)).sum();
        half(tank.fixed, self.volts) + coil + bank + tank.sweep.map_or(0.0, |c| half(c, self.sweep))
    }
}
