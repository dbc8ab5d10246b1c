//! A port: a part that bends, where it sits in its group, and where Newton stands with it.
//!
//! | part | own voltage c | current i |
//! |---|---|---|
//! | driver | tank | collector |
//! | sweep channel | drain to rail | drain |
//! | saturable coil | its current j, amperes | what it draws beyond j |
//! | follower | divider, from ground | first base |

use super::Level;
use super::driver::{Driver, Linear};
use super::sweep::SweepChannel;
use super::tank::{State, TankStep};
use crate::follower::Follower;
use crate::pace::Past;
use crate::radau::{self, Map, Nodes};

/// A part that bends.
#[derive(Clone, Debug)]
pub(super) enum Bend {
    Driver(Box<Driver>),
    Channel(SweepChannel),
    /// Saturable coil: excess current j³/(7s²) at the coil current j; holds 1/(7s²).
    Core(f64),
    Follower(Box<Follower>),
}

/// A part that bends, where it sits, and where Newton stands with it.
#[derive(Clone, Debug)]
pub(super) struct Port {
    pub(super) bend: Bend,
    pub(super) stage: usize,
    /// Its governing voltage, volts (amperes for a coil).
    pub(super) own: Nodes,
    pub(super) linear: Linear,
    /// Open-circuit value of `own`.
    pub(super) open: Nodes,
    /// Current drawn and own voltage at the nodes of the step that was kept last.
    pub(super) last: Kept,
}

/// What a port did in the step that was kept last.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Kept {
    pub(super) current: Nodes,
    pub(super) own: Nodes,
}

/// What rests outside the tank: the rail from ground, and the divider's open voltage from the rail, volts.
pub(super) struct Start {
    pub(super) rail: f64,
    pub(super) divider_open: f64,
    /// The step before, if its course can be carried on.
    pub(super) past: Option<Past>,
}

impl Port {
    pub(super) fn new(bend: Bend, stage: usize) -> Self {
        Self { bend, stage, own: [0.0; 3], linear: Linear::default(), open: [0.0; 3], last: Kept::default() }
    }

    /// Lays out the open-circuit voltage with the tank at `volts`, and starts Newton from the end of the last step.
    #[inline(never)]
    pub(super) fn begin(&mut self, tank: &TankStep, state: &State, volts: &Nodes, sweep: &Nodes, at: &Start) {
        match &mut self.bend {
            Bend::Driver(driver) => {
                self.open = *volts;
                self.own = [state.volts; 3];
                driver.start(at.past);
            }
            Bend::Channel(channel) => {
                self.open = volts.map(|v| v - state.sweep);
                let start = state.volts - state.sweep;
                self.own = at.past.map_or([start; 3], |past| {
                    radau::apply(past.ahead(), &self.last.own).map(|v| channel.limited(start, v))
                });
                channel.start(*sweep);
            }
            Bend::Core(_) => {
                self.open = tank.coil.current(state.coil, volts);
                self.own = at.past.map_or([state.coil; 3], |past| radau::apply(past.ahead(), &self.last.own));
            }
            Bend::Follower(follower) => {
                // The divider's node counts from ground, as the follower does.
                let held = tank.divider_reply.at(state.coupling, &volts.map(|v| v - at.divider_open));
                self.open = std::array::from_fn(|m| at.rail + volts[m] - held[m]);
                self.own = [at.rail + state.volts - state.coupling; 3];
                follower.start(at.past);
            }
        }
    }

    /// The current about the present voltage; `bus` and `rail` as the part is driven.
    #[inline]
    pub(super) fn linearise(&mut self, bus: &Nodes, rail: f64) {
        self.linear = match &mut self.bend {
            Bend::Driver(driver) => driver.linearise(bus, &self.own, rail),
            Bend::Channel(channel) => channel.linearise(&self.own),
            Bend::Core(bend) => Linear {
                current: self.own.map(|j| *bend * j * j * j),
                by_own: self.own.map(|j| 3.0 * *bend * j * j),
                by_bus: [0.0; 3],
            },
            Bend::Follower(follower) => follower.linearise(&self.own, rail),
        };
    }

    /// Whether its current replies to its own voltage enough to take part in Newton, behind a resistance of `ohms`.
    #[inline]
    pub(super) fn replies(&self, ohms: f64) -> bool {
        // Below −140 dB the reply is left out: a port that settles at once has no next iteration to make up for it.
        let steepest = self.linear.by_own.iter().fold(0.0f64, |most, g| most.max(g.abs()));
        matches!(self.bend, Bend::Core(_)) || steepest * ohms > 1e-7
    }

    /// Takes Newton's step of its own voltage and, for a driver, of its bus; returns the largest move of a junction, volts.
    #[inline]
    pub(super) fn advance(&mut self, change: &Nodes, bus: &Nodes) -> f64 {
        for m in 0..3 {
            self.linear.current[m] += self.linear.by_own[m] * change[m] + self.linear.by_bus[m] * bus[m];
        }
        let moved = match &mut self.bend {
            // A channel limits its own step: its voltage is that of a junction.
            Bend::Channel(channel) => return channel.advance(&mut self.own, change),
            Bend::Driver(driver) => driver.advance(change, bus),
            // What is left of the cubic after this step, against a kilohm.
            Bend::Core(bend) => (0..3)
                .map(|m| 3.0 * *bend * self.own[m] * self.own[m] * change[m])
                .fold(0.0, |most: f64, amperes| most.max(amperes.abs() * 1e3)),
            Bend::Follower(follower) => follower.advance(change),
        };
        for m in 0..3 {
            self.own[m] += change[m];
        }
        moved
    }

    /// Error of the step that was solved, volts of its tank, of which an ampere makes `reach`; a driver also answers for the
    /// tank's own voltage.
    #[inline]
    pub(super) fn error(&self, past: Past, reach: f64) -> f64 {
        let drawn = reach * past.error(&self.last.current, &self.linear.current);
        match self.bend {
            Bend::Driver(_) => drawn.max(past.error(&self.last.own, &self.own)),
            _ => drawn,
        }
    }

    /// Current drawn from the tank per current of the port.
    pub(super) fn into(&self, level: &Level) -> Map {
        let tank = &level.tanks[self.stage];
        match &self.bend {
            Bend::Driver(_) | Bend::Channel(_) => radau::IDENTITY,
            Bend::Core(_) => radau::difference(&radau::IDENTITY, &tank.coil_drop()),
            Bend::Follower(_) => radau::difference(&radau::IDENTITY, &tank.divider_reply.follow),
        }
    }

    /// Own voltage per volt of the tank.
    pub(super) fn heard(&self, level: &Level) -> Map {
        let tank = &level.tanks[self.stage];
        match &self.bend {
            Bend::Driver(_) | Bend::Channel(_) => radau::IDENTITY,
            Bend::Core(_) => tank.coil.admittance,
            Bend::Follower(_) => radau::difference(&radau::IDENTITY, &tank.divider_reply.follow),
        }
    }

    /// Drop of its own voltage per own current with the tank held.
    pub(super) fn alone(&self, level: &Level) -> Map {
        let tank = &level.tanks[self.stage];
        match &self.bend {
            Bend::Driver(_) => radau::ZERO,
            Bend::Channel(_) => tank.sweep,
            Bend::Core(_) => tank.coil_drop(),
            Bend::Follower(_) => tank.divider_reply.fed,
        }
    }
}
