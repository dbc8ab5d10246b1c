//! The chain for the processor at hand: one program serves them all.

use crate::board::Board;
use crate::chain::{Chain, Counts, Levels, Taps};
use crate::feed::{Feed, Feeds};
#[cfg(target_arch = "x86_64")]
use crate::lanes::V3;
use crate::lanes::{Four, One};
use crate::pace::Accuracy;
use crate::stage::{State, Switches};
use std::ops::Range;
use wide::f64x4;

/// One chain, or four side by side; on any processor, or on one with AVX2 and FMA.
#[derive(Clone, Debug)]
pub(crate) enum Engine {
    One(Box<Chain<One<f64x4>>>),
    Four(Box<Chain<Four<f64x4>>>),
    #[cfg(target_arch = "x86_64")]
    OneV3(Box<Chain<One<V3>>>),
    #[cfg(target_arch = "x86_64")]
    FourV3(Box<Chain<Four<V3>>>),
}

/// The same call on whichever chain it is.
macro_rules! either {
    ($engine:expr, $chain:ident => $call:expr) => {
        match $engine {
            Engine::One($chain) => $call,
            Engine::Four($chain) => $call,
            #[cfg(target_arch = "x86_64")]
            Engine::OneV3($chain) => $call,
            #[cfg(target_arch = "x86_64")]
            Engine::FourV3($chain) => $call,
        }
    };
}

impl Engine {
    /// For one board or four; see [`Chain::new`].
    pub(crate) fn new(boards: &[Board], rate_hz: f64, celsius: f64, accuracy: Accuracy) -> Self {
        #[cfg(target_arch = "x86_64")]
        if V3::is_here() {
            return match boards.len() {
                1 => Self::OneV3(Box::new(Chain::new(boards, rate_hz, celsius, accuracy))),
                _ => Self::FourV3(Box::new(Chain::new(boards, rate_hz, celsius, accuracy))),
            };
        }
        Self::plain(boards, rate_hz, celsius, accuracy)
    }

    /// For any processor.
    pub(crate) fn plain(boards: &[Board], rate_hz: f64, celsius: f64, accuracy: Accuracy) -> Self {
        match boards.len() {
            1 => Self::One(Box::new(Chain::new(boards, rate_hz, celsius, accuracy))),
            _ => Self::Four(Box::new(Chain::new(boards, rate_hz, celsius, accuracy))),
        }
    }

    /// See [`Chain::settle`].
    pub(crate) fn settle(&mut self, feed: &Feed, levels: &Levels) {
        either!(self, chain => chain.settle(feed, levels));
    }

    /// See [`Chain::make_up`].
    pub(crate) fn make_up(&mut self, frames: usize, feed: &Feed, levels: &Levels) {
        either!(self, chain => chain.make_up(frames, feed, levels));
    }

    /// See [`Chain::heat`].
    pub(crate) fn heat(&mut self, celsius: f64) {
        either!(self, chain => chain.heat(celsius));
    }

    /// See [`Chain::switch`].
    pub(crate) fn switch(&mut self, lane: usize, stage: usize, switches: &Switches, late: f64) {
        either!(self, chain => chain.switch(lane, stage, switches, late));
    }

    /// See [`Chain::inject`].
    pub(crate) fn inject(&mut self, lane: usize, stage: usize, coulombs: f64) {
        either!(self, chain => chain.inject(lane, stage, coulombs));
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
        feeds: &[Feeds],
        levels: &Levels,
        ticks: Range<usize>,
        take: impl FnMut(usize, usize, &[Taps]),
    ) {
        either!(self, chain => chain.cover(feeds, levels, ticks, take));
    }

    /// See [`Chain::state`].
    pub(crate) fn state(&self, lane: usize, stage: usize) -> State {
        either!(self, chain => chain.state(lane, stage))
    }

    /// See [`Chain::counts`].
    pub(crate) fn counts(&self) -> Counts {
        either!(self, chain => chain.counts())
    }
}
