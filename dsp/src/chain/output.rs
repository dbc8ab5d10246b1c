//! What leaves the follower.

use crate::board::Board;
use crate::lanes::{Course, Grid, Number};
use crate::pace::{self, LEVELS};
use crate::stage::Reply;

/// The follower's output capacitor into its level resistor, behind a buffer.
#[derive(Clone, Debug)]
pub(super) struct OutputCapacitor<C: Course> {
    volts: C::Lane,
    replies: [Replies<C>; LEVELS],
}

/// [`Reply`] of every chain's.
#[derive(Clone, Copy, Debug)]
struct Replies<C: Course> {
    stay: C,
    follow: Grid<C>,
}

impl<C: Course> OutputCapacitor<C> {
    pub(super) fn new(boards: &[Board], step: f64) -> Self {
        let none = Replies { stay: C::splat(0.0), follow: Grid::default() };
        let mut capacitor = Self { volts: C::Lane::splat(0.0), replies: [none; LEVELS] };
        capacitor.set_step(boards, step);
        capacitor
    }

    pub(super) fn set_step(&mut self, boards: &[Board], step: f64) {
        for (level, replies) in self.replies.iter_mut().enumerate() {
            let reply = |n: usize| {
                let part = &boards[n].follower;
                Reply::of(part.output, 1.0 / part.level, step * pace::part(level))
            };
            *replies = Replies { stay: C::gather(|n| reply(n).stay), follow: Grid::gather(|n| reply(n).follow) };
        }
    }

    /// Voltage across the level resistor at the nodes.
    #[inline(always)]
    pub(super) fn through(&self, out: C, level: usize) -> C {
        let Replies { stay, follow } = &self.replies[level];
        out - follow.apply(out) - *stay * C::each(self.volts)
    }

    #[inline(always)]
    pub(super) fn keep(&mut self, out: C, level: usize) {
        let Replies { stay, follow } = &self.replies[level];
        self.volts = (follow.apply(out) + *stay * C::each(self.volts)).nodes()[2];
    }
}
