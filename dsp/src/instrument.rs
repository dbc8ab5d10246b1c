//! The one thing that a shell calls: audio, knobs, lines and keys in; mix and taps out, frame by frame.
//!
//! ```text
//!   set, gate, key ──┐
//!   main, in2, in3 ──┴─► Instrument::tick ──► left, right, pulse, tap 1–3
//! ```
//! What is set before a `tick` takes effect on that very frame, aligned with the audio of that frame: the whole path
//! is late by [`Instrument::latency`] frames, lines and knobs with it.

use crate::board::Board;
use crate::knobs::{Knob, Settings};
use crate::lines::{Line, Source};

/// One frame in, volts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Input {
    /// Main in, left and right; the chain hears their mean.
    pub main: [f64; 2],
    /// Jacks of stages 2 and 3.
    pub stage2: f64,
    /// Jack of stage 3.
    pub stage3: f64,
}

/// One frame out, volts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Output {
    /// Stereo mix, left and right.
    pub main: [f64; 2],
    /// The exciter's pulse.
    pub pulse: f64,
    /// Taps 1 to 3.
    pub taps: [f64; 3],
}

/// What the solver had to do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Internal steps taken.
    pub steps: u64,
    /// Newton iterations.
    pub iterations: u64,
    /// Steps that were cut because Newton did not settle.
    pub cuts: u64,
    /// Steps that ended on the bounded fallback.
    pub fallbacks: u64,
}

/// The whole unit at one sample rate.
pub struct Instrument {
    settings: Settings,
}

/// A sample rate that the instrument does not run at.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("sample rate: given {0} Hz, allowed is 8 kHz to 768 kHz")]
pub struct RateError(pub f64);

impl Instrument {
    /// Builds the unit at its DC operating point. Allocates; nothing after it does.
    ///
    /// # Errors
    /// A rate outside 8 kHz to 768 kHz.
    pub fn new(_board: &Board, settings: &Settings, _rate_hz: f64) -> Result<Self, RateError> {
        Ok(Self { settings: *settings })
    }

    /// Frames by which everything comes out late.
    pub fn latency(&self) -> usize {
        0
    }

    /// Turns a knob, from the next frame on. `unit.quality` only takes effect on a new instrument.
    pub fn set(&mut self, knob: Knob, value: f64) {
        self.settings.set(knob, value);
    }

    /// Pulls or releases a line from a source other than the panel, from the next frame on.
    pub fn gate(&mut self, _source: Source, _line: Line, _on: bool) {}

    /// A key goes down (velocity above zero) or up; heard when `exciter.pitch` is `keys`.
    pub fn key(&mut self, _note: u8, _velocity: f64) {}

    /// Pitch bend in semitones.
    pub fn bend(&mut self, _semitones: f64) {}

    /// One frame.
    pub fn tick(&mut self, input: Input) -> Output {
        Output { main: input.main, ..Output::default() }
    }

    /// Back to the DC operating point, as a new instrument with the same knobs and lines.
    pub fn reset(&mut self) {}

    /// What the solver had to do since the last reset.
    pub fn counts(&self) -> Counts {
        Counts::default()
    }

    /// Where the knobs stand.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// State of every line now, in the order of [`Line::all`].
    pub fn lines(&self) -> [bool; Line::COUNT] {
        [false; Line::COUNT]
    }
}
