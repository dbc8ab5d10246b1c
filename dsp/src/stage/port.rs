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
use super::tank::{State, Tanks};
use crate::follower::Follower;
use crate::lanes::{Course, Grid, Number};
use crate::pace::Past;
use crate::radau;

/// A part that bends.
#[derive(Clone, Debug)]
pub(super) enum Bend<C: Course> {
    Driver(Driver<C>),
    Channel(SweepChannel<C>),
    /// Saturable coil: excess current j³/(7s²) at the coil current j; holds 1/(7s²).
    Core(C::Lane),
    Follower(Follower<C>),
}

/// A part that bends, where it sits, and where Newton stands with it.
#[derive(Clone, Debug)]
pub(super) struct Port<C: Course> {
    pub(super) bend: Bend<C>,
    pub(super) stage: usize,
    /// Its governing voltage, volts (amperes for a coil).
    pub(super) own: C,
    pub(super) linear: Linear<C>,
    /// Open-circuit value of `own`.
    pub(super) open: C,
    /// Current drawn and own voltage at the nodes of the step that was kept last.
    pub(super) last: [C; 2],
}

/// What rests outside the tank: the rail from ground, and the divider's open voltage from the rail, volts.
pub(super) struct Start<C> {
    pub(super) rail: C,
    pub(super) divider_open: C,
    /// The step before, if its course can be carried on.
    pub(super) past: Option<Past>,
}

impl<C: Course> Port<C> {
    pub(super) fn new(bend: Bend<C>, stage: usize) -> Self {
        let zero = C::splat(0.0);
        Self { bend, stage, own: zero, linear: Linear::default(), open: zero, last: [zero; 2] }
    }

    /// Lays out the open-circuit voltage with the tank at `volts`, and starts Newton from the end of the last step.
    #[inline(always)]
    pub(super) fn begin(&mut self, tank: &Tanks<C>, state: &State<C::Lane>, volts: C, sweep: C, at: &Start<C>) {
        match &mut self.bend {
            Bend::Driver(driver) => {
                self.open = volts;
                self.own = C::each(state.volts);
                driver.start(at.past);
            }
            Bend::Channel(channel) => {
                self.open = volts - C::each(state.sweep);
                let start = C::each(state.volts - state.sweep);
                self.own = channel.limited(start, ahead(at.past, start, self.last[1]));
                channel.start(sweep);
            }
            Bend::Core(_) => {
                self.open = tank.coil.current(state.coil, volts);
                self.own = ahead(at.past, C::each(state.coil), self.last[1]);
            }
            Bend::Follower(follower) => {
                // The divider's node counts from ground, as the follower does.
                let divider = tank.divider.as_ref().expect("a follower hangs on a divider");
                let held = divider.follow.apply(volts - at.divider_open) + divider.stay * C::each(state.coupling);
                self.open = at.rail + volts - held;
                self.own = at.rail + C::each(state.volts - state.coupling);
                follower.start(at.past);
            }
        }
    }

    /// The current about the present voltage; `bus` and `rail` as the part is driven.
    #[inline(always)]
    pub(super) fn linearise(&mut self, bus: C, rail: C) {
        self.linear = match &mut self.bend {
            Bend::Driver(driver) => driver.linearise(bus, self.own, rail),
            Bend::Channel(channel) => channel.linearise(self.own),
            Bend::Core(bend) => {
                let square = C::each(*bend) * self.own * self.own;
                Linear { current: square * self.own, by_own: C::splat(3.0) * square, by_bus: C::splat(0.0) }
            }
            Bend::Follower(follower) => follower.linearise(self.own, rail),
        };
    }

    /// Whether its current replies to its own voltage enough to take part in Newton, behind a resistance of `ohms`.
    #[inline(always)]
    pub(super) fn replies(&self, ohms: f64) -> bool {
        // Below −140 dB the reply is left out: a port that settles at once has no next iteration to make up for it.
        matches!(self.bend, Bend::Core(_)) || (self.linear.by_own.abs() * C::splat(ohms)).any_above(C::splat(1e-7))
    }

    /// Whether it draws nothing at all, as a channel does that is off.
    #[inline(always)]
    pub(super) fn is_silent(&self) -> bool {
        matches!(self.bend, Bend::Channel(_)) && !self.linear.current.abs().any_above(C::splat(0.0))
    }

    /// Takes Newton's step of its own voltage and, for a driver, of its bus; returns how far junctions moved, volts.
    #[inline(always)]
    pub(super) fn advance(&mut self, change: C, bus: C) -> C {
        let linear = &mut self.linear;
        linear.current = linear.by_own.mul_add(change, linear.by_bus.mul_add(bus, linear.current));
        let moved = match &mut self.bend {
            // A channel limits its own step: its voltage is that of a junction.
            Bend::Channel(channel) => return channel.advance(&mut self.own, change),
            Bend::Driver(driver) => driver.advance(change, bus),
            // What is left of the cubic after this step, against a kilohm.
            Bend::Core(bend) => (C::each(*bend) * self.own * self.own * change * C::splat(3e3)).abs(),
            Bend::Follower(follower) => follower.advance(change),
        };
        self.own = self.own + change;
        moved
    }

    /// Ends a step.
    #[inline(always)]
    pub(super) fn keep(&mut self) {
        self.last = [self.linear.current, self.own];
        match &mut self.bend {
            Bend::Driver(driver) => driver.keep(),
            Bend::Follower(follower) => follower.keep(),
            Bend::Channel(_) | Bend::Core(_) => {}
        }
    }

    /// Error of the step that was solved, volts of its tank, of which an ampere makes `reach`; a driver also answers for the
    /// tank's own voltage.
    #[inline(always)]
    pub(super) fn error(&self, past: Past, reach: C::Lane) -> C::Lane {
        let drawn = reach * past.error(self.last[0], self.linear.current);
        match self.bend {
            Bend::Driver(_) => drawn.max(past.error(self.last[1], self.own)),
            _ => drawn,
        }
    }

    /// Current drawn from the tank per current of the port.
    pub(super) fn into(&self, level: &Level<C>) -> Grid<C> {
        let tank = &level.tanks[self.stage];
        let one = Grid::constant(&radau::IDENTITY);
        match (&self.bend, &tank.divider) {
            (Bend::Core(_), _) => one.minus(&tank.coil_drop),
            (Bend::Follower(_), Some(divider)) => one.minus(&divider.follow),
            _ => one,
        }
    }

    /// Own voltage per volt of the tank.
    pub(super) fn heard(&self, level: &Level<C>) -> Grid<C> {
        let tank = &level.tanks[self.stage];
        let one = Grid::constant(&radau::IDENTITY);
        match (&self.bend, &tank.divider) {
            (Bend::Core(_), _) => tank.coil.admittance,
            (Bend::Follower(_), Some(divider)) => one.minus(&divider.follow),
            _ => one,
        }
    }

    /// Drop of its own voltage per own current with the tank held.
    pub(super) fn alone(&self, level: &Level<C>) -> Grid<C> {
        let tank = &level.tanks[self.stage];
        match (&self.bend, &tank.divider) {
            (Bend::Channel(_), _) => tank.sweep,
            (Bend::Core(_), _) => tank.coil_drop,
            (Bend::Follower(_), Some(divider)) => divider.fed,
            _ => Grid::default(),
        }
    }
}

/// A guess: the course before, carried on, or else what it starts from.
#[inline(always)]
fn ahead<C: Course>(past: Option<Past>, start: C, before: C) -> C {
    match past {
        Some(past) => Grid::constant(past.ahead()).apply(before),
        None => start,
    }
}
