//! Keys against hand-computed pitches, against a unit whose lines are pulled by hand, and tables that are wrong.

use super::fill::{self, Vowel};
use super::*;
use crate::board::Board;
use crate::instrument::{Input, Instrument};
use crate::lines::Source;
use crate::patch::Patch;

pub(super) fn keyed(table: KeyTable) -> Patch {
    let mut patch = Patch::new(Board::built_in());
    patch.settings.assign("exciter.pitch", "keys").unwrap();
    patch.settings.assign("exciter.level", "0.5").unwrap();
    patch.keys = table;
    patch
}

/// Pitch of the pulse, hertz, from the first to the last rise through half its height in a second.
pub(super) fn pulse_hz(unit: &mut Instrument) -> f64 {
    let rate_hz = 48e3;
    let pulse: Vec<f64> = (0..72_000).map(|_| unit.tick(Input::default()).pulse).skip(24_000).collect();
    let half = 0.5 * pulse.iter().copied().fold(0.0, f64::max);
    let rises: Vec<f64> = pulse
        .windows(2)
        .enumerate()
        .filter(|(_, pair)| pair[0] < half && pair[1] >= half)
        .map(|(n, pair)| n as f64 + (half - pair[0]) / (pair[1] - pair[0]))
        .collect();
    (rises.len() - 1) as f64 * rate_hz / (rises[rises.len() - 1] - rises[0])
}

pub(super) fn cents(a: f64, b: f64) -> f64 {
    1200.0 * (a / b).log2()
}

/// 440·2^((n − 69)/12) (MIDI Tuning Standard, equal temperament), reckoned by hand to five digits.
#[test]
fn every_key_is_in_tune_its_own_a_fixed_and_a_bent_one() {
    let mut table = KeyTable::default();
    table.put(36, Row { lines: None, pitch: Pitch::Fixed(57.5), ..Row::default() });
    for (note, bend, own, hertz) in [
        (33, 0.0, 0.0, 55.0),
        (45, 0.0, 0.0, 110.0),
        (60, 0.0, 0.0, 261.6256),
        (69, 0.0, 0.0, 440.0),
        (76, 0.0, 0.0, 659.2551),
        (36, 0.0, 0.0, 226.4459),
        (60, 2.0, 0.0, 293.6648),
        (60, 2.0, -1.0, 277.1826),
    ] {
        let mut unit = Instrument::of(&keyed(table.clone()), 48e3).unwrap();
        unit.key(note, 1.0);
        unit.bend(bend);
        unit.bend_key(note, own);
        let heard = pulse_hz(&mut unit);
        assert!(cents(heard, hertz).abs() < 1.0, "key {note}: {heard} Hz, not {hertz}");
    }
}

#[test]
fn a_row_pulls_its_lines_as_a_hand_would() {
    let mut table = KeyTable::default();
    fill::codes(&mut table, 36..=99, fill::ALL, 0x1234);
    let patch = keyed(table.clone());
    let mut unit = Instrument::of(&patch, 48e3).unwrap();
    let mut hand = Instrument::of(&keyed(KeyTable::default()), 48e3).unwrap();
    for frame in 0..6000 {
        if frame % 500 == 100 {
            let note = 36 + (frame / 500 * 5) as u8;
            unit.key(note, 1.0);
            hand.key(note, 1.0);
            for line in Line::all() {
                hand.gate(Source::Score, line, table.row(note).lines.unwrap() >> line.index() & 1 == 1);
            }
        }
        let volts = 0.3 * (f64::from(frame) * 0.31).sin();
        let input = Input { main: [volts; 2], ..Input::default() };
        assert_eq!(unit.tick(input), hand.tick(input), "frame {frame}");
    }
}

#[test]
fn velocity_turns_the_pulse_down_and_pressure_opens_the_sweeps() {
    let mut table = KeyTable { velocity: 1.0, pressure: [0.0, 3.0, 0.0], ..KeyTable::default() };
    table.put(45, Row { lines: Some(0), pitch: Pitch::Own, ..Row::default() });
    let mut patch = keyed(table);
    for stage in ["stage1.pulse", "stage2.pulse"] {
        patch.settings.assign(stage, "0.01").unwrap();
    }
    let loudness = |patch: &Patch, velocity: f64, pressure: f64| {
        let mut unit = Instrument::of(patch, 48e3).unwrap();
        unit.key(45, velocity);
        unit.pressure(Some(45), pressure);
        let taps: Vec<_> = (0..24_000).map(|_| unit.tick(Input::default()).taps).skip(12_000).collect();
        let rms = |tap: usize| {
            let mean = taps.iter().map(|taps| taps[tap]).sum::<f64>() / taps.len() as f64;
            taps.iter().map(|taps| (taps[tap] - mean).powi(2)).sum::<f64>().sqrt()
        };
        [rms(0), rms(1)]
    };
    let [full, half] = [1.0, 0.5].map(|velocity| loudness(&patch, velocity, 0.0)[0]);
    // A driver bends a little even at 10 mV: half the pulse is half the sound within 5 %.
    assert!((full / half - 2.0).abs() < 0.1, "{full} {half}");
    // Three volts more on a sweep by pressure, or by its knob: the same.
    let pressed = loudness(&patch, 1.0, 1.0);
    patch.settings.assign("stage2.sweep", "3 V").unwrap();
    let turned = loudness(&patch, 1.0, 0.0);
    patch.settings.assign("stage2.sweep", "0 V").unwrap();
    let neither = loudness(&patch, 1.0, 0.0);
    assert!((pressed[1] / turned[1] - 1.0).abs() < 1e-3, "{pressed:?} {turned:?}");
    assert!((neither[1] / turned[1] - 1.0).abs() > 0.05, "{neither:?} {turned:?}");
}

/// Gray's order by its definition: every number once, and one line from each to the next, from the last to the first too.
#[test]
fn in_grays_order_one_line_moves_from_key_to_key() {
    let lines = 0b0110_1001_0011;
    let mut table = KeyTable::default();
    fill::gray(&mut table, 10..=73, lines, 0);
    let row: Vec<u16> = (10..=73).map(|note| table.row(note).lines.unwrap()).collect();
    for n in 0..64 {
        let moved = row[n] ^ row[(n + 1) % 64];
        assert_eq!((moved.count_ones(), moved & !lines), (1, 0), "after {n}");
        assert!(!row[..n].contains(&row[n]));
    }
    // The first of the patent's three-digit table: 000 001 011 010 110 111 101 100.
    fill::gray(&mut table, 0..=7, 0b111, 0);
    let first: Vec<_> = (0..8).map(|note| table.row(note).lines.unwrap()).collect();
    assert_eq!(first, [0b000, 0b001, 0b011, 0b010, 0b110, 0b111, 0b101, 0b100]);
    assert_eq!(table.row(9), Row::default());
}

#[test]
fn keys_are_filled_in_turn_at_random_and_from_a_plan() {
    let mut table = KeyTable::default();
    fill::codes(&mut table, 20..=40, 0b1111, 14);
    assert_eq!([20, 21, 22].map(|note| table.row(note).lines), [Some(14), Some(15), Some(0)]);
    let mut again = table.clone();
    fill::random(&mut table, 0..=127, fill::STAGES, 5);
    fill::random(&mut again, 0..=127, fill::STAGES, 5);
    assert_eq!(table, again);
    fill::random(&mut again, 0..=127, fill::STAGES, 6);
    assert_ne!(table, again);
    assert!((0..128).all(|note| table.row(note).lines.unwrap() & !fill::STAGES == 0));
    let vowel = |vowel: &str, code| Vowel { vowel: vowel.into(), group: "men".into(), code };
    fill::vowels(&mut table, 60..=62, &[vowel("i", [1, 2, 3]), vowel("a", [15, 0, 8])]);
    assert_eq!([60, 61, 62].map(|note| table.row(note).lines), [Some(0x321), Some(0x80f), Some(0x321)]);
    fill::vowels(&mut table, 60..=62, &[]);
    assert_eq!(table.row(60).lines, Some(0x321));
}

#[test]
fn switches_that_move_while_a_key_is_held_are_learnt() {
    let mut table = KeyTable::default();
    table.learn(60, Line::of_stage(1, 2), true);
    table.learn(60, Line::SOFT, true);
    table.learn(60, Line::of_stage(1, 2), false);
    table.learn(61, Line::of_stage(0, 0), true);
    assert_eq!([60, 61, 62].map(|note| table.row(note).lines), [Some(1 << 12), Some(1), None]);
    table.control(74, Some(Knob::Stage1Sweep.into()));
    table.control(1, Some(Knob::Stage1Sweep.into()));
    assert_eq!((table.controller(74), table.controller(1)), (None, Some(Knob::Stage1Sweep.into())));
}

/// A controller turns a knob from here to there on the knob's own taper: half of the way from 440 to 110 Hz is an octave down.
#[test]
fn a_controller_turns_a_part_of_a_knob_either_way_and_learning_keeps_that_part() {
    let falling = Turn { knob: Knob::ExciterRate, from: 440.0, to: 110.0 };
    for (travel, hertz) in [(0.0, 440.0), (0.5, 220.0), (1.0, 110.0)] {
        approx::assert_relative_eq!(falling.at(travel), hertz, max_relative = 1e-12);
    }
    let sweep = Turn { knob: Knob::Stage1Sweep, from: 0.8, to: 2.0 };
    assert_eq!([0.0, 0.5, 1.0].map(|travel| (sweep.at(travel) * 1e12).round() / 1e12), [0.8, 1.4, 2.0]);
    let mut table = KeyTable::default();
    table.control(2, Some(falling));
    table.learn_controller(20, Knob::ExciterRate);
    assert_eq!([2, 20].map(|number| table.controller(number)), [None, Some(falling)]);
    for &knob in Knob::ALL {
        let (low, high) = knob.range();
        assert_eq!([0.0, 1.0].map(|travel| Turn::from(knob).at(travel)), [low, high], "{}", knob.id());
    }
}

#[test]
fn a_table_reads_back_and_one_that_is_wrong_is_refused_with_its_place() {
    let mut patch = keyed(KeyTable { hold: Hold::Held, velocity: 0.5, bend: 12.0, ..KeyTable::default() });
    patch.keys.pressure = [1.0, -2.0, 0.5];
    patch.keys.members = 9;
    fill::random(&mut patch.keys, 0..=127, fill::ALL, 3);
    patch.keys.put(7, Row { lines: None, pitch: Pitch::None, ..Row::default() });
    patch.keys.put(8, Row { lines: Some(0x3fff), pitch: Pitch::Fixed(60.25), ..Row::default() });
    patch.keys.control(74, Some(Knob::Stage2Sweep.into()));
    patch.keys.control(2, Some(Turn { knob: Knob::ExciterRate, from: 440.0, to: 110.0 }));
    patch.keys.control(3, Some(Turn { knob: Knob::Stage1Code, from: 3.0, to: 8.0 }));
    assert_eq!(Patch::from_toml(&patch.to_toml(), &patch.board).unwrap(), patch);

    let by_hand = "patch = 1\n[[keys.fill]]\nway = \"gray\"\nkeys = [36, 84]\nlines = [\"1.0\", \"1.1\"]\n[keys.rows.37]\nhard = true\n[keys.rows.90]\ncode = [5, 0, 12]\npitch = 57\n";
    let keys = Patch::from_toml(by_hand, &patch.board).unwrap().keys;
    assert_eq!([36, 37, 38].map(|note| keys.row(note).lines), [Some(0), Some(1 | 1 << 13), Some(3)]);
    assert_eq!(keys.row(90), Row { lines: Some(0xc05), pitch: Pitch::Fixed(57.0), ..Row::default() });
    for (table, place, given) in [
        ("[keys]\nhold = \"tied\"", "keys.hold", "\"tied\""),
        ("[keys]\nvelocity = 1.5", "keys.velocity", "1.5"),
        ("[keys]\nvelocity = nan", "keys.velocity", "NaN"),
        ("[keys]\nbend = 49", "keys.bend", "49"),
        ("[keys]\npressure = [0, 10, 0]", "keys.pressure", "10"),
        ("[keys]\npressure = [0, 10]", "line 3: keys.pressure", "2 values, allowed are 3"),
        ("[keys]\npressure = [0, 1, 0, 1]", "line 3: keys.pressure", "4 values, allowed are 3"),
        ("[keys]\nvelocity = \"half\"", "line 3: keys.velocity", "\"half\", allowed is a number"),
        ("[keys]\nstages = [\"low\", \"low\", \"low\", \"high\"]", "line 3: keys.stages", "4 values, allowed are 3"),
        ("[keys]\nmembers = 16", "keys.members", "16"),
        ("[keys]\nmembers = -1", "keys.members", "-1"),
        ("[keys.rows.128]\ncode = [0, 0, 0]", "keys.rows", "\"128\""),
        ("[keys.rows.c4]\ncode = [0, 0, 0]", "keys.rows", "\"c4\""),
        ("[keys.rows.036]\ncode = [0, 0, 0]", "keys.rows", "\"036\""),
        ("[keys.rows.60]\ncode = [1, 2, 3, 4]", "line 3: keys.rows.60.code", "4 values, allowed are 3"),
        ("[keys.rows.60]\nhard = \"on\"", "line 3: keys.rows.60.hard", "\"on\", allowed is true or false"),
        ("[keys.rows.60]\ncode = [0, 16, 0]", "keys.rows.60.code", "16"),
        ("[keys.rows.60]\npitch = \"low\"", "keys.rows.60.pitch", "\"low\""),
        ("[keys.rows.60]\npitch = \"57.5\"", "keys.rows.60.pitch", "without quotes"),
        ("[keys.rows.60]\npitch = 127.5", "keys.rows.60.pitch", "127.5"),
        ("[keys.rows.60]\npitch = inf", "keys.rows.60.pitch", "inf"),
        (
            "[keys.rows.60]\ncodes = [0, 0, 0]",
            "line 3: keys.rows.60.codes",
            "\"codes\", allowed are code, soft, hard, pitch, stages",
        ),
        ("[[keys.fill]]\nway = \"prime\"\nkeys = [0, 1]", "keys.fill.0.way", "\"prime\""),
        ("[[keys.fill]]\nway = \"gray\"\nkeys = [9, 1]", "keys.fill.0.keys", "[9, 1]"),
        ("[[keys.fill]]\nway = \"gray\"\nkeys = [0, 9, 18]", "line 4: keys.fill.keys", "3 values, allowed are 2"),
        ("[[keys.fill]]\nway = \"gray\"", "line 2: keys.fill", "no \"keys\""),
        ("[[keys.fill]]\nway = \"gray\"\nkeys = [0, 128]", "keys.fill.0.keys", "[0, 128]"),
        ("[[keys.fill]]\nway = \"gray\"\nkeys = [0, 1]\nlines = [\"4.0\"]", "keys.fill.0.lines", "\"4.0\""),
        ("[[keys.fill]]\nway = \"codes\"\nkeys = [0, 1]\nfirst = 70000", "keys.fill.0.first", "70000"),
        ("[keys.controllers]\n200 = \"stage1.sweep\"", "keys.controllers", "\"200\""),
        ("[keys.controllers]\n1 = \"stage1.sweep\"\n2 = \"stage1.sweep\"", "keys.controllers.2", "which 1 turns"),
        ("[keys.controllers]\n20 = \"stage9.sweep\"", "keys.controllers.20", "stage9.sweep"),
        ("[keys.controllers]\n20 = 5", "line 3: keys.controllers.20", "turns no knob"),
        (
            "[keys.controllers]\n20 = { knob = \"stage1.sweep\", until = 2 }",
            "line 3: keys.controllers.20",
            "turns no knob",
        ),
        ("[keys.controllers]\n20 = { knob = \"stage1.sweep\", to = 10 }", "keys.controllers.20.to", "given \"10\""),
        ("[keys.controllers]\n20 = { knob = \"stage1.sweep\", from = \"low\" }", "keys.controllers.20.from", "\"low\""),
    ] {
        let error = Patch::from_toml(&format!("patch = 1\n{table}\n"), &patch.board).unwrap_err().to_string();
        assert!(error.contains(place) && error.contains(given), "{table}: {error}");
        assert!(["allowed", "must be there", "groups are"].iter().any(|word| error.contains(word)), "{error}");
    }
}
