//! One chain and what stands about it: its switches and exciters before it, its way down to the host's rate behind it.
//!
//! ```text
//!   lines ──► switching ──────────────┐
//!   drives ─► exciter, or one a stage ┼─► chain ──► decimator: pulse, taps 1–3
//!   sweeps, audio ────────────────────┘
//! ```
//! Several run one after the other, each with steps of its own: pulses rise at other times in each, so that chains side by side
//! would all take every short step that one of them needs. One that is silent rests.

use crate::board::Board;
use crate::chain::{Counts, Levels};
use crate::controls::Controls;
use crate::engine::Engine;
use crate::exciter::{Drive, Exciter};
use crate::feed::{Feed, Feeds, PULSES, SWEEPS};
use crate::knobs::Knob;
use crate::oversample::Decimator;
use crate::pace::{Accuracy, LEVELS};
use crate::processor::Instructions;
use crate::radau;
use crate::rest::Rest;
use crate::stage::State;
use crate::switching::{Switching, Treatment};
use std::ops::Range;

#[derive(Clone, Debug)]
pub(super) struct Voice {
    /// Its number.
    number: usize,
    switching: [Switching; 3],
    /// Seconds by which the edge that each stage's lines have just made comes after its tick.
    late: [f64; 3],
    /// Only the first runs while the stages share it.
    exciters: [Exciter; 3],
    apart: bool,
    drives: [Drive; 3],
    /// Gate voltages of the sweeps at the end of the last frame.
    sweeps: [f64; 3],
    pub(super) feeds: Feeds,
    levels: Levels,
    engine: Engine,
    pub(super) rest: Rest,
    /// Whether anything that was set since the frame before reaches the chain.
    moved: bool,
    /// Whether nothing reaches the chain in this frame that is not as it was in the frame before.
    quiet: bool,
    /// Level of the grid's steps, and seconds of one.
    grid: usize,
    step: f64,
    pub(super) down: Decimator,
}

impl Voice {
    pub(super) fn new(
        number: usize,
        board: &Board,
        controls: &Controls,
        rate_hz: f64,
        instructions: Instructions,
    ) -> Self {
        let factor = controls.settings().quality();
        let internal_rate_hz = rate_hz * factor as f64;
        let celsius = controls.value(Knob::UnitTemperature);
        Self {
            number,
            switching: board.stages().map(|stage| Switching::new(board, stage)),
            late: [0.0; 3],
            exciters: std::array::from_fn(|_| Exciter::new(&board.exciter, internal_rate_hz)),
            apart: false,
            drives: controls.exciters(number),
            sweeps: controls.sweeps(number),
            feeds: Feeds::new(factor),
            levels: controls.levels(number),
            engine: Engine::new(board, rate_hz, celsius, Accuracy::of(factor), instructions),
            rest: Rest::new(rate_hz),
            moved: false,
            quiet: false,
            grid: factor.ilog2() as usize,
            step: 1.0 / internal_rate_hz,
            down: Decimator::new(),
        }
    }

    /// Where everything stands by now. If anything moved that reaches this chain, its rest is over. Exciters that part go on from
    /// where the one of them all is.
    pub(super) fn look_up(&mut self, controls: &mut Controls) {
        let (levels, drives) = (controls.levels(self.number), controls.exciters(self.number));
        let apart = controls.by_stage();
        if (levels, drives, apart) != (self.levels, self.drives, self.apart)
            || controls.sweeps(self.number) != self.sweeps
        {
            // It rested where everything stood before.
            self.wake();
            self.moved = true;
        }
        (self.levels, self.drives) = (levels, drives);
        if apart != self.apart {
            let [first, others @ ..] = &mut self.exciters;
            others.fill(first.clone());
            self.feeds.part(apart);
            self.apart = apart;
        }
        self.want_codes(controls);
    }

    #[inline]
    pub(super) fn want_codes(&mut self, controls: &mut Controls) {
        let codes = controls.lines(self.number).codes();
        let late = controls.take_late(self.number);
        for (stage, switching) in self.switching.iter_mut().enumerate() {
            if switching.want(codes[stage]) {
                self.late[stage] = late[stage];
            }
        }
    }

    /// Another temperature, at which no rest goes on.
    pub(super) fn heat(&mut self, celsius: f64) {
        self.wake();
        self.moved = true;
        self.engine.heat(celsius);
    }

    /// Whether no switch is on its way.
    #[inline]
    fn is_idle(&self, treatment: Treatment) -> bool {
        self.switching.iter().all(|switching| switching.is_idle(treatment))
    }

    /// What reaches the chain besides audio: pulses, of the first of which the decimator hears too, and the sweeps.
    #[inline]
    pub(super) fn feed(&mut self, controls: &Controls) {
        let (exciter, drive, down, level) = (&mut self.exciters[0], &self.drives[0], &mut self.down, self.grid);
        self.feeds.next(PULSES, |nodes| {
            let moves = exciter.frame(drive, nodes);
            if moves {
                for (k, step) in nodes.as_chunks::<3>().0.iter().enumerate() {
                    down.take(0, k << (LEVELS - 1 - level), level, step);
                }
            } else {
                down.hold(0);
            }
            moves
        });
        if self.apart {
            self.feed_apart();
        }
        let sweeps = controls.sweeps(self.number);
        let steps = f64::from(1u32 << self.grid);
        for stage in 0..3 {
            let (from, to) = (self.sweeps[stage], sweeps[stage]);
            self.feeds.next(SWEEPS + stage, |nodes| {
                if from == to {
                    return false;
                }
                for (k, step) in nodes.as_chunks_mut::<3>().0.iter_mut().enumerate() {
                    *step = radau::C.map(|c| from + (to - from) * (k as f64 + c) / steps);
                }
                true
            });
        }
        self.sweeps = sweeps;
    }

    /// The pulses of stages 2 and 3, when they have exciters of their own.
    #[inline(never)]
    fn feed_apart(&mut self) {
        for stage in 1..3 {
            self.feeds.next(PULSES + stage, |nodes| self.exciters[stage].frame(&self.drives[stage], nodes));
        }
    }

    /// A frame begins, in which the chain is held while it rests. `edges`: whether lines may move within it.
    #[inline]
    pub(super) fn begin(&mut self, edges: bool, treatment: Treatment) {
        let moved = std::mem::take(&mut self.moved) || edges;
        let pulses = self.levels.pulse != [0.0; 3];
        self.quiet = !moved && self.feeds.are_still(pulses) && self.is_idle(treatment);
        if !self.quiet {
            self.wake();
        }
        if self.rests() {
            self.hold();
        } else {
            self.engine.begin_frame();
        }
    }

    /// Whether the chain is held in this frame.
    #[inline]
    pub(super) fn rests(&self) -> bool {
        self.rest.is_on()
    }

    /// Solves from one tick of the frame to another, unless it rests; the decimator hears of it.
    #[inline]
    pub(super) fn cover(&mut self, ticks: Range<usize>, treatment: Treatment) {
        if self.rests() {
            return;
        }
        let grid = LEVELS - 1 - self.grid;
        let mut tick = ticks.start;
        while tick < ticks.end {
            if !self.is_idle(treatment) {
                self.switch(treatment);
            }
            // While an edge waits or glides, the switches are looked after at every step of the grid.
            let looked_after = if self.is_idle(treatment) { ticks.end } else { ((tick >> grid) + 1) << grid };
            let end = looked_after.min(ticks.end);
            let down = &mut self.down;
            self.engine.cover(&self.feeds, &self.levels, tick..end, |tick, level, taps| {
                for (stage, nodes) in taps.iter().enumerate() {
                    down.take(1 + stage, tick, level, nodes);
                }
            });
            tick = end;
        }
    }

    /// The frame is over.
    #[inline]
    pub(super) fn end(&mut self) {
        if self.quiet && !self.rests() {
            self.rest.watch(self.taps());
        }
    }

    /// What the switches do at the start of a step of the grid.
    fn switch(&mut self, treatment: Treatment) {
        for (stage, switching) in self.switching.iter_mut().enumerate() {
            let late = std::mem::take(&mut self.late[stage]);
            let edge = switching.advance(treatment, self.engine.state(stage).volts, self.step);
            if edge.changed {
                self.engine.switch(stage, switching.siemens(), if edge.hard { late } else { 0.0 });
            }
            if edge.hard {
                self.engine.inject(stage, edge.charge);
                self.down.jump(1 + stage, self.engine.state(stage).volts);
                self.engine.edge();
            }
        }
    }

    /// Everything stands where it is set, at once, and the chain at its operating point.
    pub(super) fn settle(&mut self, controls: &Controls, treatment: Treatment) {
        self.engine.heat(controls.value(Knob::UnitTemperature));
        self.moved = false;
        self.sweeps = controls.sweeps(self.number);
        self.arrive(controls, treatment);
        let feed = self.feed_at_rest();
        self.rest.reset();
        self.engine.settle(&feed, &self.levels);
        self.feeds.settle(&feed);
        self.exciters.iter_mut().for_each(Exciter::reset);
        self.down.settle(lanes(self.taps()));
    }

    /// The switches stand where the lines have them, at once.
    fn arrive(&mut self, controls: &Controls, treatment: Treatment) {
        let codes = controls.lines(self.number).codes();
        for (stage, (switching, code)) in self.switching.iter_mut().zip(codes).enumerate() {
            switching.rest(code, treatment);
            self.engine.switch(stage, switching.siemens(), 0.0);
        }
    }

    /// The rest is over, if there was one.
    #[inline]
    fn wake(&mut self) {
        let frames = self.rest.end();
        self.make_up(frames);
    }

    /// A frame at rest: the taps stay where they were, or after a step of the rest at where that led.
    #[inline]
    fn hold(&mut self) {
        let frames = self.rest.pass();
        self.make_up(frames);
        for stage in 0..3 {
            if frames > 0 {
                self.down.take(1 + stage, 0, 0, &[self.engine.state(stage).volts; 3]);
            } else {
                self.down.hold(1 + stage);
            }
        }
    }

    /// The chain goes through the frames of rest that have passed.
    #[inline]
    fn make_up(&mut self, frames: usize) {
        if frames > 0 {
            self.engine.make_up(frames, &self.feed_at_rest(), &self.levels);
        }
    }

    /// Silence, and the sweeps where they stand.
    fn feed_at_rest(&self) -> Feed {
        Feed { sweep: self.sweeps.map(|gate| [gate; 3]), ..Feed::default() }
    }

    /// Tank voltages at the end of the last step.
    #[inline]
    pub(super) fn taps(&self) -> [f64; 3] {
        std::array::from_fn(|stage| self.engine.state(stage).volts)
    }

    /// States of a stage (0–2).
    pub(super) fn state(&self, stage: usize) -> State {
        self.engine.state(stage)
    }

    /// What the solver had to do since it settled.
    pub(super) fn counts(&self) -> Counts {
        Counts { rests: self.rest.total(), ..self.engine.counts() }
    }
}

/// Lanes of a decimator whose taps rest here, and no pulse.
pub(super) fn lanes(taps: [f64; 3]) -> [f64; 4] {
    [0.0, taps[0], taps[1], taps[2]]
}
