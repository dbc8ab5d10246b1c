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
mod newton;
mod port;
mod sweep;
mod tank;

pub(crate) use branch::Reply;
pub(crate) use driver::{Driver, Linear};
pub use tank::State;
pub(crate) use tank::{Divider, PortCurrents, Switches, Tank};

use crate::board;
use crate::follower::Follower;
use crate::pace::{self, LEVELS, Past};
use crate::radau::{self, Map, Nodes};
use port::{Bend, Kept, Port, Start};
use sweep::SweepChannel;
use tank::{POSITIONS, TankStep};

/// Most ports of a group: of each of two stages the driver, channel and core, and one follower.
const PORTS: usize = 7;
/// Iterations after which a step is cut.
const PATIENCE: usize = 14;
/// Newton has settled when no junction that conducts moved further, volts: what is left is its square over `V_T`.
const SETTLED: f64 = 30e-6;

/// All that depends on the length of the step and on the switches.
#[derive(Clone, Debug)]
struct Level {
    tanks: Vec<TankStep>,
    coupling: Map,
    /// Tank voltages per current into a tank.
    z: [[Map; 2]; 2],
    /// Port voltages per port current.
    ports: [[Map; PORTS]; PORTS],
    /// Volts that a constant ampere of each port moves its tank by over the step.
    reach: [f64; PORTS],
    made: Made,
}

/// How far a level is ready.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Made {
    /// Its step has another length.
    Nothing,
    /// Its switches stand otherwise.
    Parts,
    All,
}

/// How a step ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Outcome {
    /// Newton settled after so many iterations, with such an error of the step in volts; `None` when there is no telling.
    Settled(usize, Option<f64>),
    /// It did not.
    Restless,
}

/// One stage, or two that are joined by a capacitor.
#[derive(Clone, Debug)]
pub(crate) struct Group {
    tanks: Vec<Tank>,
    states: Vec<State>,
    switches: Vec<Switches>,
    /// Charge that the switches push into each tank during the coming step, coulombs.
    charges: Vec<f64>,
    ports: Vec<Port>,
    joined_by: f64,
    levels: Vec<Level>,
    /// Level from the first tank to the second driver's bus, when both are in the group.
    link: f64,
    /// Length of level 0, seconds.
    step: f64,
    current_level: usize,
    /// Level of the step that was kept last, if what comes can be told from it.
    kept_level: Option<usize>,
    /// The step that was kept last, from the present one.
    past: Option<Past>,
    /// Whether the last step lies before an edge: its slopes say nothing about what comes.
    edge: bool,
    /// Divider's open voltage from the rail.
    divider_open: f64,
}

/// What drives a group through one step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Drive<'a> {
    /// Voltage on each stage's bus at the nodes; the second without the link from the first tank of the group.
    pub(crate) bus: &'a [Nodes],
    /// Sweep voltage of each stage at the nodes.
    pub(crate) sweep: &'a [Nodes],
    /// Supply, volts.
    pub(crate) rail: f64,
}

impl Group {
    /// Builds the group for steps of `step` seconds and its parts.
    pub(crate) fn new(
        stages: &[(Driver, Tank, Option<board::Sweep>)],
        joined_by: f64,
        follower: Option<Follower>,
        celsius: f64,
        step: f64,
    ) -> Self {
        let tanks: Vec<Tank> = stages.iter().map(|(_, tank, _)| tank.clone()).collect();
        let mut ports = Vec::with_capacity(PORTS);
        for (stage, (driver, _, _)) in stages.iter().enumerate() {
            ports.push(Port::new(Bend::Driver(Box::new(driver.clone())), stage));
        }
        if let Some(follower) = follower {
            ports.push(Port::new(Bend::Follower(Box::new(follower)), tanks.len() - 1));
        }
        for (stage, (_, tank, sweep)) in stages.iter().enumerate() {
            if let Some(sweep) = sweep {
                ports.push(Port::new(Bend::Channel(SweepChannel::new(sweep, celsius)), stage));
            }
            if let Some(saturation) = tank.coil.and_then(|coil| coil.saturation) {
                let knee = 0.875 * saturation;
                ports.push(Port::new(Bend::Core(1.0 / (7.0 * knee * knee)), stage));
            }
        }
        let count = tanks.len();
        let level = Level {
            tanks: tanks.iter().map(|tank| TankStep::of(tank, step)).collect(),
            coupling: radau::ZERO,
            z: [[radau::ZERO; 2]; 2],
            ports: [[radau::ZERO; PORTS]; PORTS],
            reach: [0.0; PORTS],
            made: Made::Nothing,
        };
        let levels = vec![level; LEVELS];
        Self {
            states: vec![State::default(); count],
            switches: vec![[0.0; POSITIONS]; count],
            charges: vec![0.0; count],
            tanks,
            ports,
            joined_by,
            levels,
            link: 0.0,
            step,
            current_level: 0,
            kept_level: None,
            past: None,
            edge: false,
            divider_open: 0.0,
        }
    }

    /// Takes another length of step.
    pub(crate) fn set_step(&mut self, step: f64) {
        self.kept_level = None;
        self.step = step;
        for level in &mut self.levels {
            level.made = Made::Nothing;
        }
    }

    pub(crate) fn heat(&mut self, board: &board::Board, celsius: f64) {
        for port in &mut self.ports {
            match &mut port.bend {
                Bend::Driver(driver) => driver.heat(celsius),
                Bend::Channel(channel) => channel.heat(celsius),
                Bend::Follower(follower) => follower.heat(&board.follower, celsius),
                Bend::Core(_) => {}
            }
        }
    }

    pub(crate) fn set_link(&mut self, level: f64) {
        self.link = level;
    }

    pub(crate) fn driver(&self, stage: usize) -> &Driver {
        match &self.ports[stage].bend {
            Bend::Driver(driver) => driver,
            _ => unreachable!("the first ports are the drivers"),
        }
    }

    pub(crate) fn follower(&self) -> Option<&Follower> {
        self.ports.iter().find_map(|port| match &port.bend {
            Bend::Follower(follower) => Some(&**follower),
            _ => None,
        })
    }

    /// Conductance of a stage's switches, siemens.
    pub(crate) fn switch(&mut self, stage: usize, switches: &Switches) {
        if self.switches[stage] != *switches {
            self.switches[stage] = *switches;
            self.edge = true;
            for level in &mut self.levels {
                level.made = level.made.min(Made::Parts);
            }
        }
    }

    /// Charge that an edge pushes into a tank during the coming step, coulombs.
    pub(crate) fn inject(&mut self, stage: usize, coulombs: f64) {
        self.charges[stage] += coulombs;
        self.edge = true;
    }

    pub(crate) fn state(&self, stage: usize) -> &State {
        &self.states[stage]
    }

    pub(crate) fn state_mut(&mut self, stage: usize) -> &mut State {
        &mut self.states[stage]
    }

    pub(crate) fn energy(&self) -> f64 {
        let joining = match &self.states[..] {
            [a, b] => 0.5 * self.joined_by * (a.volts - b.volts).powi(2),
            _ => 0.0,
        };
        self.states.iter().zip(&self.tanks).map(|(state, tank)| state.energy(tank)).sum::<f64>() + joining
    }

    /// Tank voltage at the nodes of the step that was solved.
    #[inline]
    pub(crate) fn tap(&self, stage: usize) -> &Nodes {
        &self.ports[stage].own
    }

    /// Current through bank position `n` at the nodes of the step that was solved, amperes.
    pub(crate) fn bank_current(&self, stage: usize, n: usize) -> Nodes {
        self.levels[self.current_level].tanks[stage].bank_current(n, &self.states[stage], self.tap(stage))
    }

    /// Solves one step of length `step/2^level` without keeping it.
    #[inline]
    pub(crate) fn solve(&mut self, drive: &Drive<'_>, level: usize) -> Outcome {
        self.begin(drive, level);
        for iteration in 1..=PATIENCE {
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
    #[inline]
    fn error(&self) -> Option<f64> {
        let past = self.past.filter(|_| !self.edge)?;
        let reach = &self.levels[self.current_level].reach;
        Some(self.ports.iter().zip(reach).map(|(port, reach)| port.error(past, *reach)).fold(0.0, f64::max))
    }

    /// The bounded fallback: the ports draw what they drew at the end of the last step, which is finite and was physical,
    /// and the passive rest takes its exact step.
    pub(crate) fn coast(&mut self, drive: &Drive<'_>, level: usize) {
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
            port.linear = Linear { current: [port.last.current[2]; 3], ..Linear::default() };
        }
        let level = &self.levels[level];
        let currents: [Nodes; PORTS] =
            std::array::from_fn(|q| self.ports.get(q).map_or([0.0; 3], |p| p.linear.current));
        for (p, port) in self.ports.iter_mut().enumerate() {
            let mut own = port.open;
            for (q, current) in currents.iter().enumerate().take(PORTS) {
                let drop = radau::apply(&level.ports[p][q], current);
                for m in 0..3 {
                    own[m] -= drop[m];
                }
            }
            port.own = own;
        }
    }

    /// Keeps the step that was solved: states and guesses move to its end.
    #[inline]
    pub(crate) fn keep(&mut self) {
        self.kept_level = Some(self.current_level);
        self.edge = false;
        let level = &self.levels[self.current_level];
        let mut currents = [PortCurrents::default(); 2];
        for port in &mut self.ports {
            port.last = Kept { current: port.linear.current, own: port.own };
            let currents = &mut currents[port.stage];
            match &mut port.bend {
                Bend::Driver(driver) => driver.keep(),
                Bend::Channel(_) => currents.channel = port.linear.current,
                Bend::Core(_) => currents.core = port.linear.current,
                Bend::Follower(follower) => {
                    follower.keep();
                    currents.base = port.linear.current;
                }
            }
        }
        for (stage, state) in self.states.iter_mut().enumerate() {
            let volts = self.ports[stage].own;
            level.tanks[stage].end(&self.tanks[stage], state, &volts, self.divider_open, &currents[stage]);
            self.charges[stage] = 0.0;
        }
    }

    /// Refreshes what the switches changed, and lays out the open-circuit voltages of the ports.
    #[inline]
    fn begin(&mut self, drive: &Drive<'_>, level: usize) {
        self.current_level = level;
        if self.levels[level].made != Made::All {
            self.refresh(level);
        }
        self.past = Past::of(self.kept_level, level);
        let level = &self.levels[level];
        let count = self.tanks.len();
        let mut driven = [[0.0; 3]; 2];
        for stage in 0..count {
            if let Some(divider) = self.tanks[stage].divider {
                self.divider_open = divider.share * drive.rail;
            }
            driven[stage] = level.tanks[stage].history(&self.tanks[stage], &self.states[stage], self.divider_open);
            if self.charges[stage] != 0.0 {
                let pushed = self.charges[stage] / level.tanks[stage].step;
                driven[stage] = driven[stage].map(|x| x + pushed);
            }
        }
        let volts = if let [first, second] = &self.states[..] {
            level.joined_volts(&driven, first.volts - second.volts)
        } else {
            [radau::apply(&level.z[0][0], &driven[0]), [0.0; 3]]
        };
        let at = Start { rail: drive.rail, divider_open: self.divider_open, past: self.past };
        for port in &mut self.ports {
            let stage = port.stage;
            port.begin(&level.tanks[stage], &self.states[stage], &volts[stage], &drive.sweep[stage], &at);
        }
    }

    /// Z and the ports' maps for the present switches.
    fn refresh(&mut self, level: usize) {
        let step = self.step * pace::part(level);
        let level = &mut self.levels[level];
        if level.made == Made::Nothing {
            for (ready, tank) in level.tanks.iter_mut().zip(&self.tanks) {
                *ready = TankStep::of(tank, step);
            }
            level.coupling = radau::scaled(&radau::derivative(), self.joined_by / step);
        }
        let count = self.tanks.len();
        let mut whole = [radau::ZERO; 2];
        for stage in 0..count {
            whole[stage] = level.tanks[stage].switch(&self.tanks[stage], &self.switches[stage]);
        }
        if count == 2 {
            // Blocks of [[P, −Y], [−Y, Q]]⁻¹ by the Schur complement of Q.
            let y = &level.coupling;
            let q = radau::inverse(&radau::sum(&whole[1], y));
            let yq = radau::product(y, &q);
            let first = radau::inverse(&radau::difference(&radau::sum(&whole[0], y), &radau::product(&yq, y)));
            let across = radau::product(&first, &yq);
            let back = radau::product(&q, &radau::product(y, &first));
            level.z = [[first, across], [back, radau::sum(&q, &radau::product(&back, &yq))]];
        } else {
            level.z[0][0] = radau::inverse(&whole[0]);
        }
        let into: [Map; PORTS] = std::array::from_fn(|q| self.ports.get(q).map_or(radau::ZERO, |p| p.into(level)));
        let heard: [Map; PORTS] = std::array::from_fn(|p| self.ports.get(p).map_or(radau::ZERO, |p| p.heard(level)));
        for (p, port) in self.ports.iter().enumerate() {
            for (q, other) in self.ports.iter().enumerate() {
                let mut map = radau::product(&radau::product(&heard[p], &level.z[port.stage][other.stage]), &into[q]);
                if p == q {
                    map = radau::sum(&map, &port.alone(level));
                }
                level.ports[p][q] = map;
            }
        }
        for (p, port) in self.ports.iter().enumerate() {
            // The first ports are the drivers, whose own voltage is the tank's.
            level.reach[p] = level.ports[port.stage][p][2].iter().sum::<f64>().abs();
        }
        level.made = Made::All;
    }
}

impl Level {
    /// Open-circuit voltages of two joined tanks, whose coupling capacitor starts at `apart` volts.
    #[inline(never)]
    fn joined_volts(&self, driven: &[Nodes; 2], apart: f64) -> [Nodes; 2] {
        let held = radau::apply(&self.coupling, &[apart; 3]);
        let first: Nodes = std::array::from_fn(|m| driven[0][m] + held[m]);
        let second: Nodes = std::array::from_fn(|m| driven[1][m] - held[m]);
        std::array::from_fn(|stage| {
            let (a, b) = (radau::apply(&self.z[stage][0], &first), radau::apply(&self.z[stage][1], &second));
            std::array::from_fn(|m| a[m] + b[m])
        })
    }
}
