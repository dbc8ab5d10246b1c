//! What a host's note events say to the keyboard.
//!
//! | message | does |
//! |---|---|
//! | note on, off | a key: its row of the key table; its pitch is heard when `exciter.pitch` is `keys` |
//! | pitch bend | as far as the key table says, ±2 semitones without (common practice) |
//! | tuning of a note (expression) | bends that key alone |
//! | pressure on a note or on all (expression, aftertouch) | opens sweeps as the key table says |
//! | a controller that the key table names | turns its knob |
//! | controller 80–83 on channel 1, 2, 3 | pulls line n.0–n.3 of that stage from 64 up (MIDI 1.0: general purpose 5–8) |
//! | controller 64 | keeps keys down from 64 up (MIDI 1.0: sustain) |
//! | controller 120, 123 | all keys up (MIDI 1.0: all sound off, all notes off) |
//! | controller 121 | bend, gates and sustain back (MIDI 1.0: reset all controllers) |
//!
//! Controllers, bend and aftertouch come from CLAP hosts only. A host's own turn of a knob wins over a controller's.

use nice_plug::midi::Key;
use nice_plug::prelude::NoteEvent;
use tritank_dsp::keys::Message;

/// What an event says, if it says anything to a keyboard.
pub fn message<S>(event: &NoteEvent<S>) -> Option<Message> {
    let number = |key| if let Key::Number(note) = key { Some(note) } else { None };
    Some(match *event {
        NoteEvent::NoteOn { key, velocity, .. } => Message::Down(number(key)?, velocity.into()),
        NoteEvent::NoteOff { key, .. } | NoteEvent::Choke { key, .. } => {
            number(key).map_or(Message::AllUp, Message::Up)
        }
        NoteEvent::PolyPressure { key, pressure, .. } => Message::Pressure(number(key), pressure.into()),
        NoteEvent::PolyTuning { key, tuning, .. } => Message::KeyBend(number(key)?, tuning.into()),
        NoteEvent::MidiChannelPressure { pressure, .. } => Message::Pressure(None, pressure.into()),
        // Fourteen bits, 0 to 16383, with rest at 8192 (MIDI 1.0): a hair above the middle.
        NoteEvent::MidiPitchBend { value, .. } => {
            Message::Wheel(((f64::from(value) * 16383.0).round() - 8192.0) / 8192.0)
        }
        NoteEvent::MidiCC { channel, cc, value, .. } => {
            Message::Controller { channel, number: cc, value: value.into() }
        }
        _ => return None,
    })
}
