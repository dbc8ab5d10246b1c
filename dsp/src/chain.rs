//! The chain: overdriven input, stage 1, stage 2, follower, stage 3, one internal step at a time.
//!
//! ```text
//!   main ─┬─ straight ───┬─► stage 1 ──► stage 2 ──► follower ──► stage 3
//!         └─ overdriven ─┘      ╘══ C12 ══╛
//! ```
//! Signal goes one way, except through C12: then stages 1 and 2 are solved as one. How long a step may be is the [`Pace`]'s; one
//! in which Newton does not settle is halved, and below the shortest the chain coasts.

use crate::board::{Bank, BankKind, Board};
pub use crate::feed::Feed;
use crate::feed::Feeds;
use crate::follower::Follower;
use crate::pace::{self, Accuracy, LEVELS, Pace, TICKS};
use crate::radau::Nodes;
use crate::stage::{Divider, Drive, Driver, Group, Outcome, Reply, State, Switches, Tank};

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
    /// Steps solved, also those that were taken back.
    pub steps: u64,
    /// Newton iterations, of all stages.
    pub iterations: u64,
    /// Steps that were halved because they were not accurate enough.
    pub refused: u64,
    /// Steps that were halved because Newton did not settle.
    pub cuts: u64,
    /// Steps that ended on the bounded fallback.
    pub fallbacks: u64,
    /// Frames at rest, for which nothing was solved.
    pub rests: u64,
}

/// The chain at one frame rate.
#[derive(Clone, Debug)]
pub struct Chain {
    board: Board,
    input: Group,
    /// Stages 1, 2 and 3; or 1 with 2, and 3.
    groups: Vec<Group>,
    /// The follower's output capacitor: state in volts, and per level its end value's weights.
    output: OutputCapacitor,
    pace: Pace,
    /// Length of a frame, seconds.
    step: f64,
    counts: Counts,
}

impl Chain {
    /// Builds the chain for `rate_hz` frames a second, everything discharged; [`Chain::settle`] finds the operating point.
    pub(crate) fn new(board: &Board, rate_hz: f64, celsius: f64, accuracy: Accuracy) -> Self {
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
            pace: Pace::new(accuracy),
            step,
            counts: Counts::default(),
        };
        let output = [1.0 / board.input.output; 16];
        chain.input.switch(0, &output);
        chain
    }

    /// Lets everything come to rest at the operating point, by steps of growing length; `feed` is what rests on the inputs.
    pub fn settle(&mut self, feed: &Feed, levels: &Levels) {
        let step = self.step;
        let accuracy = std::mem::replace(&mut self.pace, Pace::new(Accuracy::NONE)).accuracy();
        for decade in -6..=9 {
            self.set_step(10f64.powi(decade));
            for _ in 0..2 {
                // The overdriven input rests at its own point whether it is switched in or not.
                self.step(feed, &Levels { overdriven: true, ..*levels });
                self.step(feed, levels);
            }
        }
        // A sweep capacitor behind a channel that is off has no current: its drain rests on the rail.
        for stage in 0..3 {
            let (group, place) = self.place(stage);
            let state = self.groups[group].state_mut(place);
            state.sweep = state.volts;
        }
        self.set_step(step);
        self.pace = Pace::new(accuracy);
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

    /// A new frame begins.
    pub(crate) fn begin_frame(&mut self) {
        self.pace.begin_frame();
    }

    /// An edge comes now: the next step is short.
    pub(crate) fn edge(&mut self) {
        self.pace.edge();
    }

    /// Goes from one tick of the frame to another, in as few steps as the accuracy allows; `take` hears of each its first
    /// tick, its level and the taps at its nodes, volts.
    #[inline]
    pub(crate) fn cover(
        &mut self,
        feeds: &Feeds,
        levels: &Levels,
        ticks: std::ops::Range<usize>,
        mut take: impl FnMut(usize, usize, [&Nodes; 3]),
    ) {
        let mut tick = ticks.start;
        while tick < ticks.end {
            let wanted = self.pace.level(tick, ticks.end);
            let level = self.advance(wanted, |level| feeds.at(tick, level), levels);
            take(tick, level, std::array::from_fn(|stage| self.at_nodes(stage)));
            tick += TICKS >> level;
        }
    }

    /// One whole frame under a feed of its own; shorter steps hear the end of it. For tests and for the operating point.
    pub(crate) fn step(&mut self, feed: &Feed, levels: &Levels) -> [f64; 4] {
        let mut feeds = Feeds::new(1);
        feeds.settle(feed);
        self.begin_frame();
        self.cover(&feeds, levels, 0..TICKS, |_, _, _| {});
        [feed.pulse[2], self.tap(0), self.tap(1), self.tap(2)]
    }

    /// Makes up for frames at rest: one step as long as all but the last, then that one.
    #[cold]
    pub(crate) fn make_up(&mut self, frames: usize, feed: &Feed, levels: &Levels) {
        if frames > 1 {
            let (step, pace) = (self.step, self.pace.clone());
            self.pace = Pace::new(Accuracy::NONE);
            self.set_step(step * (frames - 1) as f64);
            self.step(feed, levels);
            self.set_step(step);
            self.pace = pace;
        }
        self.step(feed, levels);
    }

    /// Voltage across a tank (0–2) at the end of the last step.
    pub fn tap(&self, stage: usize) -> f64 {
        self.state(stage).volts
    }

    /// Voltage across a tank (0–2) at the nodes of the last step.
    fn at_nodes(&self, stage: usize) -> &Nodes {
        let (group, place) = self.place(stage);
        self.groups[group].tap(place)
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

    /// Takes one step of level `level` or, where that will not do, the first part of it; returns the level it took.
    #[inline]
    fn advance(&mut self, mut level: usize, feed: impl Fn(usize) -> Feed, levels: &Levels) -> usize {
        loop {
            let solved = self.solve(&feed(level), levels, level);
            match solved {
                Some(error) if self.pace.refuses(level, error) => self.counts.refused += 1,
                Some(error) => {
                    self.pace.kept(level, error);
                    break;
                }
                None if level + 1 < LEVELS => {
                    self.counts.cuts += 1;
                    self.pace.cut(level);
                }
                None => {
                    self.counts.fallbacks += 1;
                    self.coast(&feed(level), levels, level);
                    self.pace.kept(level, f64::INFINITY);
                    break;
                }
            }
            level += 1;
        }
        self.keep(levels, level);
        level
    }

    /// Solves every stage in signal order; the largest error of a stage, volts, or `None` when one does not settle.
    #[inline]
    fn solve(&mut self, feed: &Feed, levels: &Levels, level: usize) -> Option<f64> {
        self.counts.steps += 1;
        let mut largest = Some(0.0);
        self.run(feed, levels, level, |group, drive, counts| match group.solve(drive, level) {
            Outcome::Settled(iterations, error) => {
                counts.iterations += iterations as u64;
                largest = largest.zip(error).map(|(a, b): (f64, f64)| a.max(b));
                true
            }
            Outcome::Restless => false,
        })
        .then(|| largest.unwrap_or(f64::NAN))
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
    fn keep(&mut self, levels: &Levels, level: usize) {
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
            *reply = Reply::of(self.farads, self.siemens, step * pace::part(level));
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
