//! The key table: what each of 128 keys does to the lines and to the exciter's pitch.
//!
//! ```text
//!              ┌─ lines: a code for each stage, soft and hard gate ──► Source::Keys ──► XOR ──► lines
//!   key down ──┼─ pitch: its own, a fixed one, or none ─────────────► exciter
//!              └─ velocity ─► pulse level,  pressure ─► sweeps,  wheel ─► bend
//! ```
//! `line = switch XOR keys XOR pattern XOR gate` ([`crate::lines`]); this is `keys`.
//!
//! Keys are numbered as in MIDI 1.0 (60 is the middle C of a keyboard, 69 the A of 440 Hz). Without a table every key gives its own
//! pitch and leaves the lines alone. Of several keys that are down the last one counts, for lines and pitch each the last that has
//! any; `exciter.chord` gives each stage a note of its own instead, or each key a chain. How a table is filled stands in [`fill`], how
//! it is played in with [`Learning`].

mod controllers;
mod file;
pub mod fill;
mod held;
mod keyboard;
mod learning;
mod zones;

pub use file::Written;
pub(crate) use held::Held;
pub use keyboard::{Keyboard, Message};
pub use learning::{Learning, panel_lines};
pub use zones::MOST_MEMBERS;

use crate::knobs::Knob;
use crate::lines::Line;

/// How many keys there are.
pub const KEYS: usize = 128;

/// What a key does to the pitch.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Pitch {
    /// Plays the pitch of its number.
    #[default]
    Own,
    /// Plays this one, in key numbers; between two keys too.
    Fixed(f64),
    /// Plays none: it only pulls lines.
    None,
}

/// Which note of a chord: of one key all are that key, of two the middle one is the low one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// The lowest.
    Low,
    /// The one in the middle; of an even number the lower of the two.
    Middle,
    /// The highest.
    High,
}

impl Place {
    /// Lowest first.
    pub const ALL: [Self; 3] = [Self::Low, Self::Middle, Self::High];

    /// Its number among `count` notes, lowest first.
    pub(crate) fn among(self, count: usize) -> usize {
        match self {
            Self::Low => 0,
            Self::Middle => (count - 1) / 2,
            Self::High => count - 1,
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Middle => "middle",
            Self::High => "high",
        }
    }
}

/// What a key does.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Row {
    /// The lines that it pulls, bit n for line n of [`Line::all`]; `None` leaves them as they are.
    pub lines: Option<u16>,
    /// What it does to the pitch.
    pub pitch: Pitch,
    /// Which note of a chord goes to each stage while this key is the last; `None` as the table says.
    pub stages: Option<[Place; 3]>,
}

/// How long a key's lines stay.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Hold {
    /// Until the next key.
    #[default]
    Latched,
    /// While it is down; then those of the key before, if that is still down.
    Held,
}

/// What a controller does: it turns a knob from one value to another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Turn {
    /// The knob.
    pub knob: Knob,
    /// Its value with the controller at 0.
    pub from: f64,
    /// Its value with the controller at its end; it may be below the other.
    pub to: f64,
}

/// Over the whole range.
impl From<Knob> for Turn {
    fn from(knob: Knob) -> Self {
        let (from, to) = knob.range();
        Self { knob, from, to }
    }
}

impl Turn {
    /// Where the knob stands with the controller at `travel`, 0 to 1: part of the way between the two on the knob's own taper.
    pub fn at(self, travel: f64) -> f64 {
        let [from, to] = [self.from, self.to].map(|value| self.knob.travel(value));
        self.knob.at_travel(from + (to - from) * travel)
    }
}

/// All keys.
#[derive(Clone, Debug, PartialEq)]
pub struct KeyTable {
    rows: [Row; KEYS],
    /// How long a key's lines stay.
    pub hold: Hold,
    /// How much of the pulse level hangs on velocity: 0 none, 1 all of it.
    pub velocity: f64,
    /// Bend at the end of the wheel, semitones.
    pub bend: f64,
    /// Volts that full pressure adds to the sweep of each stage.
    pub pressure: [f64; 3],
    /// Channels from the second on that carry one note each, as an MPE controller sends them: 0 for none, at most [`MOST_MEMBERS`].
    pub members: u8,
    /// Which note of a chord goes to each stage, when `exciter.chord` is `stages`.
    pub stages: [Place; 3],
    /// What each MIDI controller turns.
    controllers: [Option<Turn>; 128],
}

/// Furthest bend of a table, semitones: four octaves, as a member channel's of MPE (RP-053, 2.4: ±48 until it is told).
pub const MOST_BEND: f64 = 48.0;
/// Volts that pressure can add to a sweep, either way: the sweep's own travel.
pub const MOST_PRESSURE: f64 = 9.0;

impl Default for KeyTable {
    fn default() -> Self {
        Self {
            rows: [Row::default(); KEYS],
            hold: Hold::Latched,
            velocity: 0.0,
            bend: 2.0,
            pressure: [0.0; 3],
            members: 0,
            stages: Place::ALL,
            controllers: [None; 128],
        }
    }
}

impl KeyTable {
    /// What a key does.
    pub fn row(&self, note: u8) -> Row {
        self.rows[usize::from(note & 127)]
    }

    /// What a key is to do.
    pub fn put(&mut self, note: u8, row: Row) {
        self.rows[usize::from(note & 127)] = row;
    }

    /// Learns: a switch was moved while a key was held, so it belongs to that key from now on.
    pub fn learn(&mut self, held: u8, line: Line, on: bool) {
        let lines = &mut self.rows[usize::from(held & 127)].lines;
        let mask = 1 << line.index();
        let others = lines.unwrap_or(0) & !mask;
        *lines = Some(if on { others | mask } else { others });
    }

    /// What a controller turns.
    pub fn controller(&self, number: u8) -> Option<Turn> {
        self.controllers[usize::from(number & 127)]
    }

    /// Lets a controller turn a knob, or none. A knob is turned by one controller at most.
    pub fn control(&mut self, number: u8, turn: Option<Turn>) {
        if let Some(other) = turn.and_then(|turn| self.controller_of(turn.knob)) {
            self.controllers[usize::from(other)] = None;
        }
        self.controllers[usize::from(number & 127)] = turn;
    }

    /// Learns: a controller moved after a knob was turned, so it turns that knob from now on, as far as another has until now.
    pub fn learn_controller(&mut self, number: u8, knob: Knob) {
        let before = self.controller_of(knob).and_then(|other| self.controller(other));
        self.control(number, Some(before.unwrap_or(knob.into())));
    }

    /// The controller that turns a knob.
    fn controller_of(&self, knob: Knob) -> Option<u8> {
        (0..KEYS as u8).find(|&number| self.controller(number).is_some_and(|turn| turn.knob == knob))
    }
}

/// Lines from a code for each stage, bit n of a code for line n.
pub fn lines_of_codes(codes: [u8; 3]) -> u16 {
    (0..3).fold(0, |all, stage| all | u16::from(codes[stage] & 15) << (4 * stage))
}

#[cfg(test)]
mod tests;
