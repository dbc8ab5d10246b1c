//! The chain for the processor at hand: one program serves them all.

use crate::board::Board;
use crate::chain::{Chain, Counts, Levels};
use crate::feed::{Feed, Feeds};
use crate::lanes::One;
#[cfg(target_arch = "x86_64")]
use crate::lanes::V3;
use crate::pace::Accuracy;
use crate::radau::Nodes;
use crate::stage::{State, Switches};
use std::ops::Range;

/// One chain.
#[derive(Clone, Debug)]
pub(crate) enum Engine {
    Any(Box<Chain<One<wide::f64x4>>>),
    /// Where AVX2 and FMA were found.
    #[cfg(target_arch = "x86_64")]
    V3(Box<Chain<One<V3>>>),
}

/// The same call on whichever chain it is.
macro_rules! either {
    ($engine:expr, $chain:ident => $call:expr) => {
        match $engine {
            Engine::Any($chain) => $call,
            #[cfg(target_arch = "x86_64")]
            Engine::V3($chain) => $call,
        }
    };
}

impl Engine {
    /// See [`Chain::new`].
    pub(crate) fn new(board: &Board, rate_hz: f64, celsius: f64, accuracy: Accuracy) -> Self {
        let boards = std::slice::from_ref(board);
        #[cfg(target_arch = "x86_64")]
        if V3::is_here() {
            return Self::V3(Box::new(Chain::new(boards, rate_hz, celsius, accuracy)));
        }
        Self::Any(Box::new(Chain::new(boards, rate_hz, celsius, accuracy)))
    }

    /// See [`Chain::settle`].
    pub(crate) fn settle(&mut self, feed: &Feed, levels: &Levels) {
        either!(self, chain => chain.settle(feed, levels));
    }

    /// See [`Chain::heat`].
    pub(crate) fn heat(&mut self, celsius: f64) {
        either!(self, chain => chain.heat(celsius));
    }

    /// See [`Chain::switch`].
    pub(crate) fn switch(&mut self, stage: usize, switches: &Switches) {
        either!(self, chain => chain.switch(0, stage, switches));
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

    /// See [`Chain::cover`].
    #[inline]
    pub(crate) fn cover(
        &mut self,
        feeds: &Feeds,
        levels: &Levels,
        ticks: Range<usize>,
        mut take: impl FnMut(usize, usize, &[Nodes; 3]),
    ) {
        let feeds = std::slice::from_ref(feeds);
        either!(self, chain => chain.cover(feeds, levels, ticks, |tick, level, taps| take(tick, level, &taps[0])));
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
