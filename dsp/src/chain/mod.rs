//! The chain: overdriven input, stage 1, stage 2, follower, stage 3, one internal step at a time.
//!
//! ```text
//!   main ─┬─ straight ───┬─► stage 1 ──► stage 2 ──► follower ──► stage 3
//!         └─ overdriven ─┘      ╘══ C12 ══╛
//! ```
//! Signal goes one way, except through C12: then stages 1 and 2 are solved as one. How long a step may be is the [`Pace`]'s; one
//! in which Newton does not settle is halved, and below the shortest the chain coasts.

use crate::board::Board;
use crate::feed::{Feed, Feeds};
use crate::lanes::{Course, MOST_CHAINS, Task};
use crate::pace::{Accuracy, Pace, TICKS};
use crate::radau::Nodes;
use crate::stage::{Divider, Drive, Group, Outcome, Parts, State, Switches, Tank};
use output::OutputCapacitor;
use std::ops::Range;

mod input;
mod output;
mod settle;

/// One chain's taps at the nodes of a step, volts.
pub(crate) type Taps = [Nodes; 3];

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
    /// Pulse on each stage's bus; of several chains side by side each has its own.
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

impl std::iter::Sum for Counts {
    fn sum<I: Iterator<Item = Self>>(counts: I) -> Self {
        counts.fold(Self::default(), |a, b| Self {
            steps: a.steps + b.steps,
            iterations: a.iterations + b.iterations,
            refused: a.refused + b.refused,
            cuts: a.cuts + b.cuts,
            fallbacks: a.fallbacks + b.fallbacks,
            rests: a.rests + b.rests,
        })
    }
}

/// The chain at one frame rate; several, side by side, that share knobs and steps but not parts, switches and inputs.
#[derive(Clone, Debug)]
pub(crate) struct Chain<C: Course> {
    boards: Vec<Board>,
    followers: Vec<crate::board::Follower>,
    input: Group<C>,
    /// Stages 1, 2 and 3; or 1 with 2, and 3.
    groups: Vec<Group<C>>,
    /// Bias of each stage's bus and of the overdriven input per volt of the supply.
    bias: [C; 4],
    /// Output resistor of the overdriven input, ohms.
    input_output: C,
    /// The follower's output capacitor into its level resistor.
    output: OutputCapacitor<C>,
    pace: Pace,
    /// Length of a frame, seconds.
    step: f64,
    counts: Counts,
}

impl<C: Course> Chain<C> {
    /// Builds the chains of so many boards for `rate_hz` frames a second, everything discharged; [`Chain::settle`] finds the
    /// operating point. Boards side by side have the same parts in the same places, of whatever values.
    pub(crate) fn new(boards: &[Board], rate_hz: f64, celsius: f64, accuracy: Accuracy) -> Self {
        assert_eq!(boards.len(), C::CHAINS, "a board for every chain");
        let step = 1.0 / rate_hz;
        let stage = |n: usize| -> Vec<Parts> {
            let parts = |board: &Board| {
                let part = board.stages()[n];
                let tank = Tank {
                    coil: Some(part.coil),
                    core: part.coil.core,
                    fixed: part.fixed,
                    bank: part.bank.clone(),
                    sweep: part.sweep.map(|sweep| sweep.capacitor),
                    divider: (n == 1).then(|| Divider::of(&board.follower)),
                };
                Parts { driver: part.driver, tank, sweep: part.sweep }
            };
            boards.iter().map(parts).collect()
        };
        let followers: Vec<_> = boards.iter().map(|board| board.follower).collect();
        let c12: Vec<f64> = boards.iter().map(|board| board.coupling.c12).collect();
        let alone = vec![0.0; boards.len()];
        let last = Group::new(&[stage(2)], alone.clone(), None, celsius, step);
        let groups = if c12.iter().any(|farads| *farads > 0.0) {
            vec![Group::new(&[stage(0), stage(1)], c12, Some(&followers), celsius, step), last]
        } else {
            let first = Group::new(&[stage(0)], alone.clone(), None, celsius, step);
            vec![first, Group::new(&[stage(1)], alone, Some(&followers), celsius, step), last]
        };
        let bias = |of: fn(&Board) -> f64| C::each(C::lane(|n| of(&boards[n])));
        let mut chain = Self {
            input: input::stage(boards, celsius, step),
            groups,
            bias: [
                bias(|board| board.stage1.driver.bias),
                bias(|board| board.stage2.driver.bias),
                bias(|board| board.stage3.driver.bias),
                bias(|board| board.input.driver.bias),
            ],
            input_output: bias(|board| board.input.output),
            output: OutputCapacitor::new(boards, step),
            boards: boards.to_vec(),
            followers,
            pace: Pace::new(accuracy),
            step,
            counts: Counts::default(),
        };
        for (n, board) in boards.iter().enumerate() {
            chain.input.switch(n, 0, &[1.0 / board.input.output; 16], 0.0);
        }
        chain
    }

    fn set_step(&mut self, step: f64) {
        self.step = step;
        self.input.set_step(step);
        for group in &mut self.groups {
            group.set_step(step);
        }
        self.output.set_step(&self.boards, step);
    }

    /// Takes another temperature.
    pub(crate) fn heat(&mut self, celsius: f64) {
        self.input.heat(&self.followers, celsius);
        for group in &mut self.groups {
            group.heat(&self.followers, celsius);
        }
    }

    /// Sets the switches of one chain's stage (0–2), siemens by position, as if it were done `late` seconds from now.
    pub(crate) fn switch(&mut self, chain: usize, stage: usize, switches: &Switches, late: f64) {
        let (group, place) = self.place(stage);
        self.groups[group].switch(chain, place, switches, late);
    }

    /// Pushes charge into one chain's tank (0–2) during the coming step, coulombs.
    pub(crate) fn inject(&mut self, chain: usize, stage: usize, coulombs: f64) {
        let (group, place) = self.place(stage);
        self.groups[group].inject(chain, place, coulombs);
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
    /// tick, its level and the taps at its nodes, by chain, volts. There are a feed and levels for every chain, or one for
    /// all; but for the pulses, all levels are as the first.
    #[inline(always)]
    pub(crate) fn cover(
        &mut self,
        feeds: &[Feeds],
        levels: &[Levels],
        ticks: Range<usize>,
        take: impl FnMut(usize, usize, &[Taps]),
    ) {
        C::with(Cover(self, feeds, levels, ticks, take));
    }

    #[inline(always)]
    fn go(
        &mut self,
        feeds: &[Feeds],
        levels: &[Levels],
        ticks: Range<usize>,
        mut take: impl FnMut(usize, usize, &[Taps]),
    ) {
        let mut tick = ticks.start;
        while tick < ticks.end {
            let wanted = self.pace.level(tick, ticks.end);
            let level = self.advance(wanted, feeds, tick, levels);
            let taps = [self.at_nodes(0).nodes(), self.at_nodes(1).nodes(), self.at_nodes(2).nodes()];
            let mut all = [[[0.0; 3]; 3]; MOST_CHAINS];
            for (chain, of) in all.iter_mut().enumerate().take(C::CHAINS) {
                for stage in 0..3 {
                    let [a, b, c] = taps[stage];
                    of[stage] = [C::chain(a, chain), C::chain(b, chain), C::chain(c, chain)];
                }
            }
            take(tick, level, &all[..C::CHAINS]);
            tick += TICKS >> level;
        }
    }

    /// One whole frame in which nothing moves that reaches the chains.
    pub(crate) fn step(&mut self, feeds: &[Feed], levels: &[Levels]) {
        let still: [Feeds; MOST_CHAINS] = std::array::from_fn(|n| {
            let mut still = Feeds::new(1);
            still.part(true);
            still.settle(of_chain(feeds, n));
            still
        });
        self.begin_frame();
        self.cover(&still, levels, 0..TICKS, |_, _, _| {});
    }

    /// Makes up for frames at rest: one step as long as all but the last, then that one.
    #[cold]
    pub(crate) fn make_up(&mut self, frames: usize, feeds: &[Feed], levels: &[Levels]) {
        if frames > 1 {
            let (step, pace) = (self.step, self.pace.clone());
            self.pace = Pace::new(Accuracy::NONE);
            self.set_step(step * (frames - 1) as f64);
            self.step(feeds, levels);
            self.set_step(step);
            self.pace = pace;
        }
        self.step(feeds, levels);
    }

    /// Voltage across a tank (0–2) at the nodes of the last step.
    #[inline(always)]
    fn at_nodes(&self, stage: usize) -> C {
        let (group, place) = self.place(stage);
        self.groups[group].tap(place)
    }

    /// The states of one chain's stage (0–2).
    pub(crate) fn state(&self, chain: usize, stage: usize) -> State {
        let (group, place) = self.place(stage);
        self.groups[group].state(place).chain::<C>(chain)
    }

    /// What the solver had to do since the operating point.
    pub(crate) fn counts(&self) -> Counts {
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
    #[inline(always)]
    fn advance(&mut self, mut level: usize, feeds: &[Feeds], tick: usize, levels: &[Levels]) -> usize {
        loop {
            let feed = if C::CHAINS == 1 {
                Feed::gather(&[feeds[0].at(tick, level)])
            } else {
                let each: [Feed; MOST_CHAINS] = std::array::from_fn(|n| of_chain(feeds, n).at(tick, level));
                Feed::gather(&each)
            };
            match self.solve(&feed, levels, level) {
                Some(error) if self.pace.refuses(level, error) => self.counts.refused += 1,
                Some(error) => {
                    self.pace.kept(level, error);
                    break;
                }
                None if self.pace.cuts(level) => self.counts.cuts += 1,
                None => {
                    self.counts.fallbacks += 1;
                    self.coast(&feed, levels, level);
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
    #[inline(always)]
    fn solve(&mut self, feed: &Feed<C>, levels: &[Levels], level: usize) -> Option<f64> {
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
    #[inline(never)]
    fn coast(&mut self, feed: &Feed<C>, levels: &[Levels], level: usize) {
        self.run(feed, levels, level, |group, drive, _| {
            if group.solve(drive, level) == Outcome::Restless {
                group.coast(drive, level);
            }
            true
        });
    }

    #[inline(always)]
    fn run(
        &mut self,
        feed: &Feed<C>,
        levels: &[Levels],
        level: usize,
        mut solve: impl FnMut(&mut Group<C>, &Drive<'_, C>, &mut Counts) -> bool,
    ) -> bool {
        let own_pulse = |stage: usize| C::each(C::lane(|n| of_chain(levels, n).pulse[stage]));
        let pulses = [own_pulse(0), own_pulse(1), own_pulse(2)];
        let levels = &levels[0];
        let rail = C::splat(levels.supply);
        let zero = C::splat(0.0);
        let counts = &mut self.counts;
        let mut main = feed.main;
        if levels.overdriven {
            let bus = self.bias[3].mul_add(rail, main * C::splat(levels.drive));
            if !solve(&mut self.input, &Drive { bus: &[bus], sweep: &[zero], rail }, counts) {
                return false;
            }
            main = self.input.bank_current(0, 0) * self.input_output;
        }
        let own = [zero, feed.jacks[0], feed.jacks[1]];
        let mut bus = [zero; 3];
        for n in 0..3 {
            let heard = C::splat(levels.main[n]).mul_add(main, C::splat(levels.own[n]) * own[n]);
            bus[n] = self.bias[n].mul_add(rail, pulses[n].mul_add(feed.pulse[n], heard));
        }
        let [first, second, third] = bus;
        let links = [C::splat(levels.link[0]), C::splat(levels.link[1])];
        let followed = match &mut self.groups[..] {
            [joined, _] => {
                joined.set_link(levels.link[0]);
                if !solve(joined, &Drive { bus: &[first, second], sweep: &feed.sweep[..2], rail }, counts) {
                    return false;
                }
                joined
            }
            [one, two, _] => {
                if !solve(one, &Drive { bus: &[first], sweep: &feed.sweep[..1], rail }, counts) {
                    return false;
                }
                let second = links[0].mul_add(one.tap(0), second);
                if !solve(two, &Drive { bus: &[second], sweep: &feed.sweep[1..2], rail }, counts) {
                    return false;
                }
                two
            }
            _ => unreachable!("two groups or three"),
        };
        let out = match followed.follower() {
            Some(follower) => follower.out(),
            None => zero,
        };
        let third = links[1].mul_add(self.output.through(out, level), third);
        let last = self.groups.len() - 1;
        solve(&mut self.groups[last], &Drive { bus: &[third], sweep: &feed.sweep[2..], rail }, counts)
    }

    /// Moves every state to the end of the step that was solved.
    #[inline(always)]
    fn keep(&mut self, levels: &[Levels], level: usize) {
        if levels[0].overdriven {
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

/// That of chain n, when there is one for each, or that of all.
#[inline(always)]
fn of_chain<T>(each: &[T], n: usize) -> &T {
    each.get(n).unwrap_or(&each[0])
}

struct Cover<'a, C: Course, T>(&'a mut Chain<C>, &'a [Feeds], &'a [Levels], Range<usize>, T);

impl<C: Course, T: FnMut(usize, usize, &[Taps])> Task for Cover<'_, C, T> {
    type Result = ();
    #[inline(always)]
    fn run(self) {
        self.0.go(self.1, self.2, self.3, self.4);
    }
}

#[cfg(test)]
mod tests;
