//! What a host's note events say to the keyboard.
//!
//! | message | does |
//! |---|---|
//! | note on, off | a key: its row of the key table; its pitch is heard when `exciter.pitch` is `keys` |
//! | pitch bend | as far as the key table says, ±2 semitones without (common practice), or as registered parameter 0 says |
//! | tuning of a note (expression) | bends that key alone |
//! | pressure on a note or on all (expression, aftertouch) | opens sweeps as the key table says |
//! | brightness of a note (expression) | as controller 74, while that key is the newest |
//! | a controller that the key table names | turns its knob; controller n + 32 adds seven bits to n below 32 (MIDI 1.0) |
//! | controllers 101, 100, then 6, 38 | set registered parameter 0, the bend's range, or 6, the zone (MIDI 1.0; RP-053) |
//! | controller 80–83 on channel 1, 2, 3 | pulls line n.0–n.3 of that stage from 64 up (MIDI 1.0: general purpose 5–8) |
//! | controller 64 | keeps keys down from 64 up (MIDI 1.0: sustain) |
//! | controller 120, 123–127 | all keys up (MIDI 1.0: all sound off, all notes off, modes) |
//! | controller 121 | bend, pressure, gates and sustain back, no parameter chosen (RP-015: reset all controllers) |
//!
//! All channels are as one, but for those of a zone of MIDI Polyphonic Expression 1.0 (RP-053), which registered parameter 6 on
//! channel 1 or 16 or the key table turns on. There bend (±48 semitones until it is told), pressure and controller 74 of a member
//! channel are its keys' own, and the master's bend adds; the rest is meant for the whole zone.
//!
//! Controllers, bend and aftertouch of a channel come from CLAP hosts only. A host's own turn of a knob wins over a controller's.

use nice_plug::midi::{Channel, Key};
use nice_plug::prelude::NoteEvent;
use tritank_dsp::keys::Message;

/// What an event says, if it says anything to a keyboard.
pub fn message<S>(event: &NoteEvent<S>) -> Option<Message> {
    let key = |key| if let Key::Number(note) = key { Some(note) } else { None };
    let on = |channel| if let Channel::Number(channel) = channel { Some(channel) } else { None };
    Some(match *event {
        NoteEvent::NoteOn { channel, key: note, velocity, .. } => {
            Message::Down { channel: on(channel).unwrap_or(0), note: key(note)?, velocity: velocity.into() }
        }
        NoteEvent::NoteOff { channel, key: note, .. } | NoteEvent::Choke { channel, key: note, .. } => {
            key(note).map_or(Message::AllUp, |note| Message::Up { channel: on(channel), note })
        }
        NoteEvent::PolyPressure { key: Key::Wildcard, pressure, channel, .. } => {
            Message::Pressure { channel: on(channel).unwrap_or(0), value: pressure.into() }
        }
        NoteEvent::PolyPressure { key: Key::Number(note), pressure, .. } => Message::KeyPressure(note, pressure.into()),
        NoteEvent::PolyTuning { key: note, tuning, .. } => Message::KeyBend(key(note)?, tuning.into()),
        NoteEvent::PolyBrightness { key: note, brightness, .. } => Message::KeyTimbre(key(note)?, brightness.into()),
        NoteEvent::MidiChannelPressure { channel, pressure, .. } => {
            Message::Pressure { channel, value: pressure.into() }
        }
        // Fourteen bits, 0 to 16383, with rest at 8192 (MIDI 1.0): a hair above the middle.
        NoteEvent::MidiPitchBend { channel, value, .. } => {
            Message::Wheel { channel, value: ((f64::from(value) * 16383.0).round() - 8192.0) / 8192.0 }
        }
        NoteEvent::MidiCC { channel, cc, value, .. } => {
            Message::Controller { channel, number: cc, value: (value * 127.0).round() as u8 }
        }
        _ => return None,
    })
}

/// The same of a VST3 host's event: there the framework (0.4.2) takes brightness for expression and the other way round.
pub fn message_of_vst3<S>(event: &NoteEvent<S>) -> Option<Message> {
    match *event {
        NoteEvent::PolyExpression { key: Key::Number(note), expression, .. } => {
            Some(Message::KeyTimbre(note, expression.into()))
        }
        NoteEvent::PolyBrightness { .. } => None,
        _ => message(event),
    }
}
