//! Step patterns: each of the fourteen lines may have a lane of its own, of its own length and rate.
//!
//! ```text
//!   1.0   x..x..x.x..x..x.x..x..x.    8 steps of 1/16      ┐
//!   2.3   x.x..x.x..x.x..x.x..x.x.    5 steps of 1/16      ├─ one place in time, many metres
//!   hard  x--x--x--x--x--x--x--x--    3 steps of 1/8t      ┘
//!
//!   place (quarters, seconds) ──► lanes ──► states, and edges between two places ──► Source::Patterns
//! ```
//! `line = switch XOR keys XOR pattern XOR gate` ([`crate::lines`]); this is `pattern`.
//!
//! Everything is a function of the place in time: where a jump, a loop or a tempo map comes to, the lines stand as if
//! they had always been there. [`Lane`] is that function, [`Player`] walks along it frame by frame and tells each edge with
//! its part of the frame. Notes count quarters, hertz count seconds.

mod draw;
mod file;
mod lane;
mod player;
mod rate;
mod steps;

pub use draw::lot;
pub(crate) use draw::words;
pub use file::Written;
pub use lane::{Lane, SHORTEST_GATE, SWING};
pub use player::{Player, Transport};
pub use rate::{Feel, HERTZ, PARTS, Rate};
pub use steps::{MOST_STEPS, Steps};

use crate::lines::Line;

/// A place in time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Place {
    /// Quarter notes from the start.
    pub quarters: f64,
    /// Seconds from the start.
    pub seconds: f64,
}

/// What the lanes run by.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Clock {
    /// The host's transport: they stand where the song stands, and let go when it stops.
    #[default]
    Transport,
    /// By themselves from the start of the unit, at the host's tempo or their own.
    Free,
}

/// Tempi that are allowed, quarters a minute.
pub const TEMPO: std::ops::RangeInclusive<f64> = 1.0..=1000.0;

/// The lanes of all lines.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Patterns {
    /// What they run by.
    pub clock: Clock,
    /// Quarters a minute where no host says any.
    pub tempo: f64,
    lanes: [Option<Lane>; Line::COUNT],
}

impl Default for Patterns {
    fn default() -> Self {
        Self { clock: Clock::Transport, tempo: 120.0, lanes: [None; Line::COUNT] }
    }
}

impl Patterns {
    /// The lane of a line.
    pub fn lane(&self, line: Line) -> Option<&Lane> {
        self.lanes[line.index()].as_ref()
    }

    /// Gives a line a lane, or takes it away.
    pub fn put(&mut self, line: Line, lane: Option<Lane>) {
        self.lanes[line.index()] = lane;
    }

    /// Whether no line has a lane.
    pub fn is_empty(&self) -> bool {
        self.lanes.iter().all(Option::is_none)
    }

    /// The lines that are pulled at a place, bit n for line n of [`Line::all`].
    pub fn states(&self, place: Place) -> u16 {
        Line::all()
            .filter(|line| self.lane(*line).is_some_and(|lane| lane.is_on_at(place_of(lane, place))))
            .fold(0, |all, line| all | 1 << line.index())
    }
}

/// The place on the clock that a lane counts by.
fn place_of(lane: &Lane, place: Place) -> f64 {
    if matches!(lane.rate, Rate::Hertz(_)) { place.seconds } else { place.quarters }
}

#[cfg(test)]
mod tests;
