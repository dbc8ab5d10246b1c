//! Keys, bend and pedals: what comes in by MIDI, and what a new unit has to be told of it.
//!
//! | message | does |
//! |---|---|
//! | note on, off | a key of the exciter, heard when `exciter.pitch` is `keys` |
//! | pitch bend | ±2 semitones (common practice) |
//! | controller 80–83 on channel 1, 2, 3 | pulls line n.0–n.3 of that stage from 64 up (MIDI 1.0: general purpose 5–8) |
//! | controller 120, 123 | all keys up (MIDI 1.0: all sound off, all notes off) |
//! | controller 121 | bend and gates back (MIDI 1.0: reset all controllers) |
//!
//! Controllers and bend come from CLAP hosts only.

use nice_plug::midi::Key;
use nice_plug::prelude::NoteEvent;
use tritank_dsp::instrument::Instrument;
use tritank_dsp::lines::{Line, Source};

/// Bend at the end of the wheel, semitones.
const BEND_SEMITONES: f64 = 2.0;

/// Keys that are remembered for a new unit; more than ten fingers.
const HELD: usize = 16;

/// Slowest strike that still is one: MIDI velocity 1 of 127.
const SOFTEST: f64 = 1.0 / 127.0;

/// What is held down now.
#[derive(Clone, Debug, Default)]
pub struct Keyboard {
    /// Keys down, oldest first, with their velocity.
    held: [(u8, f64); HELD],
    count: usize,
    bend: f64,
    pedals: [[bool; 4]; 3],
}

impl Keyboard {
    /// Plays one event on the instrument and remembers it.
    pub fn play<S>(&mut self, event: &NoteEvent<S>, instrument: &mut Instrument) {
        match *event {
            NoteEvent::NoteOn { key: Key::Number(note), velocity, .. } => {
                let velocity = f64::from(velocity).max(SOFTEST);
                self.forget(note);
                if self.count < HELD {
                    self.held[self.count] = (note, velocity);
                    self.count += 1;
                }
                instrument.key(note, velocity);
            }
            NoteEvent::NoteOff { key, .. } | NoteEvent::Choke { key, .. } => match key {
                Key::Number(note) => {
                    self.forget(note);
                    instrument.key(note, 0.0);
                }
                Key::Wildcard => self.all_up(instrument),
            },
            NoteEvent::MidiPitchBend { value, .. } => {
                // Fourteen bits, 0 to 16383, with rest at 8192 (MIDI 1.0): a hair above the middle.
                self.bend = ((f64::from(value) * 16383.0).round() - 8192.0) / 8192.0 * BEND_SEMITONES;
                instrument.bend(self.bend);
            }
            NoteEvent::MidiCC { channel: stage @ 0..=2, cc: cc @ 80..=83, value, .. } => {
                let (stage, bit) = (usize::from(stage), usize::from(cc - 80));
                self.pedals[stage][bit] = value >= 64.0 / 127.0;
                instrument.gate(Source::Gates, Line::of_stage(stage, bit), self.pedals[stage][bit]);
            }
            NoteEvent::MidiCC { cc: 120 | 123, .. } => self.all_up(instrument),
            NoteEvent::MidiCC { cc: 121, .. } => self.wheels_back(instrument),
            _ => {}
        }
    }

    /// Lets everything go.
    pub fn let_go(&mut self, instrument: &mut Instrument) {
        self.all_up(instrument);
        self.wheels_back(instrument);
    }

    fn wheels_back(&mut self, instrument: &mut Instrument) {
        self.bend = 0.0;
        self.pedals = Default::default();
        self.tell_wheels(instrument);
    }

    /// Tells a unit that was just put in what is held down.
    pub fn tell(&self, instrument: &mut Instrument) {
        for &(note, velocity) in &self.held[..self.count] {
            instrument.key(note, velocity);
        }
        self.tell_wheels(instrument);
    }

    fn tell_wheels(&self, instrument: &mut Instrument) {
        instrument.bend(self.bend);
        for (stage, pedals) in self.pedals.iter().enumerate() {
            for (bit, on) in pedals.iter().enumerate() {
                instrument.gate(Source::Gates, Line::of_stage(stage, bit), *on);
            }
        }
    }

    fn all_up(&mut self, instrument: &mut Instrument) {
        for &(note, _) in &self.held[..self.count] {
            instrument.key(note, 0.0);
        }
        self.count = 0;
    }

    fn forget(&mut self, note: u8) {
        if let Some(place) = self.held[..self.count].iter().position(|(held, _)| *held == note) {
            self.held.copy_within(place + 1..self.count, place);
            self.count -= 1;
        }
    }
}
