//! What stands about one chain: its switches and exciters before it, its way down to the host's rate behind it.
//!
//! ```text
//!   lines ──► switching ──────────────┐
//!   drives ─► exciter, or one a stage ┼─► chain n of the engine ──► decimator: pulse, taps 1–3
//!   sweeps ───────────────────────────┘
//! ```

use crate::board::Board;
use crate::controls::Controls;
use crate::engine::Engine;
use crate::exciter::{Drive, Exciter};
use crate::feed::{Feed, Feeds, PULSES, SWEEPS};
use crate::oversample::Decimator;
use crate::pace::LEVELS;
use crate::radau;
use crate::switching::{Switching, Treatment};

#[derive(Clone, Debug)]
pub(super) struct Voice {
    /// Its chain's number.
    chain: usize,
    switching: [Switching; 3],
    /// Only the first runs while the stages share it.
    exciters: [Exciter; 3],
    apart: bool,
    drives: [Drive; 3],
    /// Gate voltages of the sweeps at the end of the last frame.
    sweeps: [f64; 3],
    pub(super) down: Decimator,
}

impl Voice {
    pub(super) fn new(chain: usize, board: &Board, controls: &Controls, internal_rate_hz: f64) -> Self {
        Self {
            chain,
            switching: board.stages().map(|stage| Switching::new(board, stage)),
            exciters: std::array::from_fn(|_| Exciter::new(&board.exciter, internal_rate_hz)),
            apart: false,
            drives: controls.exciters(chain),
            sweeps: controls.sweeps(chain),
            down: Decimator::new(),
        }
    }

    /// Where lines and exciters stand by now. Exciters that part go on from where the one of them all is.
    pub(super) fn look_up(&mut self, controls: &Controls, feeds: &mut Feeds) {
        self.drives = controls.exciters(self.chain);
        let apart = controls.by_stage();
        if apart != self.apart {
            let [first, others @ ..] = &mut self.exciters;
            others.fill(first.clone());
            feeds.part(apart);
            self.apart = apart;
        }
        self.want_codes(controls);
    }

    #[inline]
    pub(super) fn want_codes(&mut self, controls: &Controls) {
        for (switching, code) in self.switching.iter_mut().zip(controls.lines(self.chain).codes()) {
            switching.want(code);
        }
    }

    #[inline]
    pub(super) fn is_idle(&self, treatment: Treatment) -> bool {
        self.switching.iter().all(|switching| switching.is_idle(treatment))
    }

    /// What reaches the chain besides audio in a frame of `steps` on the grid: pulses, of the first of which the decimator hears
    /// too, and the sweeps, which end at `sweeps`.
    #[inline]
    pub(super) fn feed(&mut self, feeds: &mut Feeds, sweeps: [f64; 3], steps: usize) {
        let (exciters, drives, down) = (&mut self.exciters, &self.drives, &mut self.down);
        feeds.next(PULSES, |nodes| {
            let moves = exciters[0].frame(&drives[0], nodes);
            if moves {
                let level = steps.ilog2() as usize;
                for (k, step) in nodes.as_chunks::<3>().0.iter().enumerate() {
                    down.take(0, k << (LEVELS - 1 - level), level, step);
                }
            } else {
                down.hold(0);
            }
            moves
        });
        if self.apart {
            for stage in 1..3 {
                feeds.next(PULSES + stage, |nodes| exciters[stage].frame(&drives[stage], nodes));
            }
        }
        for stage in 0..3 {
            let (from, to) = (self.sweeps[stage], sweeps[stage]);
            feeds.next(SWEEPS + stage, |nodes| {
                if from == to {
                    return false;
                }
                for (k, step) in nodes.as_chunks_mut::<3>().0.iter_mut().enumerate() {
                    *step = radau::C.map(|c| from + (to - from) * (k as f64 + c) / steps as f64);
                }
                true
            });
        }
        self.sweeps = sweeps;
    }

    /// What the switches do at the start of a step of the grid, `step` seconds long.
    pub(super) fn switch(&mut self, engine: &mut Engine, controls: &mut Controls, treatment: Treatment, step: f64) {
        let chain = self.chain;
        for (stage, switching) in self.switching.iter_mut().enumerate() {
            let late = controls.take_late(chain, stage);
            let edge = switching.advance(treatment, engine.state(chain, stage).volts, step);
            if edge.changed {
                engine.switch(chain, stage, switching.siemens(), if edge.hard { late } else { 0.0 });
            }
            if edge.hard {
                engine.inject(chain, stage, edge.charge);
                self.down.jump(1 + stage, engine.state(chain, stage).volts);
                engine.edge();
            }
        }
    }

    /// Switches and sweeps stand where they are set, at once; silence besides.
    pub(super) fn rest(&mut self, engine: &mut Engine, controls: &Controls, treatment: Treatment) {
        self.sweeps = controls.sweeps(self.chain);
        self.arrive(engine, controls, treatment, |_| 0.0);
    }

    /// The chain stands at its operating point.
    pub(super) fn settle(&mut self, engine: &mut Engine, controls: &Controls, treatment: Treatment) {
        let taps = self.taps(engine);
        self.arrive(engine, controls, treatment, |stage| taps[stage]);
        for exciter in &mut self.exciters {
            exciter.reset();
        }
        self.down.settle(lanes(taps));
    }

    fn arrive(&mut self, engine: &mut Engine, controls: &Controls, treatment: Treatment, volts: impl Fn(usize) -> f64) {
        let codes = controls.lines(self.chain).codes();
        for (stage, (switching, code)) in self.switching.iter_mut().zip(codes).enumerate() {
            switching.rest(code, treatment, volts(stage));
            engine.switch(self.chain, stage, switching.siemens(), 0.0);
        }
    }

    /// Silence, and the sweeps where they stand.
    pub(super) fn feed_at_rest(&self) -> Feed {
        Feed { sweep: self.sweeps.map(|gate| [gate; 3]), ..Feed::default() }
    }

    /// A frame in which the chain is held: it stays where it was, or after a step of the rest at where that led.
    #[inline]
    pub(super) fn hold(&mut self, engine: &Engine, stepped: bool) {
        for stage in 0..3 {
            if stepped {
                self.down.take(1 + stage, 0, 0, &[engine.state(self.chain, stage).volts; 3]);
            } else {
                self.down.hold(1 + stage);
            }
        }
    }

    /// Tank voltages at the end of the last step.
    #[inline]
    pub(super) fn taps(&self, engine: &Engine) -> [f64; 3] {
        std::array::from_fn(|stage| engine.state(self.chain, stage).volts)
    }
}

/// Lanes of a decimator whose taps rest here, and no pulse.
pub(super) fn lanes(taps: [f64; 3]) -> [f64; 4] {
    [0.0, taps[0], taps[1], taps[2]]
}
