//! Four chains side by side in less time than four take: four boards, four inputs, one set of knobs.
//!
//! ```text
//!   main 1 ─┐            ┌─► taps 1–3 of chain 1
//!   main 2 ─┤ ×M ─► four │   …
//!   main 3 ─┤     chains │   …
//!   main 4 ─┘            └─► taps 1–3 of chain 4
//! ```
//! For two sides with tolerances of their own, and for trying several boards at once. Knobs stand where they stood
//! when it was built; codes are each chain's own. In wide registers all chains take the same steps, as long as the most
//! demanding allows; elsewhere each takes its own.

use crate::board::Board;
use crate::chain::{Counts, Levels};
use crate::controls::Controls;
use crate::engine::FourEngine;
use crate::feed::{Feed, Feeds};
use crate::instrument::RateError;
use crate::knobs::{Knob, Settings};
use crate::oversample::{Decimator, Upsampler};
use crate::pace::{Accuracy, TICKS};
use crate::processor::Instructions;
use crate::switching::{Switching, Treatment};

/// Chains in a quartet.
pub const CHAINS: usize = 4;

/// Four chains.
#[derive(Clone, Debug)]
pub struct Quartet {
    engine: FourEngine,
    switching: [[Switching; 3]; CHAINS],
    /// Of two chains each.
    up: [Upsampler; 2],
    feeds: [Feeds; CHAINS],
    /// By stage; a lane for each chain.
    down: [Decimator; 3],
    levels: Levels,
    factor: usize,
}

impl Quartet {
    /// Builds four boards at their DC operating points, every line open. They have the same parts in the same places, of
    /// whatever values. Allocates; nothing after it does.
    ///
    /// # Errors
    /// A rate outside 8 kHz to 768 kHz.
    pub fn new(boards: &[Board; CHAINS], settings: &Settings, rate_hz: f64) -> Result<Self, RateError> {
        Self::with(boards, settings, rate_hz, Instructions::Widest)
    }

    /// The same, on the instructions asked for.
    ///
    /// # Errors
    /// A rate outside 8 kHz to 768 kHz.
    pub fn with(
        boards: &[Board; CHAINS],
        settings: &Settings,
        rate_hz: f64,
        instructions: Instructions,
    ) -> Result<Self, RateError> {
        RateError::check(rate_hz)?;
        let factor = settings.quality();
        let controls = Controls::new(&boards[0], settings, rate_hz);
        let (celsius, accuracy) = (settings.get(Knob::UnitTemperature), Accuracy::of(factor));
        let mut quartet = Self {
            engine: FourEngine::new(boards, rate_hz, celsius, accuracy, instructions),
            switching: boards.each_ref().map(|board| board.stages().map(|stage| Switching::new(board, stage))),
            up: std::array::from_fn(|_| Upsampler::new(factor)),
            feeds: std::array::from_fn(|_| Feeds::new(factor)),
            down: std::array::from_fn(|_| Decimator::new()),
            levels: controls.levels(0),
            factor,
        };
        for chain in 0..CHAINS {
            for stage in 0..3 {
                quartet.engine.switch(chain, stage, quartet.switching[chain][stage].siemens(), 0.0);
            }
        }
        let feed = Feed { sweep: controls.sweeps(0).map(|gate| [gate; 3]), ..Feed::default() };
        quartet.engine.settle(&feed, &quartet.levels);
        for feeds in &mut quartet.feeds {
            feeds.settle(&feed);
        }
        for (stage, down) in quartet.down.iter_mut().enumerate() {
            down.settle(std::array::from_fn(|chain| quartet.engine.state(chain, stage).volts));
        }
        Ok(quartet)
    }

    /// Frames by which everything comes out late.
    pub fn latency(&self) -> usize {
        self.up[0].latency_frames() + Decimator::LATENCY
    }

    /// Sets the code of one chain's stage (0–2), from the frame that is solved next: unlike audio, it is not late by the way up.
    ///
    /// # Panics
    /// A chain or stage that there is not.
    pub fn set_code(&mut self, chain: usize, stage: usize, code: u8) {
        let switching = &mut self.switching[chain][stage];
        switching.want(code);
        let edge = switching.advance(Treatment::default(), 0.0, 0.0);
        if edge.changed {
            self.engine.switch(chain, stage, switching.siemens(), 0.0);
        }
        if edge.hard {
            self.engine.inject(chain, stage, edge.charge);
            self.down[stage].jump(chain, self.engine.state(chain, stage).volts);
            self.engine.edge(chain);
        }
    }

    /// One frame: main in of every chain; its three taps, volts.
    #[inline]
    pub fn tick(&mut self, main: [f64; CHAINS]) -> [[f64; 3]; CHAINS] {
        for (chain, feeds) in self.feeds.iter_mut().enumerate() {
            feeds.next(0, |nodes| self.up[chain / 2].push(chain % 2, main[chain], nodes));
        }
        self.engine.begin_frame();
        self.engine.cover(&self.feeds, &self.levels, 0..TICKS, |chain, tick, level, taps| {
            for (down, nodes) in self.down.iter_mut().zip(taps) {
                down.take(chain, tick, level, nodes);
            }
        });
        let taps = self.down.each_mut().map(Decimator::pull);
        std::array::from_fn(|chain| taps.map(|lanes| lanes[chain]))
    }

    /// What the solver had to do.
    pub fn counts(&self) -> Counts {
        self.engine.counts()
    }

    /// Oversampling factor.
    pub fn quality(&self) -> usize {
        self.factor
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::instrument::{Input, Instrument};
    use crate::lines::{Line, Source};

    /// Four boards that differ by a few percent.
    fn boards() -> [Board; CHAINS] {
        std::array::from_fn(|n| {
            let mut board = Board::built_in();
            let part = 1.0 + 0.03 * n as f64;
            board.stage1.coil.inductance *= part;
            board.stage2.fixed /= part;
            board.stage3.driver.transistor.saturation *= part;
            for farads in &mut board.stage2.bank.capacitors {
                *farads *= part;
            }
            board
        })
    }

    fn sound(chain: usize, n: usize) -> f64 {
        let t = n as f64 / 48e3;
        let hertz = 110.0 * (chain + 2) as f64;
        (chain + 1) as f64
            * ((std::f64::consts::TAU * hertz * t).sin() + 0.5 * (std::f64::consts::TAU * 3.1 * hertz * t).sin())
    }

    /// Each chain of a quartet against an instrument of its own: the same taps, as far as both solve the circuit; on any
    /// processor and on this one, with codes that change in one chain only.
    #[test]
    fn a_chain_of_a_quartet_is_what_it_is_alone() {
        let boards = boards();
        let mut settings = Settings::of(&boards[0]);
        settings.set(Knob::Stage1Main, 0.4);
        settings.set(Knob::Stage2Sweep, 1.1);
        settings.set(Knob::UnitQuality, 4.0);
        for instructions in [Instructions::Widest, Instructions::Common] {
            let mut quartet = Quartet::with(&boards, &settings, 48e3, instructions).unwrap();
            let mut alone =
                boards.each_ref().map(|board| Instrument::with(board, &settings, 48e3, instructions).unwrap());
            let late = alone[0].latency() - quartet.latency();
            let up = quartet.up[0].latency_frames();
            let (mut error, mut signal) = ([0.0; CHAINS], [0.0; CHAINS]);
            let mut past = vec![[[0.0; 3]; CHAINS]; 0];
            for n in 0..6000 {
                if n == 2000 {
                    alone[2].gate(Source::Score, Line::of_stage(0, 1), true);
                }
                if n == 2000 + up {
                    quartet.set_code(2, 0, 0b0010);
                }
                past.push(quartet.tick(std::array::from_fn(|chain| sound(chain, n))));
                for (chain, unit) in alone.iter_mut().enumerate() {
                    let out = unit.tick(Input { main: [sound(chain, n); 2], ..Input::default() });
                    if n >= 500 {
                        for tap in 0..3 {
                            error[chain] += (out.taps[tap] - past[n - late][chain][tap]).powi(2);
                            signal[chain] += out.taps[tap].powi(2);
                        }
                    }
                }
            }
            for chain in 0..CHAINS {
                let db = 10.0 * f64::log10(error[chain] / signal[chain]);
                println!("chain {chain}: {db:.1} dB");
                assert!(db < -100.0, "chain {chain}: {db} dB");
            }
            assert_eq!(quartet.counts().fallbacks, 0);
        }
    }
}
