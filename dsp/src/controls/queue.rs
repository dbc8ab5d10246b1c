//! Changes that wait for the frame on which they are due.

use super::Change;
use crate::pace::TICKS;
use std::collections::VecDeque;

/// Changes that can wait at once; beyond it the oldest takes effect early.
const WAITING: usize = 8192;

/// In the order in which they are due, each with its tick, counted through all frames.
#[derive(Clone, Debug)]
pub(super) struct Queue(VecDeque<(u64, Change)>);

impl Queue {
    /// Allocates; nothing after it does.
    pub(super) fn new() -> Self {
        Self(VecDeque::with_capacity(WAITING))
    }

    /// Lets a change wait for a tick of a frame, behind those that are already due then. When there is no room, the oldest comes
    /// back.
    pub(super) fn push(&mut self, frame: u64, tick: usize, change: Change) -> Option<Change> {
        let oldest = if self.0.len() == WAITING { self.pop() } else { None };
        let due = due(frame, tick);
        let place = self.0.partition_point(|(other, _)| *other <= due);
        self.0.insert(place, (due, change));
        oldest
    }

    /// The oldest, due or not.
    pub(super) fn pop(&mut self) -> Option<Change> {
        self.0.pop_front().map(|(_, change)| change)
    }

    /// The oldest, if it is due by a tick of a frame.
    #[inline]
    pub(super) fn pop_due(&mut self, frame: u64, tick: usize) -> Option<Change> {
        let &(next, _) = self.0.front()?;
        if next <= due(frame, tick) { self.pop() } else { None }
    }

    /// The tick within a frame, after its start, at which the next one is due.
    #[inline]
    pub(super) fn next_within(&self, frame: u64) -> Option<usize> {
        let (next, _) = self.0.front()?;
        let tick = next.checked_sub(due(frame, 0)).filter(|tick| *tick < TICKS as u64)?;
        Some(tick as usize)
    }
}

/// A tick of a frame, counted through all frames.
fn due(frame: u64, tick: usize) -> u64 {
    frame * TICKS as u64 + tick as u64
}
