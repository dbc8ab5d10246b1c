//! A stage is a driver and a tank. One stage, or two that a capacitor joins, are solved together.
//!
//! ```text
//!   bus ──► driver ──i_c──► tank ──► tap                    linear:  c = c₀ − Z·i
//!                            │ └── channel (sweep)          bent:    i = F(c)
//!                            └──── core (saturable coil), follower's base (tank 2)
//! ```
//! Every part that bends is a **port**: it draws a current i from the linear rest and is governed by one voltage c (for a
//! saturable coil, its current). A step is one small system in c at the three nodes of each port,
//! `(I + Z·G)·Δc = c₀ − Z·i − c`, in which only ports that conduct take part: a driver in its active region draws the same
//! whatever its tank does, a channel that is off draws nothing. Z changes with the switches only.

mod branch;
mod driver;
mod edge;
mod level;
mod newton;
mod port;
mod sweep;
mod tank;

pub(crate) use branch::Reply;
pub(crate) use driver::{Driver, Linear};
pub use tank::State;
pub(crate) use tank::{Divider, Switches, Tank};

use crate::board;
use crate::follower::Follower;
use crate::lanes::{Course, Grid, Number, Task};
use crate::pace::{LEVELS, Past};
use level::{Level, Made};
use port::{Bend, Port, Start};
use sweep::SweepChannel;
use tank::{POSITIONS, PortCurrents, TankStep, Tanks};

/// Most ports of a group: of each of two stages the driver, channel and core, and one follower.
const PORTS: usize = 7;
/// Iterations after which a step is cut: usually, and in the shortest step, after which there is only the fallback.
const PATIENCE: [usize; 2] = [14, 60];
/// A tap whose peak is below this, volts, is faint: its errors count for more, up to so many times. So a tap that hardly
/// sounds is as true as a loud one.
const FULL: f64 = 0.5;
const FAINTEST: f64 = 20.0;
/// A peak fades by this from step to step.
const FADE: f64 = 0.998;
/// Newton has settled when no junction that conducts moved further, volts: what is left is its square over `V_T`.
const SETTLED: f64 = 30e-6;

/// How a step ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Outcome {
    /// Newton settled after so many iterations, with such an error of the step in volts; `None` when there is no telling.
    Settled(usize, Option<f64>),
    /// It did not.
    Restless,
}

/// One stage of every chain, or two that are joined by a capacitor.
#[derive(Clone, Debug)]
pub(crate) struct Group<C: Course> {
    /// By stage and chain.
    tanks: Vec<Vec<Tank>>,
    /// By stage and chain.
    switches: Vec<Vec<Switches>>,
    states: Vec<State<C::Lane>>,
    /// Peak of each tank's voltage, fading, and how much more its errors count for being faint.
    peaks: [C::Lane; 2],
    faint: [C::Lane; 2],
    ports: Vec<Port<C>>,
    /// By chain, farads.
    joined_by: Vec<f64>,
    levels: Vec<Level<C>>,
    /// Level from the first tank to the second driver's bus, when both are in the group.
    link: f64,
    /// Length of level 0, seconds.
    step: f64,
    /// Iterations that Newton may take: usually, and in the shortest step.
    patience: [usize; 2],
    current_level: usize,
    /// Level of the step that was kept last, if what comes can be told from it.
    kept_level: Option<usize>,
    /// The step that was kept last, from the present one.
    past: Option<Past>,
    /// Whether the last step lies before an edge: its slopes say nothing about what comes.
    edge: bool,
    /// Divider's open voltage from the rail, per volt of the rail and now.
    divider_share: C,
    divider_open: C,
}

/// What drives a group through one step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Drive<'a, C> {
    /// Voltage on each stage's bus at the nodes; the second without the link from the first tank of the group.
    pub(crate) bus: &'a [C],
    /// Sweep voltage of each stage at the nodes.
    pub(crate) sweep: &'a [C],
    /// Supply, volts.
    pub(crate) rail: C,
}

/// The parts of one stage in one chain.
#[derive(Clone, Debug)]
pub(crate) struct Parts {
    pub(crate) driver: board::Driver,
    pub(crate) tank: Tank,
    pub(crate) sweep: Option<board::Sweep>,
}

impl<C: Course> Group<C> {
    /// Builds the group for steps of `step` seconds and their parts. `stages` are by stage and chain; a follower hangs on the
    /// last of them.
    pub(crate) fn new(
        stages: &[Vec<Parts>],
        joined_by: Vec<f64>,
        followers: Option<&[board::Follower]>,
        celsius: f64,
        step: f64,
    ) -> Self {
        let mut ports = Vec::with_capacity(PORTS);
        for (stage, parts) in stages.iter().enumerate() {
            let drivers: Vec<_> = parts.iter().map(|part| part.driver).collect();
            ports.push(Port::new(Bend::Driver(Driver::new(&drivers, celsius)), stage));
        }
        if let Some(followers) = followers {
            ports.push(Port::new(Bend::Follower(Follower::new(followers, celsius)), stages.len() - 1));
        }
        for (stage, parts) in stages.iter().enumerate() {
            let sweeps: Option<Vec<_>> = parts.iter().map(|part| part.sweep).collect();
            if let Some(sweeps) = sweeps {
                ports.push(Port::new(Bend::Channel(SweepChannel::new(&sweeps, celsius)), stage));
            }
            let bends = |chain: usize| {
                let saturation = parts[chain].tank.coil.and_then(|coil| coil.saturation);
                saturation.map_or(0.0, |saturation| 1.0 / (7.0 * (0.875 * saturation).powi(2)))
            };
            if (0..parts.len()).any(|chain| bends(chain) > 0.0) {
                ports.push(Port::new(Bend::Core(C::lane(bends)), stage));
            }
        }
        let tanks: Vec<Vec<Tank>> =
            stages.iter().map(|parts| parts.iter().map(|part| part.tank.clone()).collect()).collect();
        let steps: Vec<Vec<TankStep>> =
            tanks.iter().map(|tanks| tanks.iter().map(|tank| TankStep::of(tank, step)).collect()).collect();
        let last = tanks[tanks.len() - 1].clone();
        let share = C::lane(|chain| last[chain].divider.map_or(0.0, |divider| divider.share));
        let level = Level {
            tanks: tanks.iter().zip(&steps).map(|(tanks, steps)| Tanks::gather(tanks, steps)).collect(),
            steps,
            coupling: Grid::default(),
            z: [[Grid::default(); 2]; 2],
            ports: [[Grid::default(); PORTS]; PORTS],
            ohms: [0.0; PORTS],
            reach: [C::Lane::splat(0.0); PORTS],
            made: Made::Nothing,
        };
        let count = tanks.len();
        Self {
            switches: vec![vec![[0.0; POSITIONS]; C::CHAINS]; count],
            states: vec![State::default(); count],
            peaks: [C::Lane::splat(0.0); 2],
            faint: [C::Lane::splat(1.0); 2],
            tanks,
            ports,
            joined_by,
            levels: vec![level; LEVELS],
            link: 0.0,
            step,
            patience: PATIENCE,
            current_level: 0,
            kept_level: None,
            past: None,
            edge: false,
            divider_share: C::each(share),
            divider_open: C::splat(0.0),
        }
    }

    /// Forgets how loud it was.
    pub(crate) fn forget(&mut self) {
        self.peaks = [C::Lane::splat(0.0); 2];
        self.faint = [C::Lane::splat(1.0); 2];
    }

    /// Takes another length of step.
    pub(crate) fn set_step(&mut self, step: f64) {
        self.kept_level = None;
        self.step = step;
        for level in &mut self.levels {
            level.made = Made::Nothing;
        }
    }

    /// Whether Newton may take its time in every step.
    pub(crate) fn be_patient(&mut self, patient: bool) {
        self.patience = if patient { [PATIENCE[1]; 2] } else { PATIENCE };
    }

    /// Makes every step fall back.
    #[cfg(test)]
    pub(crate) fn lose_patience(&mut self) {
        self.patience = [0; 2];
    }

    pub(crate) fn heat(&mut self, followers: &[board::Follower], celsius: f64) {
        for port in &mut self.ports {
            match &mut port.bend {
                Bend::Driver(driver) => driver.heat(celsius),
                Bend::Channel(channel) => channel.heat(celsius),
                Bend::Follower(follower) => follower.heat(followers, celsius),
                Bend::Core(_) => {}
            }
        }
    }

    pub(crate) fn set_link(&mut self, level: f64) {
        self.link = level;
    }

    #[inline(always)]
    pub(crate) fn follower(&self) -> Option<&Follower<C>> {
        self.ports.iter().find_map(|port| match &port.bend {
            Bend::Follower(follower) => Some(follower),
            _ => None,
        })
    }

    pub(crate) fn state(&self, stage: usize) -> &State<C::Lane> {
        &self.states[stage]
    }

    pub(crate) fn state_mut(&mut self, stage: usize) -> &mut State<C::Lane> {
        &mut self.states[stage]
    }

    /// Energy that one chain's tanks hold, joules.
    #[cfg(test)]
    pub(crate) fn energy(&self, chain: usize) -> f64 {
        let states: Vec<State> = self.states.iter().map(|state| state.chain::<C>(chain)).collect();
        let joining = match &states[..] {
            [a, b] => 0.5 * self.joined_by[chain] * (a.volts - b.volts).powi(2),
            _ => 0.0,
        };
        states.iter().zip(&self.tanks).map(|(state, tanks)| state.energy(&tanks[chain])).sum::<f64>() + joining
    }

    /// Tank voltage at the nodes of the step that was solved.
    #[inline(always)]
    pub(crate) fn tap(&self, stage: usize) -> C {
        self.ports[stage].own
    }

    /// Current through bank position `n` at the nodes of the step that was solved, amperes.
    #[inline(always)]
    pub(crate) fn bank_current(&self, stage: usize, n: usize) -> C {
        self.levels[self.current_level].tanks[stage].bank_current(n, &self.states[stage], self.tap(stage))
    }

    /// Solves one step of length `step/2^level` without keeping it.
    #[inline(never)]
    pub(crate) fn solve(&mut self, drive: &Drive<'_, C>, level: usize) -> Outcome {
        C::with(Solve(self, drive, level))
    }

    #[inline(always)]
    fn settle(&mut self, drive: &Drive<'_, C>, level: usize) -> Outcome {
        self.begin(drive, level);
        for iteration in 1..=self.patience[usize::from(level + 1 == LEVELS)] {
            let moved = self.iterate(drive, level);
            if moved < SETTLED {
                return Outcome::Settled(iteration, self.error());
            }
            if !moved.is_finite() {
                break;
            }
        }
        Outcome::Restless
    }

    /// Error of the step that was solved, volts.
    #[inline(always)]
    fn error(&self) -> Option<f64> {
        let past = if self.edge { return None } else { self.past? };
        let mut largest = C::Lane::splat(0.0);
        for (port, reach) in self.ports.iter().zip(&self.levels[self.current_level].reach) {
            largest = largest.max(port.error(past, *reach) * self.faint[port.stage]);
        }
        Some(largest.largest())
    }

    /// The bounded fallback: the ports draw what they drew at the end of the last step, which is finite and was physical,
    /// and the passive rest takes its exact step.
    pub(crate) fn coast(&mut self, drive: &Drive<'_, C>, level: usize) {
        self.kept_level = None;
        // However far Newton came, the next step goes on from there: a guess needs no physics, only to be finite.
        for port in &mut self.ports {
            match &mut port.bend {
                Bend::Driver(driver) if driver.is_finite() => driver.keep(),
                Bend::Follower(follower) if follower.is_finite() => follower.keep(),
                _ => {}
            }
        }
        self.begin(drive, level);
        for port in &mut self.ports {
            port.linear = Linear { current: C::each(port.last[0].nodes()[2]), ..Linear::default() };
        }
        let level = &self.levels[level];
        for p in 0..self.ports.len() {
            let mut own = self.ports[p].open;
            for (q, port) in self.ports.iter().enumerate() {
                own = own - level.ports[p][q].apply(port.linear.current);
            }
            self.ports[p].own = own;
        }
    }

    /// Keeps the step that was solved: states and guesses move to its end.
    #[inline(never)]
    pub(crate) fn keep(&mut self) {
        C::with(Keep(self));
    }

    #[inline(always)]
    fn move_on(&mut self) {
        self.kept_level = Some(self.current_level);
        self.edge = false;
        let mut currents = [PortCurrents::default(); 2];
        for port in &mut self.ports {
            port.keep();
            let currents = &mut currents[port.stage];
            match &port.bend {
                Bend::Driver(_) => {}
                Bend::Channel(_) => currents.channel = Some(port.linear.current),
                Bend::Core(_) => currents.core = Some(port.linear.current),
                Bend::Follower(_) => currents.base = Some(port.linear.current),
            }
        }
        let level = &self.levels[self.current_level];
        for (stage, state) in self.states.iter_mut().enumerate() {
            level.tanks[stage].end(state, self.ports[stage].own, self.divider_open, &currents[stage]);
            self.peaks[stage] = state.volts.abs().max(self.peaks[stage] * C::Lane::splat(FADE));
            let weight = C::Lane::splat(FULL) / self.peaks[stage].max(C::Lane::splat(FULL / FAINTEST));
            self.faint[stage] = weight.max(C::Lane::splat(1.0));
        }
    }

    /// Refreshes what the switches changed, and lays out the open-circuit voltages of the ports.
    #[inline(always)]
    fn begin(&mut self, drive: &Drive<'_, C>, level: usize) {
        self.current_level = level;
        if self.levels[level].made != Made::All {
            self.refresh(level);
        }
        self.past = Past::of(self.kept_level, level);
        self.divider_open = self.divider_share * drive.rail;
        let level = &self.levels[level];
        let mut driven = [C::splat(0.0); 2];
        for (stage, state) in self.states.iter().enumerate() {
            let tank = &level.tanks[stage];
            driven[stage] = tank.history(state, self.divider_open);
        }
        let volts = if let [first, second] = &self.states[..] {
            let held = level.coupling.apply(C::each(first.volts - second.volts));
            let driven = [driven[0] + held, driven[1] - held];
            let [[a, b], [c, d]] = &level.z;
            [a.apply(driven[0]) + b.apply(driven[1]), c.apply(driven[0]) + d.apply(driven[1])]
        } else {
            [level.z[0][0].apply(driven[0]), C::splat(0.0)]
        };
        let at = Start { rail: drive.rail, divider_open: self.divider_open, past: self.past };
        for port in &mut self.ports {
            let stage = port.stage;
            port.begin(&level.tanks[stage], &self.states[stage], volts[stage], drive.sweep[stage], &at);
        }
    }
}

struct Solve<'a, 'b, C: Course>(&'a mut Group<C>, &'a Drive<'b, C>, usize);
struct Keep<'a, C: Course>(&'a mut Group<C>);

impl<C: Course> Task for Solve<'_, '_, C> {
    type Result = Outcome;
    #[inline(always)]
    fn run(self) -> Outcome {
        self.0.settle(self.1, self.2)
    }
}

impl<C: Course> Task for Keep<'_, C> {
    type Result = ();
    #[inline(always)]
    fn run(self) {
        self.0.move_on();
    }
}
