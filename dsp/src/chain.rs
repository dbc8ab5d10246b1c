//! The chain: overdriven input, stage 1, stage 2, follower, stage 3, one internal step at a time.
//!
//! ```text
//!   main ─┬─ straight ───┬─► stage 1 ──► stage 2 ──► follower ──► stage 3
//!         └─ overdriven ─┘      ╘══ C12 ══╛
//! ```
//! Signal goes one way, except through C12: then stages 1 and 2 are solved as one. A step in which Newton does not settle,
//! and the step after an edge, is cut into four parts, and each again, down to 1/64; below that the chain coasts.

use crate::board::{Bank, BankKind, Board};
use crate::follower::Follower;
use crate::radau::{self, Nodes};
use crate::stage::{Divider, Drive, Driver, Group, LEVELS, Outcome, Reply, State, Switches, Tank};

/// What reaches the chain at the nodes of a step, volts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Feed {
    /// Main in.
    pub main: Nodes,
    /// Jacks of stages 2 and 3.
    pub jacks: [Nodes; 2],
    /// The exciter's pulse.
    pub pulse: Nodes,
    /// Gate voltages of the sweeps.
    pub sweep: [Nodes; 3],
}

/// Where the chain's own knobs stand.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Levels {
    /// Whether main goes through the overdriven input.
    pub overdriven: bool,
    /// Level into it.
    pub drive: f64,
    /// Main on each stage's bus.
    pub main: [f64; 3],
    /// Each stage's own jack on its bus; stage 1 has none.
    pub own: [f64; 3],
    /// Pulse on each stage's bus.
    pub pulse: [f64; 3],
    /// Into stages 2 and 3 from the stage before.
    pub link: [f64; 2],
    /// Supply, volts.
    pub supply: f64,
}

/// What the solver had to do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Steps taken, each part of a cut step counted.
    pub steps: u64,
    /// Newton iterations, of all stages.
    pub iterations: u64,
    /// Steps that were cut because Newton did not settle.
    pub cuts: u64,
    /// Parts of steps that ended on the bounded fallback.
    pub fallbacks: u64,
}

/// Into how many parts a step is cut at a time.
const PARTS: usize = 4;

/// The chain at one internal rate.
#[derive(Clone, Debug)]
pub struct Chain {
    board: Board,
    input: Group,
    /// Stages 1, 2 and 3; or 1 with 2, and 3.
    groups: Vec<Group>,
    /// The follower's output capacitor: state in volts, and per level its end value's weights.
    output: OutputCapacitor,
    step: f64,
    /// Feed at the end of the last step.
    last: [f64; 7],
    /// Weights of a step's start and nodes at the nodes of each of its parts.
    part_weights: [[[f64; 4]; 3]; PARTS],
    counts: Counts,
}

impl Chain {
    /// Builds the chain for steps of `1/rate_hz` seconds, everything discharged; [`Chain::settle`] finds the operating point.
    pub fn new(board: &Board, rate_hz: f64, celsius: f64) -> Self {
        let step = 1.0 / rate_hz;
        let stage = |n: usize| {
            let part = board.stages()[n];
            let tank = Tank {
                coil: Some(part.coil),
                core: part.coil.core,
                fixed: part.fixed,
                bank: part.bank.clone(),
                sweep: part.sweep.map(|sweep| sweep.capacitor),
                divider: (n == 1).then(|| Divider::of(&board.follower)),
            };
            (Driver::new(&part.driver, celsius), tank, part.sweep)
        };
        let follower = || Some(Follower::new(&board.follower, celsius));
        let c12 = board.coupling.c12;
        let groups = if c12 > 0.0 {
            vec![
                Group::new(&[stage(0), stage(1)], c12, follower(), celsius, step),
                Group::new(&[stage(2)], 0.0, None, celsius, step),
            ]
        } else {
            vec![
                Group::new(&[stage(0)], 0.0, None, celsius, step),
                Group::new(&[stage(1)], 0.0, follower(), celsius, step),
                Group::new(&[stage(2)], 0.0, None, celsius, step),
            ]
        };
        let mut chain = Self {
            input: input_stage(board, celsius, step),
            groups,
            output: OutputCapacitor::new(board.follower.output, board.follower.level, step),
            board: board.clone(),
            step,
            last: [0.0; 7],
            part_weights: std::array::from_fn(|part| {
                std::array::from_fn(|m| radau::weights_at((part as f64 + radau::C[m]) / PARTS as f64))
            }),
            counts: Counts::default(),
        };
        let output = [1.0 / board.input.output; 16];
        chain.input.switch(0, &output);
        chain
    }

    /// Lets everything come to rest at the operating point, by steps of growing length; `feed` is what rests on the inputs.
    pub fn settle(&mut self, feed: &Feed, levels: &Levels) {
        let step = self.step;
        for decade in -6..=9 {
            self.set_step(10f64.powi(decade));
            for _ in 0..2 {
                // The overdriven input rests at its own point whether it is switched in or not.
                self.advance(feed, &Levels { overdriven: true, ..*levels }, 0);
                self.advance(feed, levels, 0);
            }
        }
        // A sweep capacitor behind a channel that is off has no current: its drain rests on the rail.
        for stage in 0..3 {
            let (group, place) = self.place(stage);
            let state = self.groups[group].state_mut(place);
            state.sweep = state.volts;
        }
        self.set_step(step);
        self.counts = Counts::default();
    }

    fn set_step(&mut self, step: f64) {
        self.step = step;
        self.input.set_step(step);
        for group in &mut self.groups {
            group.set_step(step);
        }
        self.output.set_step(step);
    }

    /// Takes another temperature.
    pub fn heat(&mut self, celsius: f64) {
        self.input.heat(&self.board, celsius);
        for group in &mut self.groups {
            group.heat(&self.board, celsius);
        }
    }

    /// Sets the switches of a stage (0–2), siemens by position.
    pub fn switch(&mut self, stage: usize, switches: &[f64; 16]) {
        let (group, place) = self.place(stage);
        let switches: &Switches = switches;
        self.groups[group].switch(place, switches);
    }

    /// Pushes charge into a tank (0–2) during the coming step, coulombs.
    pub fn inject(&mut self, stage: usize, coulombs: f64) {
        let (group, place) = self.place(stage);
        self.groups[group].inject(place, coulombs);
    }

    /// One step. After an edge `level` above 0 cuts it into 4, 16 or 64 parts. Returns pulse and taps at its end, volts.
    #[inline]
    pub fn step(&mut self, feed: &Feed, levels: &Levels, level: usize) -> [f64; 4] {
        self.cut_to(feed, levels, 0, level.min(LEVELS - 1));
        [feed.pulse[2], self.tap(0), self.tap(1), self.tap(2)]
    }

    /// Voltage across a tank (0–2) at the end of the last step.
    pub fn tap(&self, stage: usize) -> f64 {
        self.state(stage).volts
    }

    /// The states of a stage (0–2).
    pub fn state(&self, stage: usize) -> &State {
        let (group, place) = self.place(stage);
        self.groups[group].state(place)
    }

    /// Energy held by the tanks, joules.
    pub fn energy(&self) -> f64 {
        self.groups.iter().map(Group::energy).sum()
    }

    /// What the solver had to do since the operating point.
    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// Group and place in it of a stage.
    fn place(&self, stage: usize) -> (usize, usize) {
        match (self.groups.len(), stage) {
            (2, 2) => (1, 0),
            (2, stage) => (0, stage),
            (_, stage) => (stage, 0),
        }
    }

    fn cut_to(&mut self, feed: &Feed, levels: &Levels, level: usize, wanted: usize) {
        if level >= wanted {
            self.advance(feed, levels, level);
        } else {
            self.in_parts(feed, levels, level, wanted);
        }
    }

    /// A step of length `step/4^level`, cut further when Newton does not settle.
    fn advance(&mut self, feed: &Feed, levels: &Levels, level: usize) {
        if self.solve(feed, levels, level) {
            self.keep(feed, levels, level);
        } else if level + 1 < LEVELS {
            self.counts.cuts += 1;
            self.in_parts(feed, levels, level, level + 1);
        } else {
            self.counts.fallbacks += 1;
            self.coast(feed, levels, level);
            self.keep(feed, levels, level);
        }
    }

    #[cold]
    fn in_parts(&mut self, feed: &Feed, levels: &Levels, level: usize, wanted: usize) {
        let start = self.last;
        for part in 0..PARTS {
            let weights = self.part_weights[part];
            let inner = |nodes: &Nodes, start: f64| -> Nodes {
                std::array::from_fn(|m| {
                    let w = &weights[m];
                    w[0] * start + w[1] * nodes[0] + w[2] * nodes[1] + w[3] * nodes[2]
                })
            };
            let inner = Feed {
                main: inner(&feed.main, start[0]),
                jacks: std::array::from_fn(|n| inner(&feed.jacks[n], start[1 + n])),
                pulse: inner(&feed.pulse, start[3]),
                sweep: std::array::from_fn(|n| inner(&feed.sweep[n], start[4 + n])),
            };
            self.cut_to(&inner, levels, level + 1, wanted);
        }
    }

    /// Solves every stage in signal order; false when one of them does not settle.
    #[inline]
    fn solve(&mut self, feed: &Feed, levels: &Levels, level: usize) -> bool {
        self.counts.steps += 1;
        self.run(feed, levels, level, |group, drive, counts| match group.solve(drive, level) {
            Outcome::Settled(iterations) => {
                counts.iterations += iterations as u64;
                true
            }
            Outcome::Restless => false,
        })
    }

    #[cold]
    fn coast(&mut self, feed: &Feed, levels: &Levels, level: usize) {
        self.run(feed, levels, level, |group, drive, _| {
            if group.solve(drive, level) == Outcome::Restless {
                group.coast(drive, level);
            }
            true
        });
    }

    #[inline]
    fn run(
        &mut self,
        feed: &Feed,
        levels: &Levels,
        level: usize,
        mut solve: impl FnMut(&mut Group, &Drive<'_>, &mut Counts) -> bool,
    ) -> bool {
        let rail = levels.supply;
        let counts = &mut self.counts;
        let mut main = feed.main;
        if levels.overdriven {
            let bias = self.input.driver(0).bias(rail);
            let bus = feed.main.map(|v| bias + levels.drive * v);
            if !solve(&mut self.input, &Drive { bus: &[bus], sweep: &[[0.0; 3]], rail }, counts) {
                return false;
            }
            main = self.input.bank_current(0, 0).map(|i| i * self.board.input.output);
        }
        let zero = [0.0; 3];
        let own = [&zero, &feed.jacks[0], &feed.jacks[1]];
        let bias: [f64; 3] = std::array::from_fn(|n| self.board.stages()[n].driver.bias * rail);
        let bus = |n: usize, linked: &Nodes, link: f64| -> Nodes {
            std::array::from_fn(|m| {
                bias[n]
                    + levels.main[n] * main[m]
                    + levels.own[n] * own[n][m]
                    + levels.pulse[n] * feed.pulse[m]
                    + link * linked[m]
            })
        };
        let joined = self.groups.len() == 2;
        let first = bus(0, &zero, 0.0);
        if joined {
            let second = bus(1, &zero, 0.0);
            let group = &mut self.groups[0];
            group.set_link(levels.link[0]);
            let drive = Drive { bus: &[first, second], sweep: &feed.sweep[..2], rail };
            if !solve(group, &drive, counts) {
                return false;
            }
        } else {
            if !solve(&mut self.groups[0], &Drive { bus: &[first], sweep: &feed.sweep[..1], rail }, counts) {
                return false;
            }
            let second = bus(1, self.groups[0].tap(0), levels.link[0]);
            if !solve(&mut self.groups[1], &Drive { bus: &[second], sweep: &feed.sweep[1..2], rail }, counts) {
                return false;
            }
        }
        let followed = &self.groups[usize::from(!joined)];
        let out = followed.follower().map_or(zero, |follower| *follower.out());
        let third = bus(2, &self.output.through(&out, level), levels.link[1]);
        let last = self.groups.len() - 1;
        solve(&mut self.groups[last], &Drive { bus: &[third], sweep: &feed.sweep[2..], rail }, counts)
    }

    /// Moves every state to the end of the step that was solved.
    #[inline]
    fn keep(&mut self, feed: &Feed, levels: &Levels, level: usize) {
        if levels.overdriven {
            self.input.keep();
        }
        let joined = self.groups.len() == 2;
        if let Some(follower) = self.groups[usize::from(!joined)].follower() {
            self.output.keep(follower.out(), level);
        }
        for group in &mut self.groups {
            group.keep();
        }
        self.last = [
            feed.main[2],
            feed.jacks[0][2],
            feed.jacks[1][2],
            feed.pulse[2],
            feed.sweep[0][2],
            feed.sweep[1][2],
            feed.sweep[2][2],
        ];
    }
}

/// The overdriven input as a stage without a coil: its load is the core, its treble cut the fixed capacitor, and its output
/// coupling the one bank position, always closed through the output resistor.
fn input_stage(board: &Board, celsius: f64, step: f64) -> Group {
    let part = &board.input;
    let tank = Tank {
        coil: None,
        core: part.load,
        fixed: part.treble_cut,
        bank: Bank {
            kind: BankKind::Parallel,
            capacitors: vec![part.coupling],
            on: part.output,
            off: part.output,
            charge: 0.0,
        },
        sweep: None,
        divider: None,
    };
    Group::new(&[(Driver::new(&part.driver, celsius), tank, None)], 0.0, None, celsius, step)
}

/// The follower's output capacitor into its level resistor, behind a buffer.
#[derive(Clone, Debug)]
struct OutputCapacitor {
    farads: f64,
    siemens: f64,
    volts: f64,
    replies: [Reply; LEVELS],
}

impl OutputCapacitor {
    fn new(farads: f64, ohms: f64, step: f64) -> Self {
        let siemens = 1.0 / ohms;
        let reply = Reply::of(farads, siemens, step);
        let mut capacitor = Self { farads, siemens, volts: 0.0, replies: [reply; LEVELS] };
        capacitor.set_step(step);
        capacitor
    }

    fn set_step(&mut self, step: f64) {
        for (level, reply) in self.replies.iter_mut().enumerate() {
            *reply = Reply::of(self.farads, self.siemens, step / f64::from(1u32 << (2 * level)));
        }
    }

    /// Voltage across the level resistor at the nodes.
    #[inline]
    fn through(&self, out: &Nodes, level: usize) -> Nodes {
        let held = self.replies[level].at(self.volts, out);
        std::array::from_fn(|m| out[m] - held[m])
    }

    #[inline]
    fn keep(&mut self, out: &Nodes, level: usize) {
        let reply = &self.replies[level];
        let row = &reply.follow[2];
        self.volts = reply.stay[2] * self.volts + row[0] * out[0] + row[1] * out[1] + row[2] * out[2];
    }
}

#[cfg(test)]
#[path = "chain_tests.rs"]
mod tests;
