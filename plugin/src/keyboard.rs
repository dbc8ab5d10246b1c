//! Keys, bend and pedals: what comes in by MIDI, and what a new unit has to be told of it.
//!
//! | message | does |
//! |---|---|
//! | note on, off | a key: its row of the key table; its pitch is heard when `exciter.pitch` is `keys` |
//! | pitch bend | as far as the key table says, ±2 semitones without (common practice) |
//! | tuning of a note (expression) | bends that key alone |
//! | pressure on a note or on all (expression, aftertouch) | opens sweeps as the key table says |
//! | a controller that the key table names | turns its knob |
//! | controller 80–83 on channel 1, 2, 3 | pulls line n.0–n.3 of that stage from 64 up (MIDI 1.0: general purpose 5–8) |
//! | controller 120, 123 | all keys up (MIDI 1.0: all sound off, all notes off) |
//! | controller 121 | bend and gates back (MIDI 1.0: reset all controllers) |
//!
//! Controllers, bend and aftertouch come from CLAP hosts only. A host's own turn of a knob wins over a controller's.

use nice_plug::midi::Key as Which;
use nice_plug::prelude::NoteEvent;
use tritank_dsp::instrument::Instrument;
use tritank_dsp::lines::{Line, Source};

/// Keys that are remembered for a new unit; more than ten fingers.
const HELD: usize = 16;

/// Slowest strike that still is one: MIDI velocity 1 of 127.
const SOFTEST: f64 = 1.0 / 127.0;

/// What is held down now.
#[derive(Clone, Debug)]
pub struct Keyboard {
    /// Keys down, oldest first.
    held: [Key; HELD],
    count: usize,
    /// Where the wheel stands, −1 to 1.
    wheel: f64,
    pedals: [[bool; 4]; 3],
    /// Where each controller stands, 0 to 1; those that never moved are left out.
    controllers: [Option<f64>; 128],
}

/// A key that is down.
#[derive(Clone, Copy, Debug, Default)]
struct Key {
    note: u8,
    velocity: f64,
    pressure: f64,
    /// Semitones of its own.
    bend: f64,
}

impl Default for Keyboard {
    fn default() -> Self {
        let held = [Key::default(); HELD];
        Self { held, count: 0, wheel: 0.0, pedals: Default::default(), controllers: [None; 128] }
    }
}

impl Keyboard {
    /// Plays one event on the instrument and remembers it.
    pub fn play<S>(&mut self, event: &NoteEvent<S>, instrument: &mut Instrument) {
        match *event {
            NoteEvent::NoteOn { key: Which::Number(note), velocity, .. } => {
                let velocity = f64::from(velocity).max(SOFTEST);
                self.forget(note);
                if self.count < HELD {
                    self.held[self.count] = Key { note, velocity, ..Key::default() };
                    self.count += 1;
                }
                instrument.key(note, velocity);
            }
            NoteEvent::NoteOff { key, .. } | NoteEvent::Choke { key, .. } => match key {
                Which::Number(note) => {
                    self.forget(note);
                    instrument.key(note, 0.0);
                }
                Which::Wildcard => self.all_up(instrument),
            },
            NoteEvent::PolyPressure { key, pressure, .. } => {
                let note = if let Which::Number(note) = key { Some(note) } else { None };
                self.press_harder(note, pressure, instrument);
            }
            NoteEvent::MidiChannelPressure { pressure, .. } => self.press_harder(None, pressure, instrument),
            NoteEvent::PolyTuning { key: Which::Number(note), tuning, .. } => {
                if let Some(key) = self.held[..self.count].iter_mut().find(|key| key.note == note) {
                    key.bend = f64::from(tuning);
                    instrument.bend_key(note, key.bend);
                }
            }
            NoteEvent::MidiPitchBend { value, .. } => {
                // Fourteen bits, 0 to 16383, with rest at 8192 (MIDI 1.0): a hair above the middle.
                self.wheel = ((f64::from(value) * 16383.0).round() - 8192.0) / 8192.0;
                instrument.bend(self.wheel * instrument.keys().bend);
            }
            NoteEvent::MidiCC { cc, value, .. } if instrument.keys().controller(cc).is_some() => {
                self.controllers[usize::from(cc & 127)] = Some(value.into());
                turn(cc, value.into(), instrument);
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

    fn press_harder(&mut self, note: Option<u8>, pressure: f32, instrument: &mut Instrument) {
        for key in self.held[..self.count].iter_mut().filter(|key| note.is_none_or(|note| note == key.note)) {
            key.pressure = pressure.into();
        }
        instrument.pressure(note, pressure.into());
    }

    fn wheels_back(&mut self, instrument: &mut Instrument) {
        self.wheel = 0.0;
        self.pedals = Default::default();
        self.tell_wheels(instrument);
    }

    /// Tells a unit that was just put in what is held down.
    pub fn tell(&self, instrument: &mut Instrument) {
        for key in &self.held[..self.count] {
            instrument.key(key.note, key.velocity);
            instrument.bend_key(key.note, key.bend);
            instrument.pressure(Some(key.note), key.pressure);
        }
        for (cc, value) in (0..).zip(self.controllers) {
            if let Some(value) = value {
                turn(cc, value, instrument);
            }
        }
        self.tell_wheels(instrument);
    }

    fn tell_wheels(&self, instrument: &mut Instrument) {
        instrument.bend(self.wheel * instrument.keys().bend);
        for (stage, pedals) in self.pedals.iter().enumerate() {
            for (bit, on) in pedals.iter().enumerate() {
                instrument.gate(Source::Gates, Line::of_stage(stage, bit), *on);
            }
        }
    }

    fn all_up(&mut self, instrument: &mut Instrument) {
        for key in &self.held[..self.count] {
            instrument.key(key.note, 0.0);
        }
        self.count = 0;
    }

    fn forget(&mut self, note: u8) {
        if let Some(place) = self.held[..self.count].iter().position(|key| key.note == note) {
            self.held.copy_within(place + 1..self.count, place);
            self.count -= 1;
        }
    }
}

/// A controller turns the knob that the key table gives it.
fn turn(cc: u8, travel: f64, instrument: &mut Instrument) {
    if let Some(knob) = instrument.keys().controller(cc) {
        instrument.set(knob, knob.at_travel(travel));
    }
}
