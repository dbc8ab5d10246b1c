//! The chain for the processor at hand: one program serves them all.

use crate::board::Board;
use crate::chain::{Chain, Counts, Levels, Taps};
use crate::feed::{Feed, Feeds};
use crate::lanes::One;
#[cfg(target_arch = "x86_64")]
use crate::lanes::{Four, V3};
use crate::pace::Accuracy;
use crate::processor::Instructions;
use crate::stage::{State, Switches};
use std::ops::Range;
use std::slice::from_ref;
use wide::f64x4;

/// One chain.
#[derive(Clone, Debug)]
pub(crate) enum Engine {
    Common(Box<Chain<One<f64x4>>>),
    #[cfg(target_arch = "x86_64")]
    V3(Box<Chain<One<V3>>>),
}

/// The same call on whichever chain it is.
macro_rules! either {
    ($engine:expr, $chain:ident => $call:expr) => {
        match $engine {
            Engine::Common($chain) => $call,
            #[cfg(target_arch = "x86_64")]
            Engine::V3($chain) => $call,
        }
    };
}

impl Engine {
    /// See [`Chain::new`].
    pub(crate) fn new(
        board: &Board,
        rate_hz: f64,
        celsius: f64,
        accuracy: Accuracy,
        instructions: Instructions,
    ) -> Self {
        #[cfg(target_arch = "x86_64")]
        if instructions.are_v3() {
            return Self::V3(Box::new(Chain::new(from_ref(board), rate_hz, celsius, accuracy)));
        }
        Self::Common(Box::new(Chain::new(from_ref(board), rate_hz, celsius, accuracy)))
    }

    /// See [`Chain::settle`].
    pub(crate) fn settle(&mut self, feed: &Feed, levels: &Levels) {
        either!(self, chain => chain.settle(from_ref(feed), from_ref(levels)));
    }

    /// See [`Chain::make_up`].
    pub(crate) fn make_up(&mut self, frames: usize, feed: &Feed, levels: &Levels) {
        either!(self, chain => chain.make_up(frames, from_ref(feed), from_ref(levels)));
    }

    /// See [`Chain::heat`].
    pub(crate) fn heat(&mut self, celsius: f64) {
        either!(self, chain => chain.heat(celsius));
    }

    /// See [`Chain::switch`].
    pub(crate) fn switch(&mut self, stage: usize, switches: &Switches, late: f64) {
        either!(self, chain => chain.switch(0, stage, switches, late));
    }

    /// See [`Chain::inject`].
    pub(crate) fn inject(&mut self, stage: usize, coulombs: f64) {
        either!(self, chain => chain.inject(0, stage, coulombs));
    }

    /// See [`Chain::begin_frame`].
    pub(crate) fn begin_frame(&mut self) {
        either!(self, chain => chain.begin_frame());
    }

    /// See [`Chain::edge`].
    pub(crate) fn edge(&mut self) {
        either!(self, chain => chain.edge());
    }

    /// See [`Chain::cover`]; `take` hears of each step its first tick, its level and the taps.
    #[inline]
    pub(crate) fn cover(
        &mut self,
        feeds: &Feeds,
        levels: &Levels,
        ticks: Range<usize>,
        mut take: impl FnMut(usize, usize, &Taps),
    ) {
        either!(self, chain => chain.cover(from_ref(feeds), from_ref(levels), ticks, |tick, level, taps| {
            take(tick, level, &taps[0]);
        }));
    }

    /// See [`Chain::state`].
    pub(crate) fn state(&self, stage: usize) -> State {
        either!(self, chain => chain.state(0, stage))
    }

    /// See [`Chain::counts`].
    pub(crate) fn counts(&self) -> Counts {
        either!(self, chain => chain.counts())
    }
}

/// Four chains that share levels. In wide registers they stand side by side and take the same steps; where there are none, each
/// runs alone, which is faster there.
#[derive(Clone, Debug)]
pub(crate) enum FourEngine {
    Each(Vec<Engine>),
    #[cfg(target_arch = "x86_64")]
    V3(Box<Chain<Four<V3>>>),
}

impl FourEngine {
    /// See [`Chain::new`].
    pub(crate) fn new(
        boards: &[Board; 4],
        rate_hz: f64,
        celsius: f64,
        accuracy: Accuracy,
        instructions: Instructions,
    ) -> Self {
        #[cfg(target_arch = "x86_64")]
        if instructions.are_v3() {
            return Self::V3(Box::new(Chain::new(boards, rate_hz, celsius, accuracy)));
        }
        let alone = |board| Engine::new(board, rate_hz, celsius, accuracy, instructions);
        Self::Each(boards.iter().map(alone).collect())
    }

    /// See [`Chain::settle`]; the same rests on all inputs.
    pub(crate) fn settle(&mut self, feed: &Feed, levels: &Levels) {
        match self {
            Self::Each(chains) => chains.iter_mut().for_each(|chain| chain.settle(feed, levels)),
            #[cfg(target_arch = "x86_64")]
            Self::V3(four) => four.settle(from_ref(feed), from_ref(levels)),
        }
    }

    /// See [`Chain::switch`].
    pub(crate) fn switch(&mut self, chain: usize, stage: usize, switches: &Switches, late: f64) {
        match self {
            Self::Each(chains) => chains[chain].switch(stage, switches, late),
            #[cfg(target_arch = "x86_64")]
            Self::V3(four) => four.switch(chain, stage, switches, late),
        }
    }

    /// See [`Chain::inject`].
    pub(crate) fn inject(&mut self, chain: usize, stage: usize, coulombs: f64) {
        match self {
            Self::Each(chains) => chains[chain].inject(stage, coulombs),
            #[cfg(target_arch = "x86_64")]
            Self::V3(four) => four.inject(chain, stage, coulombs),
        }
    }

    /// See [`Chain::begin_frame`].
    pub(crate) fn begin_frame(&mut self) {
        match self {
            Self::Each(chains) => chains.iter_mut().for_each(Engine::begin_frame),
            #[cfg(target_arch = "x86_64")]
            Self::V3(four) => four.begin_frame(),
        }
    }

    /// See [`Chain::edge`]; of one chain, where it is alone.
    pub(crate) fn edge(&mut self, chain: usize) {
        match self {
            Self::Each(chains) => chains[chain].edge(),
            #[cfg(target_arch = "x86_64")]
            Self::V3(four) => four.edge(),
        }
    }

    /// See [`Chain::cover`]; there is a feed for every chain. `take` hears the chain, the step's first tick, its level and the
    /// taps.
    #[inline]
    pub(crate) fn cover(
        &mut self,
        feeds: &[Feeds; 4],
        levels: &Levels,
        ticks: Range<usize>,
        mut take: impl FnMut(usize, usize, usize, &Taps),
    ) {
        match self {
            Self::Each(chains) => {
                for (n, (chain, feeds)) in chains.iter_mut().zip(feeds).enumerate() {
                    chain.cover(feeds, levels, ticks.clone(), |tick, level, taps| take(n, tick, level, taps));
                }
            }
            #[cfg(target_arch = "x86_64")]
            Self::V3(four) => four.cover(feeds, from_ref(levels), ticks, |tick, level, taps| {
                for (n, taps) in taps.iter().enumerate() {
                    take(n, tick, level, taps);
                }
            }),
        }
    }

    /// See [`Chain::state`].
    pub(crate) fn state(&self, chain: usize, stage: usize) -> State {
        match self {
            Self::Each(chains) => chains[chain].state(stage),
            #[cfg(target_arch = "x86_64")]
            Self::V3(four) => four.state(chain, stage),
        }
    }

    /// See [`Chain::counts`]; of all chains that step by themselves.
    pub(crate) fn counts(&self) -> Counts {
        match self {
            Self::Each(chains) => chains.iter().map(Engine::counts).sum(),
            #[cfg(target_arch = "x86_64")]
            Self::V3(four) => four.counts(),
        }
    }
}
