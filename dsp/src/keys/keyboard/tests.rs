//! Messages against the texts that say what they mean: MIDI 1.0, RP-015 (reset all controllers), RP-053 (MPE); their numbers of
//! sections are from memory.

use super::*;
use crate::board::Board;
use crate::instrument::Input;
use crate::keys::fill;
use crate::keys::tests::{cents, keyed, pulse_hz};
use crate::keys::{Hold, KeyTable, Row};
use crate::knobs::Knob;
use crate::patch::Patch;
use crate::pattern::words;
use Message::{AllUp, Controller, KeyBend, KeyPressure, KeyTimbre, Pressure, Wheel};

/// A unit whose keys 0 to 15 pull stage 1 as their numbers say, while they are down.
fn unit() -> Instrument {
    let mut patch = Patch::new(Board::built_in());
    patch.keys.hold = Hold::Held;
    fill::codes(&mut patch.keys, 0..=15, 0xf, 0);
    patch.keys.control(7, Some(Knob::Stage1Main.into()));
    Instrument::of(&patch, 48e3).unwrap()
}

fn code(unit: &mut Instrument) -> usize {
    for _ in 0..200 {
        unit.tick(Input::default());
    }
    (0..4).filter(|&bit| unit.lines()[bit]).map(|bit| 1 << bit).sum()
}

fn down(channel: u8, note: u8) -> Message {
    Message::Down { channel, note, velocity: 1.0 }
}

fn up(channel: u8, note: u8) -> Message {
    Message::Up { channel: Some(channel), note }
}

fn cc(channel: u8, number: u8, value: u8) -> Message {
    Controller { channel, number, value }
}

/// A registered parameter's value on a channel: chosen, set, and left.
fn registered(channel: u8, parameter: u8, coarse: u8, fine: Option<u8>) -> Vec<Message> {
    let mut said = vec![cc(channel, 101, 0), cc(channel, 100, parameter), cc(channel, 6, coarse)];
    said.extend(fine.map(|fine| cc(channel, 38, fine)));
    said.extend([cc(channel, 101, 127), cc(channel, 100, 127)]);
    said
}

#[test]
fn the_sustain_pedal_keeps_keys_down_until_it_comes_up() {
    let (mut unit, mut keyboard) = (unit(), Keyboard::default());
    let pedal = |value| cc(4, 64, value);
    for (message, stands) in [
        (down(0, 5), 5),
        (pedal(127), 5),
        (up(0, 5), 5),
        (down(0, 9), 9),
        (up(0, 9), 9),
        // Struck again under the pedal and held: the pedal's end does not take it away.
        (down(0, 5), 5),
        (pedal(0), 5),
        (up(0, 5), 0),
        (pedal(64), 0),
        (down(0, 3), 3),
        (up(0, 3), 3),
        (pedal(63), 0),
        (pedal(127), 0),
        (down(0, 3), 3),
        (up(0, 3), 3),
        (AllUp, 0),
        (down(0, 200), 0),
        (down(16, 2), 0),
    ] {
        keyboard.play(message, &mut unit);
        assert_eq!(code(&mut unit), stands, "{message:?}");
    }
}

#[test]
fn a_new_unit_is_told_what_is_held_and_where_controllers_stand() {
    let (mut old, mut keyboard) = (unit(), Keyboard::default());
    for message in [down(0, 6), cc(1, 82, 127), cc(0, 7, 64)] {
        keyboard.play(message, &mut old);
    }
    let mut new = unit();
    keyboard.tell(&mut new);
    assert_eq!((code(&mut old), code(&mut new)), (6, 6));
    assert_eq!(old.lines(), new.lines());
    assert!(new.lines()[Line::of_stage(1, 2).index()]);
    assert_eq!(new.settings().get(Knob::Stage1Main), Knob::Stage1Main.at_travel(64.0 / 127.0));
    keyboard.let_go(&mut new);
    assert_eq!(code(&mut new), 0);
    assert!(!new.lines()[Line::of_stage(1, 2).index()]);
}

/// What goes up on a channel is the key that went down on it; without such a one, any: better none than one that sticks.
#[test]
fn a_key_goes_up_on_its_channel_and_the_same_key_on_another_stays() {
    let (mut unit, mut keyboard) = (unit(), Keyboard::default());
    for (message, stands) in [
        (down(1, 5), 5),
        (down(2, 5), 5),
        (down(2, 6), 6),
        (up(1, 5), 6),
        (up(2, 6), 5),
        (up(2, 5), 0),
        (down(1, 7), 7),
        (up(9, 7), 0),
        (down(1, 7), 7),
        (down(2, 7), 7),
        (Message::Up { channel: None, note: 7 }, 0),
    ] {
        keyboard.play(message, &mut unit);
        assert_eq!(code(&mut unit), stands, "{message:?}");
    }
}

/// More keys than are remembered: the oldest goes, and none sticks.
#[test]
fn of_too_many_keys_the_oldest_goes() {
    let (mut unit, mut keyboard) = (unit(), Keyboard::default());
    for note in 0..16 {
        keyboard.play(down(0, note), &mut unit);
    }
    for note in 40..60 {
        keyboard.play(down(0, note), &mut unit);
        assert_eq!(keyboard.newest(), Some(note));
    }
    assert_eq!(code(&mut unit), 0, "keys that pull went first");
    keyboard.play(cc(0, 123, 0), &mut unit);
    assert_eq!(keyboard.newest(), None);
}

/// Pitch of what is held after some messages, hertz.
fn heard_hz(table: &KeyTable, messages: &[Message]) -> f64 {
    let mut unit = Instrument::of(&keyed(table.clone()), 48e3).unwrap();
    let mut keyboard = Keyboard::default();
    for message in messages {
        keyboard.play(*message, &mut unit);
    }
    let heard = pulse_hz(&mut unit);
    // A unit that is put in meanwhile hears the same.
    let mut new = Instrument::of(&keyed(table.clone()), 48e3).unwrap();
    keyboard.tell(&mut new);
    let told = pulse_hz(&mut new);
    assert!(cents(heard, told).abs() < 0.5, "{heard} Hz, but {told} Hz when told");
    heard
}

/// Hertz by 440·2^((n − 69)/12), reckoned by hand to five digits.
#[test]
fn bends_are_those_that_the_texts_reckon() {
    let table = KeyTable::default();
    let members = KeyTable { members: 15, ..KeyTable::default() };
    let wheel = |channel, value| Wheel { channel, value };
    let all = |parts: &[&[Message]]| parts.concat();
    for (what, table, messages, hertz) in [
        // MIDI 1.0: 8191 of 8192 upwards, two semitones: 0.02 cents below 62.
        ("the wheel", &table, vec![down(0, 60), wheel(0, 8191.0 / 8192.0)], 293.66),
        ("the wheel of any channel", &table, vec![wheel(7, -1.0), down(0, 60)], 233.0819),
        (
            "a wheel told to reach 12",
            &table,
            all(&[&registered(5, 0, 12, None), &[down(0, 60), wheel(0, 0.5)]]),
            369.9944,
        ),
        // 7.5 semitones: 60 + 0.5 · 7.5 = 63.75.
        (
            "a wheel told to reach 7.50",
            &table,
            all(&[&[down(0, 60), wheel(0, 0.5)], &registered(0, 0, 7, Some(50))]),
            324.9005,
        ),
        (
            "a value after the null",
            &table,
            all(&[&registered(0, 0, 12, None), &[cc(0, 6, 1), down(0, 60), wheel(0, 0.5)]]),
            369.9944,
        ),
        // RP-053, 2.4: ±48 on members, a quarter of it 12; ±2 on the master, half of it 1: they add.
        ("a member's wheel", &members, vec![wheel(1, 0.25), down(1, 60)], 523.2511),
        ("with its master's", &members, vec![down(1, 60), wheel(1, 0.25), wheel(0, 0.5)], 554.3653),
        ("another member's", &members, vec![down(1, 60), wheel(2, 0.25), wheel(0, 0.5)], 277.1826),
        ("with a tuning of its own", &members, vec![down(1, 60), wheel(1, 0.25), KeyBend(60, -1.0)], 493.8833),
        // 2.4 again: what one member is told, all its zone is; the master is not.
        (
            "a member's range",
            &members,
            all(&[&registered(3, 0, 24, None), &[down(1, 60), wheel(1, 0.25), wheel(0, 0.5)]]),
            391.9954,
        ),
        (
            "the master's range",
            &members,
            all(&[&registered(0, 0, 7, None), &[down(1, 60), wheel(1, 0.25), wheel(0, 1.0)]]),
            783.9909,
        ),
        (
            "no further than 96",
            &members,
            all(&[&registered(1, 0, 127, None), &[down(1, 60), wheel(1, 0.125)]]),
            523.2511,
        ),
        // 2.1.1: the message turns zones on, off, and their ranges back.
        ("a zone that is told", &table, all(&[&registered(0, 6, 3, None), &[down(3, 60), wheel(3, 0.25)]]), 523.2511),
        (
            "an upper zone",
            &table,
            all(&[&registered(15, 6, 3, None), &[down(12, 60), wheel(12, 0.25), wheel(15, 0.5), wheel(0, 1.0)]]),
            554.3653,
        ),
        (
            "outside the zone",
            &table,
            all(&[&registered(0, 6, 3, None), &[down(4, 60), wheel(9, 0.5), wheel(0, 1.0), wheel(1, 1.0)]]),
            277.1826,
        ),
        ("a zone that is ended", &members, all(&[&registered(0, 6, 0, None), &[down(1, 60), wheel(9, 0.5)]]), 277.1826),
        (
            "ranges as at first",
            &table,
            all(&[&registered(1, 0, 12, None), &registered(0, 6, 5, None), &[down(1, 60), wheel(1, 0.25)]]),
            523.2511,
        ),
        ("not on a member", &members, all(&[&registered(2, 6, 0, None), &[down(1, 60), wheel(1, 0.25)]]), 523.2511),
        // The same key on two channels: the newer sounds, then the one that is left.
        ("a key twice", &members, vec![down(1, 60), wheel(1, 0.25), down(2, 60), wheel(2, 0.125), up(2, 60)], 523.2511),
        ("one is left", &members, vec![down(1, 60), wheel(1, 0.25), down(2, 64), up(1, 60)], 329.6276),
        // RP-015: the bend is back, its range stays.
        (
            "after a reset",
            &members,
            all(&[&registered(1, 0, 24, None), &[down(1, 60), wheel(1, 0.25), cc(1, 121, 0), wheel(2, 1.0)]]),
            261.6256,
        ),
        (
            "the range stays",
            &members,
            all(&[&registered(1, 0, 24, None), &[cc(0, 121, 0), down(1, 60), wheel(1, 0.5)]]),
            523.2511,
        ),
    ] {
        let heard = heard_hz(table, &messages);
        assert!(cents(heard, hertz).abs() < 1.0, "{what}: {heard} Hz, not {hertz}");
    }
}

/// A unit with a knob on controller 74 and no pitch from its keys.
fn timbred(members: u8) -> Instrument {
    let mut patch = Patch::new(Board::built_in());
    patch.keys.members = members;
    patch.keys.control(74, Some(Knob::Stage2Sweep.into()));
    Instrument::of(&patch, 48e3).unwrap()
}

#[test]
fn controller_74_of_a_member_turns_its_knob_while_its_key_is_the_newest() {
    let (mut unit, mut keyboard) = (timbred(15), Keyboard::default());
    let volts = |travel: f64| Knob::Stage2Sweep.at_travel(travel);
    for (message, travel) in [
        (cc(1, 74, 32), 0.0),
        (down(1, 60), 32.0 / 127.0),
        (cc(2, 74, 96), 32.0 / 127.0),
        (down(2, 64), 96.0 / 127.0),
        (cc(1, 74, 10), 96.0 / 127.0),
        (cc(2, 74, 100), 100.0 / 127.0),
        (up(2, 64), 10.0 / 127.0),
        (KeyTimbre(60, 0.5), 0.5),
        // The master's is for the whole zone.
        (cc(0, 74, 127), 1.0),
    ] {
        keyboard.play(message, &mut unit);
        assert_eq!(unit.settings().get(Knob::Stage2Sweep), volts(travel), "{message:?}");
    }
    // Without a zone it is a controller like any other, in fourteen bits from 32 below on.
    let (mut unit, mut keyboard) = (timbred(0), Keyboard::default());
    keyboard.play(cc(1, 74, 32), &mut unit);
    assert_eq!(unit.settings().get(Knob::Stage2Sweep), volts(32.0 / 127.0));
    unit.keys_mut().control(4, Some(Knob::Stage2Sweep.into()));
    keyboard.play(cc(1, 4, 64), &mut unit);
    keyboard.play(cc(1, 36, 64), &mut unit);
    assert_eq!(unit.settings().get(Knob::Stage2Sweep), volts((64.0 * 128.0 + 64.0) / 16383.0));
}

/// Effective gate voltage of stage 1's sweep, by the ring that it leaves: the same as with the knob alone.
#[test]
fn pressure_of_a_member_or_its_master_opens_the_sweeps_of_its_keys() {
    let taps = |sweep: f64, messages: &[Message]| {
        let mut table = KeyTable { pressure: [3.0, 0.0, 0.0], members: 4, ..KeyTable::default() };
        table.put(45, Row { lines: Some(0), ..Row::default() });
        let mut patch = keyed(table);
        patch.settings.set(Knob::Stage1Sweep, sweep);
        let mut unit = Instrument::of(&patch, 48e3).unwrap();
        let mut keyboard = Keyboard::default();
        for message in messages {
            keyboard.play(*message, &mut unit);
        }
        let taps: Vec<_> = (0..24_000).map(|_| unit.tick(Input::default()).taps[0]).skip(12_000).collect();
        let mean = taps.iter().sum::<f64>() / taps.len() as f64;
        (taps.iter().map(|tap| (tap - mean).powi(2)).sum::<f64>() / taps.len() as f64).sqrt()
    };
    let press = |channel, value| Pressure { channel, value };
    let [shut, half, open] = [0.0, 1.5, 3.0].map(|sweep| taps(sweep, &[down(1, 45)]));
    assert!((half / shut - 1.0).abs() > 0.02 && (open / half - 1.0).abs() > 0.02, "{shut} {half} {open}");
    for (messages, stands) in [
        (vec![down(1, 45), press(1, 1.0)], open),
        (vec![press(1, 0.5), down(1, 45)], half),
        (vec![down(1, 45), press(2, 1.0)], shut),
        (vec![down(1, 45), press(1, 0.5), press(0, 1.0)], open),
        (vec![press(0, 0.5), down(1, 45)], half),
        (vec![down(1, 45), press(1, 1.0), cc(0, 121, 0)], shut),
        (vec![down(1, 45), KeyPressure(45, 0.5)], half),
        (vec![down(8, 45), press(1, 1.0), press(9, 0.5)], half),
    ] {
        let heard = taps(0.0, &messages);
        assert!((heard / stands - 1.0).abs() < 2e-3, "{messages:?}: {heard}, not {stands}");
    }
}

/// Whatever was played, after "all notes off" and "reset all controllers" on every channel no key is down and no line is pulled
/// (MIDI 1.0, RP-015); so after the plugin's own reset.
#[test]
fn no_messages_leave_a_key_or_a_line_stuck() {
    for seed in 0..60 {
        let mut patch = Patch::new(Board::built_in());
        patch.keys.hold = Hold::Held;
        patch.keys.members = [0, 15, 5][seed as usize % 3];
        fill::random(&mut patch.keys, 0..=127, fill::ALL, seed);
        patch.keys.control(74, Some(Knob::Stage1Sweep.into()));
        patch.keys.control(2, Some(Knob::Stage2Sweep.into()));
        let mut unit = Instrument::of(&patch, 48e3).unwrap();
        let mut keyboard = Keyboard::default();
        let mut pulled = 0;
        for n in 0..400 {
            let [kind, first, second, third] = words(n, seed);
            let (channel, note, value) = ((first % 18) as u8, (second % 40) as u8, (third % 130) as u8);
            let travel = f64::from(value) / 127.0;
            let message = match kind % 12 {
                0..=3 => Message::Down { channel, note, velocity: travel },
                4 => up(channel, note),
                5 => Message::Up { channel: None, note },
                6 => Wheel { channel, value: 2.0 * travel - 1.0 },
                7 => Pressure { channel, value: travel },
                8 => KeyPressure(note, travel),
                9 => KeyBend(note, travel),
                10 => {
                    let number =
                        [64, 64, 74, 80, 81, 82, 83, 2, 34, 101, 100, 6, 38, 121, 123, 120][second as usize % 16];
                    let value = [0, 0, 6, value][third as usize % 4];
                    cc(channel, number, value)
                }
                _ => KeyTimbre(note, travel),
            };
            keyboard.play(message, &mut unit);
            unit.tick(Input::default());
            pulled += unit.lines().iter().filter(|on| **on).count();
        }
        assert!(pulled > 0, "nothing was played");
        if seed % 4 == 3 {
            keyboard.let_go(&mut unit);
        } else {
            for channel in 0..16 {
                keyboard.play(cc(channel, 123, 0), &mut unit);
                keyboard.play(cc(channel, 121, 0), &mut unit);
            }
        }
        for _ in 0..200 {
            unit.tick(Input::default());
        }
        assert_eq!((keyboard.newest(), keyboard.pedals()), (None, 0), "seed {seed}");
        assert_eq!(unit.lines(), [false; Line::COUNT], "seed {seed}");
        let mut new = Instrument::of(&patch, 48e3).unwrap();
        keyboard.tell(&mut new);
        for _ in 0..200 {
            new.tick(Input::default());
        }
        assert_eq!(new.lines(), [false; Line::COUNT], "seed {seed}, told");
    }
}

/// More keys than a chain remembers, as the pedal can keep them: all up is all of them.
#[test]
fn all_up_lets_go_of_every_key_under_the_pedal() {
    let play = |unit: &mut Instrument| -> f64 {
        (0..400).map(|_| unit.tick(Input::default()).pulse.abs()).skip(200).fold(0.0, f64::max)
    };
    for chord in ["last", "stages", "voices"] {
        let mut patch = Patch::new(Board::built_in());
        for (id, text) in [("exciter.pitch", "keys"), ("exciter.level", "1"), ("exciter.chord", chord)] {
            patch.settings.assign(id, text).unwrap();
        }
        let (mut unit, mut keyboard) = (Instrument::of(&patch, 48e3).unwrap(), Keyboard::default());
        keyboard.play(Message::Controller { channel: 0, number: 64, value: 127 }, &mut unit);
        for note in 0..KEYS as u8 {
            keyboard.play(Message::Down { channel: 0, note, velocity: 1.0 }, &mut unit);
            keyboard.play(Message::Up { channel: Some(0), note }, &mut unit);
        }
        assert!(play(&mut unit) > 0.1, "{chord}");
        keyboard.play(Message::AllUp, &mut unit);
        play(&mut unit);
        assert_eq!(play(&mut unit), 0.0, "{chord}: a key is still down");
    }
}
