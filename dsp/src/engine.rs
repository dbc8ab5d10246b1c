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
use wide::f64x4;

/// One chain or four. Four stand side by side in wide registers; where there are none, each runs alone, which is faster there.
#[derive(Clone, Debug)]
pub(crate) enum Engine {
    Each(Vec<Chain<One<f64x4>>>),
    #[cfg(target_arch = "x86_64")]
    OneV3(Box<Chain<One<V3>>>),
    #[cfg(target_arch = "x86_64")]
    FourV3(Box<Chain<Four<V3>>>),
}

/// The same call on whichever chain it is; with feeds and levels, each with its own; with `lane`, on the one that has that lane,
/// under the number it has there.
macro_rules! either {
    ($engine:expr, $chain:ident => $call:expr) => {
        match $engine {
            Engine::Each(chains) => chains.iter_mut().for_each(|$chain| $call),
            #[cfg(target_arch = "x86_64")]
            Engine::OneV3($chain) => $call,
            #[cfg(target_arch = "x86_64")]
            Engine::FourV3($chain) => $call,
        }
    };
    ($engine:expr, $feeds:ident, $levels:ident, $chain:ident => $call:expr) => {
        match $engine {
            Engine::Each(chains) => {
                for (n, $chain) in chains.iter_mut().enumerate() {
                    let ($feeds, $levels) = (alone($feeds, n), alone($levels, n));
                    $call;
                }
            }
            #[cfg(target_arch = "x86_64")]
            Engine::OneV3($chain) => $call,
            #[cfg(target_arch = "x86_64")]
            Engine::FourV3($chain) => $call,
        }
    };
    ($engine:expr, $lane:ident, $chain:ident => $call:expr) => {
        match $engine {
            Engine::Each(chains) => {
                let ($chain, $lane) = (&mut chains[$lane], 0);
                $call
            }
            #[cfg(target_arch = "x86_64")]
            Engine::OneV3($chain) => $call,
            #[cfg(target_arch = "x86_64")]
            Engine::FourV3($chain) => $call,
        }
    };
}

impl Engine {
    /// For one board or four; see [`Chain::new`].
    pub(crate) fn new(
        boards: &[Board],
        rate_hz: f64,
        celsius: f64,
        accuracy: Accuracy,
        instructions: Instructions,
    ) -> Self {
        #[cfg(target_arch = "x86_64")]
        if instructions.are_v3() {
            return match boards.len() {
                1 => Self::OneV3(Box::new(Chain::new(boards, rate_hz, celsius, accuracy))),
                _ => Self::FourV3(Box::new(Chain::new(boards, rate_hz, celsius, accuracy))),
            };
        }
        let alone = |board| Chain::new(std::slice::from_ref(board), rate_hz, celsius, accuracy);
        Self::Each(boards.iter().map(alone).collect())
    }

    /// See [`Chain::settle`].
    pub(crate) fn settle(&mut self, feeds: &[Feed], levels: &[Levels]) {
        either!(self, feeds, levels, chain => chain.settle(feeds, levels));
    }

    /// See [`Chain::make_up`].
    pub(crate) fn make_up(&mut self, frames: usize, feeds: &[Feed], levels: &[Levels]) {
        either!(self, feeds, levels, chain => chain.make_up(frames, feeds, levels));
    }

    /// See [`Chain::heat`].
    pub(crate) fn heat(&mut self, celsius: f64) {
        either!(self, chain => chain.heat(celsius));
    }

    /// See [`Chain::switch`].
    pub(crate) fn switch(&mut self, lane: usize, stage: usize, switches: &Switches, late: f64) {
        either!(self, lane, chain => chain.switch(lane, stage, switches, late));
    }

    /// See [`Chain::inject`].
    pub(crate) fn inject(&mut self, lane: usize, stage: usize, coulombs: f64) {
        either!(self, lane, chain => chain.inject(lane, stage, coulombs));
    }

    /// See [`Chain::begin_frame`].
    pub(crate) fn begin_frame(&mut self) {
        either!(self, chain => chain.begin_frame());
    }

    /// See [`Chain::edge`].
    pub(crate) fn edge(&mut self) {
        either!(self, chain => chain.edge());
    }

    /// See [`Chain::cover`]; there are a feed and levels for every chain. `take` hears the chain, the step's first tick, its level and the
    /// taps.
    #[inline]
    pub(crate) fn cover(
        &mut self,
        feeds: &[Feeds],
        levels: &[Levels],
        ticks: Range<usize>,
        mut take: impl FnMut(usize, usize, usize, &Taps),
    ) {
        match self {
            Self::Each(chains) => {
                for (n, chain) in chains.iter_mut().enumerate() {
                    chain.cover(alone(feeds, n), alone(levels, n), ticks.clone(), |tick, level, taps| {
                        take(n, tick, level, &taps[0]);
                    });
                }
            }
            #[cfg(target_arch = "x86_64")]
            Self::OneV3(chain) => chain.cover(feeds, levels, ticks, |tick, level, taps| take(0, tick, level, &taps[0])),
            #[cfg(target_arch = "x86_64")]
            Self::FourV3(chain) => chain.cover(feeds, levels, ticks, |tick, level, taps| {
                for (n, taps) in taps.iter().enumerate() {
                    take(n, tick, level, taps);
                }
            }),
        }
    }

    /// See [`Chain::state`].
    pub(crate) fn state(&self, lane: usize, stage: usize) -> State {
        match self {
            Self::Each(chains) => chains[lane].state(0, stage),
            #[cfg(target_arch = "x86_64")]
            Self::OneV3(chain) => chain.state(lane, stage),
            #[cfg(target_arch = "x86_64")]
            Self::FourV3(chain) => chain.state(lane, stage),
        }
    }

    /// See [`Chain::counts`]; of all chains that step by themselves.
    pub(crate) fn counts(&self) -> Counts {
        match self {
            Self::Each(chains) => chains.iter().map(Chain::counts).sum(),
            #[cfg(target_arch = "x86_64")]
            Self::OneV3(chain) => chain.counts(),
            #[cfg(target_arch = "x86_64")]
            Self::FourV3(chain) => chain.counts(),
        }
    }
}

/// Only that of chain n, when there is one for each; or that of all.
fn alone<T>(each: &[T], n: usize) -> &[T] {
    each.get(n).map_or(&each[..1], std::slice::from_ref)
}
