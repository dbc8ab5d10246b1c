//! Several keys at once: three exciters against three units that have one each, four voices against four units.

use super::*;
use crate::keys::{Hold, Pitch, Place, Row, fill};
use crate::knobs::{Chord, VOICES};
use crate::rest::Rest;

/// A unit that plays keys, its knobs as told.
fn unit(keys: &KeyTable, knobs: &[(&str, &str)]) -> Instrument {
    let mut patch = Patch::new(Board::built_in());
    patch.keys = keys.clone();
    for (id, text) in [("exciter.pitch", "keys"), ("exciter.level", "0.5"), ("unit.quality", "4")].iter().chain(knobs) {
        patch.settings.assign(id, text).unwrap();
    }
    Instrument::of(&patch, 48e3).unwrap()
}

/// The stages on their own, a pulse into each.
const APART: [(&str, &str); 4] =
    [("stage2.link", "0"), ("stage3.link", "0"), ("stage2.pulse", "0.2"), ("stage3.pulse", "0.3")];

/// What a tap differs by from another, dB.
fn error_db(outs: &[[f64; 4]], others: &[[f64; 4]], tap: usize) -> f64 {
    let (error, signal) = outs.iter().zip(others).fold((0.0, 0.0), |(error, signal), (out, other)| {
        (error + (out[tap] - other[tap]).powi(2), signal + other[tap].powi(2))
    });
    10.0 * f64::log10(error / signal)
}

/// Taps 1 to 3, and the pulse behind them.
fn frame(unit: &mut Instrument, input: Input) -> [f64; 4] {
    let Output { pulse, taps: [a, b, c], .. } = unit.tick(input);
    [a, b, c, pulse]
}

/// A tank hears nothing but its own stage's exciter, so its tap is that of a unit on which that note alone is played: the same
/// circuit, fed the same pulses, in steps of other lengths. That one key is in tune is held against MIDI's tuning (`keys/tests.rs`).
#[test]
fn with_three_exciters_each_stage_plays_its_note_of_the_chord() {
    let mut table = KeyTable::default();
    table.velocity = 0.7;
    for (places, heard) in [
        (Place::ALL, [45, 52, 60]),
        ([Place::High, Place::Low, Place::Low], [60, 45, 45]),
        ([Place::Middle, Place::Middle, Place::High], [52, 52, 60]),
    ] {
        table.stages = places;
        let chord: Vec<_> = APART.into_iter().chain([("exciter.chord", "stages")]).collect();
        let mut together = unit(&table, &chord);
        let mut alone = heard.map(|_| unit(&table, &APART));
        let velocity = |note: u8| f64::from(note) / 60.0;
        for note in [52, 60, 45] {
            together.key(note, velocity(note));
        }
        for (unit, note) in alone.iter_mut().zip(heard) {
            // Loudness glides from the first key's in them all.
            unit.key(52, velocity(52));
            unit.key(note, velocity(note));
        }
        let (mut outs, mut each) = (Vec::new(), Vec::new());
        for _ in 0..6000 {
            let out = frame(&mut together, Input::default());
            let [first, second, third] = alone.each_mut().map(|unit| frame(unit, Input::default()));
            assert_eq!(out[3], first[3]);
            outs.push(out);
            each.push([first[0], second[1], third[2], first[3]]);
        }
        for tap in 0..3 {
            let error = error_db(&outs, &each, tap);
            println!("{places:?}, tap {}: {error:.1} dB", tap + 1);
            assert!(error < -80.0, "{places:?}, tap {}: {error} dB", tap + 1);
        }
    }
}

/// Of one key all three are that key: nothing differs from one exciter for all.
#[test]
fn a_single_key_sounds_the_same_with_one_exciter_and_with_three() {
    let (mut one, mut three) = (unit(&KeyTable::default(), &APART), unit(&KeyTable::default(), &APART));
    let chords = [0.0, 1.0].map(|place| (Knob::ExciterChord, place));
    for n in 0..20_000u32 {
        if n.is_multiple_of(1700) {
            let note = 40 + (n / 1700) as u8;
            for unit in [&mut one, &mut three] {
                unit.key(note - 1, 0.0);
                unit.key(note, 1.0);
            }
        }
        if n.is_multiple_of(2300) {
            // Parted and joined in the middle of a pulse.
            let (knob, place) = chords[n as usize / 2300 % 2];
            three.set(knob, place);
        }
        let input = Input { main: [0.1 * (f64::from(n) * 0.07).sin(); 2], ..Input::default() };
        assert_eq!(one.tick(input), three.tick(input), "frame {n}");
    }
}

/// Four keys on four chains, with codes, pressure and velocities of their own, are four units that play one key each; sound from
/// outside goes through the first.
#[test]
fn four_voices_are_four_units_of_a_key_each() {
    let notes = [40, 47, 55, 64];
    let mut table = KeyTable::default();
    (table.velocity, table.pressure) = (0.5, [1.0, 0.0, 2.0]);
    fill::codes(&mut table, 36..=83, fill::STAGES, 0x351);
    for instructions in [Instructions::Widest, Instructions::Common] {
        let build = |chord: &'static str| {
            let mut patch = Patch::new(Board::built_in());
            let knobs = [("exciter.pitch", "keys"), ("exciter.level", "0.3"), ("exciter.chord", chord)];
            for (id, text) in knobs {
                patch.settings.assign(id, text).unwrap();
            }
            let mut unit = Instrument::with(&patch.board, &patch.settings, 48e3, instructions).unwrap();
            unit.put_keys(&table);
            unit
        };
        let mut together = build("voices");
        let mut alone = notes.map(|_| build("last"));
        let (mut outs, mut sums) = (Vec::new(), Vec::new());
        for n in 0..9000 {
            for (k, note) in notes.into_iter().enumerate() {
                let velocity = 0.25 * (k + 1) as f64;
                if n == 100 + 900 * k || n == 6500 + 300 * k {
                    let velocity = if n < 6500 { velocity } else { 0.0 };
                    together.key(note, velocity);
                    alone[k].key(note, velocity);
                }
                if n == 5000 {
                    together.pressure(Some(note), velocity);
                    alone[k].pressure(Some(note), velocity);
                    together.bend_key(note, velocity);
                    alone[k].bend_key(note, velocity);
                }
            }
            let input = Input { main: [0.4 * (0.03 * f64::from(n as u32)).sin(); 2], ..Input::default() };
            outs.push(frame(&mut together, input));
            let others = alone
                .iter_mut()
                .enumerate()
                .map(|(k, unit)| frame(unit, if k == 0 { input } else { Input::default() }));
            sums.push(others.fold([0.0; 4], |sum, out| std::array::from_fn(|n| sum[n] + out[n])));
        }
        for tap in 0..3 {
            let error = error_db(&outs, &sums, tap);
            println!("tap {}, four voices against four units: {error:.1} dB", tap + 1);
            assert!(error < -140.0, "tap {}: {error} dB", tap + 1);
        }
        assert!(error_db(&outs, &sums, 3) < -250.0, "the pulses");
        assert_eq!(together.counts().fallbacks, 0);
    }
}

/// Voices that are silent rest while another plays, and are the same when their keys come as if they had never rested.
#[test]
fn silent_voices_rest_while_one_plays() {
    let table = KeyTable::default();
    let mut rests = unit(&table, &[("exciter.chord", "voices")]);
    let mut never = rests.clone();
    never.voices.iter_mut().for_each(|voice| voice.rest = Rest::new(f64::INFINITY));
    let mut worst = 0.0_f64;
    for n in 0..40_000 {
        // The first voice's key again and again, and what is no chain's matter; later other keys.
        let again = (n < 30_000 && n % 2000 == 0).then_some((45, if n % 4000 == 0 { 1.0 } else { 0.0 }));
        let keys = [(30_000, 52, 0.5), (33_123, 45, 0.0), (35_000, 57, 1.0)];
        let later = keys.into_iter().find(|(frame, ..)| *frame == n).map(|(_, note, velocity)| (note, velocity));
        for unit in [&mut rests, &mut never] {
            if let Some((note, velocity)) = again.or(later) {
                unit.key(note, velocity);
            }
            unit.set(Knob::Tap3Pan, 0.5 * (f64::from(n) * 1e-3).sin());
        }
        let [a, b] = [&mut rests, &mut never].map(|unit| frame(unit, Input::default()));
        for (a, b) in a.into_iter().zip(b) {
            worst = worst.max((a - b).abs());
        }
        if n == 29_999 {
            let slept = rests.counts().rests;
            assert!(slept > 3 * 20_000, "{slept} frames of rest");
        }
    }
    println!("silent voices: {worst:.1e} V, {} of {} steps", rests.counts().steps, never.counts().steps);
    assert!(worst < 1e-9 && never.counts().rests == 0, "{worst} V");
}

/// The knob's own pitch needs no key, so it is one voice's: as loud as in a unit of one chain. Keys bring in theirs, and take it
/// away again.
#[test]
fn the_knobs_pitch_sounds_in_one_voice_and_in_more_while_keys_are_down() {
    let pitch = ("exciter.pitch", "knob");
    let mut one = unit(&KeyTable::default(), &[pitch]);
    let mut four = unit(&KeyTable::default(), &[pitch, ("exciter.chord", "voices")]);
    let mut play = |keys: Option<f64>| -> (Vec<_>, Vec<_>) {
        for (note, velocity) in [50, 57].into_iter().zip(keys.into_iter().cycle()) {
            four.key(note, velocity);
        }
        (0..6000).map(|_| (frame(&mut four, Input::default()), frame(&mut one, Input::default()))).unzip()
    };
    let (outs, others) = play(None);
    // A voice at rest adds what its taps rest at, and no more.
    let from_rest = |outs: &[[f64; 4]]| -> Vec<[f64; 4]> {
        outs.iter().map(|out| std::array::from_fn(|lane| out[lane] - outs[0][lane])).collect()
    };
    let (outs, others) = (from_rest(&outs), from_rest(&others));
    for lane in 0..4 {
        let error = error_db(&outs, &others, lane);
        assert!(error < -80.0, "lane {lane}, no key: {error} dB");
    }
    let (outs, others) = play(Some(1.0));
    let loudness = |outs: &[[f64; 4]]| outs.iter().fold(0.0f64, |most, out| most.max(out[3]));
    let times = loudness(&outs) / loudness(&others);
    assert!((times - 2.0).abs() < 0.01, "two keys' pulses are {times} times one's");
    let (outs, others) = play(Some(0.0));
    let late = one.latency() + 10;
    assert!(error_db(&outs[late..], &others[late..], 3) < -250.0, "the pulses, when the keys are up");
}

/// Whatever is played, and however the keys are shared out meanwhile: once all are up, no exciter sounds and the taps come to rest.
#[test]
fn no_key_stays_stuck_in_a_voice() {
    let mut table = KeyTable::default();
    table.hold = Hold::Held;
    fill::random(&mut table, 0..=127, fill::STAGES, 7);
    for note in (0..128).step_by(5) {
        table.put(note, Row { pitch: Pitch::None, ..table.row(note) });
    }
    let mut unit = unit(&table, &[("exciter.chord", "voices"), ("unit.quality", "1")]);
    let mut draw = 1u32;
    let mut next = |most: u32| {
        draw = draw.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (draw >> 8) % most
    };
    for round in 0..30 {
        for _ in 0..60 {
            match next(12) {
                0 => unit.set(Knob::ExciterChord, f64::from(next(3))),
                1..=6 => unit.key(next(128) as u8, f64::from(next(4)) / 3.0),
                _ => unit.key(next(128) as u8, 0.0),
            }
            for _ in 0..next(40) {
                unit.tick(Input::default());
            }
        }
        for note in 0..128 {
            unit.key(note, 0.0);
        }
        let outs: Vec<_> = (0..9600).map(|_| frame(&mut unit, Input::default())).skip(7200).collect();
        assert!(outs.iter().all(|out| out[3] == 0.0), "round {round}: a pulse goes on");
        assert!(unit.lines()[..12].iter().all(|on| !on), "round {round}: a line is held");
        for tap in 0..3 {
            let volts = outs.iter().map(|out| out[tap]);
            let (low, high) = (volts.clone().fold(f64::MAX, f64::min), volts.fold(f64::MIN, f64::max));
            assert!(high - low < 1e-5, "round {round}, tap {}: it moves by {} V", tap + 1, high - low);
        }
    }
}

/// One key more than there are voices takes the chain of the key struck longest ago, and gives it back.
#[test]
fn a_fifth_key_takes_the_oldest_voice_and_gives_it_back() {
    let mut table = KeyTable::default();
    table.hold = Hold::Held;
    fill::codes(&mut table, 0..=15, 0xf, 0);
    let mut unit = unit(&table, &[("exciter.chord", "voices")]);
    assert_eq!(unit.build().voices, VOICES);
    let mut codes = |note: u8, velocity: f64| -> [u8; VOICES] {
        unit.key(note, velocity);
        for _ in 0..100 {
            unit.tick(Input::default());
        }
        std::array::from_fn(|chain| unit.controls.lines(chain).code(0))
    };
    for (note, velocity, stands) in [
        (1, 1.0, [1, 0, 0, 0]),
        (2, 1.0, [1, 2, 0, 0]),
        (1, 0.0, [0, 2, 0, 0]),
        (3, 1.0, [3, 2, 0, 0]),
        (4, 1.0, [3, 2, 4, 0]),
        (5, 1.0, [3, 2, 4, 5]),
        (6, 1.0, [3, 6, 4, 5]),
        (6, 0.0, [3, 2, 4, 5]),
        (3, 0.0, [0, 2, 4, 5]),
    ] {
        assert_eq!(codes(note, velocity), stands, "key {note}, {velocity}");
    }
}

#[test]
fn voices_take_a_new_unit_and_the_other_ways_do_not() {
    let mut one = unit(&KeyTable::default(), &[]);
    one.set(Knob::ExciterChord, 2.0);
    assert_eq!((one.settings().chord(), one.build().voices), (Chord::Voices, 1));
    assert_ne!(one.settings().build(), one.build());
    one.set(Knob::ExciterChord, 1.0);
    assert_eq!(one.settings().build(), one.build());
}

/// A key that was let go has left its lines behind: a new unit has them too, of one chain or of four, and the next key has its own.
#[test]
fn a_new_unit_keeps_the_lines_that_keys_have_latched() {
    let mut table = KeyTable::default();
    fill::codes(&mut table, 0..=15, 0xf, 0);
    let codes = |unit: &mut Instrument| -> Vec<u8> {
        for _ in 0..100 {
            unit.tick(Input::default());
        }
        (0..unit.build().voices).map(|chain| unit.controls.lines(chain).code(0)).collect()
    };
    let [one, four] = [[("exciter.chord", "last")], [("exciter.chord", "voices")]];
    for (from, to, left, taken) in [
        (&one, &one, vec![9], vec![9]),
        (&one, &four, vec![9], vec![9; 4]),
        (&four, &four, vec![6, 9, 0, 0], vec![6, 9, 0, 0]),
        (&four, &one, vec![6, 9, 0, 0], vec![9]),
    ] {
        let mut old = unit(&table, from);
        for velocity in [1.0, 0.0] {
            old.key(6, velocity);
            old.key(9, velocity);
        }
        assert_eq!(codes(&mut old), left);
        let mut new = unit(&table, to);
        new.take_over(&old);
        assert_eq!(codes(&mut new), taken, "from {from:?} to {to:?}");
        new.key(3, 1.0);
        assert_eq!(codes(&mut new)[0], 3);
    }
    // Lines that are held go with their keys, and those of another table are not its own.
    let mut held = table.clone();
    held.hold = Hold::Held;
    for (before, after) in [(&held, &held), (&table, &KeyTable::default())] {
        let mut old = unit(before, &one);
        old.key(9, 1.0);
        assert_eq!(codes(&mut old), [9]);
        let mut new = unit(after, &one);
        new.take_over(&old);
        assert_eq!(codes(&mut new), [0]);
    }
}

/// A reset is a new start for keys too: the pitch that was heard last is none to glide from.
#[test]
fn after_a_reset_keys_sound_as_on_a_new_unit() {
    let mut table = KeyTable::default();
    table.velocity = 0.5;
    for chord in ["last", "stages", "voices"] {
        let mut fresh = unit(&table, &[("exciter.chord", chord)]);
        let mut played = fresh.clone();
        for velocity in [0.3, 0.0] {
            for note in [80, 85, 90, 95, 99] {
                played.key(note, velocity);
            }
            played.bend_key(99, 1.0);
            for _ in 0..2000 {
                played.tick(Input::default());
            }
        }
        played.reset();
        for n in 0..3000 {
            if n % 1000 == 500 {
                let note = 40 + (n / 100) as u8;
                fresh.key(note, 0.8);
                played.key(note, 0.8);
            }
            assert_eq!(played.tick(Input::default()), fresh.tick(Input::default()), "{chord}, frame {n}");
        }
    }
}

/// A lane on the hard gate cuts the notes that are played; it does not let the voices sound that have none.
#[test]
fn what_pulls_the_hard_gate_wakes_no_voice_without_a_key() {
    let mut unit = unit(&KeyTable::default(), &[("exciter.chord", "voices")]);
    let loudest = |unit: &mut Instrument| {
        let pulses = (0..4000).map(|_| frame(unit, Input::default())[3]);
        pulses.skip(1000).fold(0.0, f64::max)
    };
    for (note, velocity, gate, sounds) in
        [(45, 1.0, false, true), (45, 1.0, true, false), (45, 0.0, true, false), (45, 0.0, false, false)]
    {
        unit.key(note, velocity);
        unit.gate(Source::Patterns, Line::HARD, gate);
        assert_eq!(loudest(&mut unit) > 0.1, sounds, "velocity {velocity}, gate {gate}");
    }
}

/// A key without a pitch is a selector: it takes no voice and changes the lines of all.
#[test]
fn a_key_without_a_pitch_pulls_lines_in_every_voice() {
    let mut table = KeyTable::default();
    table.hold = Hold::Held;
    for note in 20..30 {
        table.put(note, Row { lines: Some(u16::from(note - 20)), pitch: Pitch::None, ..Row::default() });
    }
    let mut unit = unit(&table, &[("exciter.chord", "voices")]);
    let mut codes = |note: u8, velocity: f64| -> [u8; VOICES] {
        unit.key(note, velocity);
        for _ in 0..100 {
            unit.tick(Input::default());
        }
        std::array::from_fn(|chain| unit.controls.lines(chain).code(0))
    };
    for note in [21, 22, 23, 25] {
        codes(note, 1.0);
    }
    assert_eq!(codes(60, 1.0), [5; VOICES]);
    assert_eq!(codes(64, 1.0), [5; VOICES]);
    assert_eq!(codes(27, 1.0), [7; VOICES]);
    assert_eq!(codes(27, 0.0), [5; VOICES]);
    assert_eq!([0, 1, 2].map(|chain| unit.controls.exciters(chain)[0].hard), [false, false, true]);
}
