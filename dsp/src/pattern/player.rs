//! Walks along the lanes frame by frame, and tells every edge with its part of the frame.
//!
//! ```text
//!   transport: place at this frame, tempo ─► place at frame n = place + n · pace ─► next edge within the frame? ─► pulled
//!   a jump ─► the lines of the new place
//! ```
//! The cost of a frame without an edge is two comparisons. Within a frame a lane has [`MOST_A_FRAME`] edges at most; one that
//! is faster stands at the end of the frame as it should.

use super::lane::Cursor;
use super::{Clock, Lane, Patterns, Place, TEMPO, place_of};
use crate::lines::Line;

/// Edges of a lane within a frame.
const MOST_A_FRAME: usize = 16;
/// An edge no further than this behind a frame's start lies on it, frames: far above rounding, far below the 1/128 to which an
/// edge is placed.
const ON_FRAME: f64 = 1e-6;
/// How far a host may place the next block from where its tempo led, in frames, and in parts of the block before: a tempo that
/// glides is told as a row of steps. What is further away is a jump.
const SLACK_FRAMES: f64 = 2.0;
const SLACK_OF_BLOCK: f64 = 0.01;
/// Places are kept within this, quarters and seconds: thirty years, and exact to a nanosecond of each step.
const FURTHEST: f64 = 1e9;

/// What a host says of its transport at a frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Transport {
    /// Whether it runs.
    pub playing: bool,
    /// Where it stands; `None` where the host does not say.
    pub place: Option<Place>,
    /// Quarters a minute; `None` where the host does not say.
    pub tempo: Option<f64>,
}

/// A lane on its way.
#[derive(Clone, Copy, Debug)]
struct Step {
    /// Where it changes next, in its own count.
    place: f64,
    cursor: Cursor,
}

/// The lanes as they are played.
#[derive(Clone, Debug)]
pub struct Player {
    patterns: Patterns,
    rate_hz: f64,
    running: bool,
    /// Whether the lines have to be looked up at the next frame.
    lost: bool,
    /// The place of the frame from which frames are counted.
    anchor: Place,
    frames: u64,
    /// Tempo, quarters a minute.
    tempo: f64,
    steps: [Option<Step>; Line::COUNT],
    /// The first place at which any lane may change.
    soonest: Place,
    /// The lines as they were told.
    pulled: u16,
}

impl Player {
    /// Lanes at rest; nothing is pulled.
    pub fn new(patterns: &Patterns, rate_hz: f64) -> Self {
        let mut player = Self {
            patterns: Patterns::default(),
            rate_hz,
            running: false,
            lost: true,
            anchor: Place::default(),
            frames: 0,
            tempo: patterns.tempo,
            steps: [None; Line::COUNT],
            soonest: NEVER,
            pulled: 0,
        };
        player.put(patterns);
        player
    }

    /// Other lanes, from the next frame on, at the place that is reached.
    pub fn put(&mut self, patterns: &Patterns) {
        if patterns.clock != self.patterns.clock {
            self.running = false;
        }
        self.patterns = *patterns;
        self.running |= patterns.clock == Clock::Free;
        self.lost = true;
    }

    /// The lanes that are played.
    pub fn patterns(&self) -> &Patterns {
        &self.patterns
    }

    /// Back to the start; lanes on the transport wait for it.
    pub fn reset(&mut self) {
        self.anchor = Place::default();
        self.frames = 0;
        self.running = self.patterns.clock == Clock::Free;
        self.lost = true;
    }

    /// Goes on from the place of another.
    pub fn take_over(&mut self, other: &Self) {
        if self.patterns.clock == other.patterns.clock {
            self.running = other.running;
            self.anchor_at(other.place(), other.tempo);
            self.lost = true;
        }
    }

    /// What the host says of the frame that comes next.
    pub fn transport(&mut self, said: &Transport) {
        let tempo = said.tempo.filter(|tempo| tempo.is_finite()).unwrap_or(self.patterns.tempo);
        let tempo = tempo.clamp(*TEMPO.start(), *TEMPO.end());
        let reached = self.place();
        if self.patterns.clock == Clock::Free {
            if tempo != self.tempo {
                self.anchor_at(reached, tempo);
            }
            return;
        }
        let said_place = said.place.filter(|place| place.quarters.is_finite() && place.seconds.is_finite());
        let place = said_place.map_or(reached, |place| Place {
            quarters: place.quarters.clamp(-FURTHEST, FURTHEST),
            seconds: place.seconds.clamp(-FURTHEST, FURTHEST),
        });
        self.lost |= said.playing != self.running || self.is_jump(reached, place);
        self.running = said.playing;
        self.anchor_at(place, tempo);
    }

    fn is_jump(&self, reached: Place, place: Place) -> bool {
        let slack = SLACK_FRAMES + SLACK_OF_BLOCK * self.frames as f64;
        let pace = self.pace();
        let off = |a: f64, b: f64, step: f64| (a - b).abs() > slack * step;
        off(place.quarters, reached.quarters, pace.quarters) || off(place.seconds, reached.seconds, pace.seconds)
    }

    fn anchor_at(&mut self, place: Place, tempo: f64) {
        self.anchor = place;
        self.frames = 0;
        self.tempo = tempo;
    }

    /// How far a frame is.
    fn pace(&self) -> Place {
        Place { quarters: self.tempo / (60.0 * self.rate_hz), seconds: 1.0 / self.rate_hz }
    }

    /// The place of the frame that comes next.
    pub fn place(&self) -> Place {
        self.place_after(self.frames)
    }

    fn place_after(&self, frames: u64) -> Place {
        let (n, pace) = (frames as f64, self.pace());
        Place { quarters: self.anchor.quarters + n * pace.quarters, seconds: self.anchor.seconds + n * pace.seconds }
    }

    /// The lines as they were told, bit n for line n of [`Line::all`].
    pub fn pulled(&self) -> u16 {
        self.pulled
    }

    /// One frame: tells each edge in it, with the part of the frame that has passed by then.
    #[inline]
    pub fn frame(&mut self, mut pull: impl FnMut(Line, bool, f64)) {
        if self.lost {
            self.look_up(&mut pull);
        }
        if self.running {
            let pace = self.pace();
            let to = self.place_after(self.frames + 1);
            if self.soonest.quarters < to.quarters || self.soonest.seconds < to.seconds {
                self.walk(self.place(), to, pace, &mut pull);
            }
            self.frames += 1;
        }
    }

    /// Puts every line where the place has it.
    fn look_up(&mut self, pull: &mut impl FnMut(Line, bool, f64)) {
        self.lost = false;
        let place = self.place();
        for line in Line::all() {
            let lane = self.patterns.lane(line).filter(|_| self.running);
            self.steps[line.index()] = lane.map(|lane| step_after(lane, lane.locate(place_of(lane, place))));
            let on = lane.is_some_and(|lane| lane.is_on_at(place_of(lane, place)));
            tell(&mut self.pulled, line, on, 0.0, pull);
        }
        self.find_soonest();
    }

    fn walk(&mut self, from: Place, to: Place, pace: Place, pull: &mut impl FnMut(Line, bool, f64)) {
        for line in Line::all() {
            let (Some(lane), Some(step)) = (self.patterns.lane(line), &mut self.steps[line.index()]) else { continue };
            let [from, to, pace] = [from, to, pace].map(|place| place_of(lane, place));
            let mut edges = 0;
            while step.place < to - ON_FRAME * pace {
                let part = (step.place - from) / pace;
                let mut cursor = step.cursor;
                edges += 1;
                if edges == MOST_A_FRAME {
                    cursor = lane.locate(to - ON_FRAME * pace);
                }
                let part = if part > ON_FRAME { part.min(1.0) } else { 0.0 };
                tell(&mut self.pulled, line, lane.is_on(cursor), part, pull);
                *step = step_after(lane, cursor);
                if edges == MOST_A_FRAME {
                    break;
                }
            }
        }
        self.find_soonest();
    }

    fn find_soonest(&mut self) {
        let pace = self.pace();
        self.soonest = NEVER;
        for line in Line::all() {
            let (Some(lane), Some(step)) = (self.patterns.lane(line), self.steps[line.index()]) else { continue };
            let place = step.place + ON_FRAME * place_of(lane, pace);
            if matches!(lane.rate, super::Rate::Hertz(_)) {
                self.soonest.seconds = self.soonest.seconds.min(place);
            } else {
                self.soonest.quarters = self.soonest.quarters.min(place);
            }
        }
    }
}

/// No edge ever.
const NEVER: Place = Place { quarters: f64::INFINITY, seconds: f64::INFINITY };

fn step_after(lane: &Lane, cursor: Cursor) -> Step {
    let (place, cursor) = lane.after(cursor);
    Step { place, cursor }
}

fn tell(pulled: &mut u16, line: Line, on: bool, part: f64, pull: &mut impl FnMut(Line, bool, f64)) {
    let mask = 1 << line.index();
    if on != (*pulled & mask != 0) {
        *pulled ^= mask;
        pull(line, on, part);
    }
}
