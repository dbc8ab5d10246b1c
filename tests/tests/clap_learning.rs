//! A key table that is played in, in a host: switches and controllers that move while the parameter `learn` is on. The interface is
//! CLAP 1.2's; the reference for sound is the instrument itself, its switches set by hand.

mod host;

use host::{Event, Expression, Performance, Rig, assert_same, directly, number, play};
use tritank::panel::{LEARN, patch_of};
use tritank_dsp::board::Board;
use tritank_dsp::instrument::Instrument;
use tritank_dsp::keys::{KeyTable, Row};
use tritank_dsp::knobs::Knob;
use tritank_dsp::lines::Line;
use tritank_dsp::patch::Patch;

const RATE_HZ: f64 = 48e3;

/// Keys that give the pitch, one of them with a row of its own: line 1.0.
fn patch() -> Patch {
    let mut patch = Patch::new(Board::built_in());
    for (id, value) in [("exciter.pitch", "keys"), ("exciter.level", "0.5"), ("direct.level", "0.1")] {
        patch.settings.assign(id, value).unwrap();
    }
    patch.keys.put(60, Row { lines: Some(1), ..Row::default() });
    patch.keys.put(61, Row { lines: Some(0x0f0), ..Row::default() });
    patch
}

fn loaded(patch: &Patch) -> Rig {
    let mut rig = Rig::in_process();
    let state = rig.state_of(patch);
    rig.load(&state).expect("the state is loaded");
    rig
}

fn saved(rig: &mut Rig) -> Patch {
    patch_of(&serde_json::from_slice(&rig.save()[8..]).unwrap()).unwrap()
}

fn turns(rig: &mut Rig, moves: &[(usize, &str, &str)]) -> Vec<(usize, Event)> {
    moves.iter().map(|&(frame, id, text)| (frame, rig.turn(id, text))).collect()
}

const DOWN: [u8; 3] = [0x90, 60, 100];
const UP: [u8; 3] = [0x80, 60, 0];

/// What key 60 has learnt in [`taught`]: 1.2 by a switch, code 9 of stage 2, 3.0 by a gate, 3.2 by a pedal, the soft gate; 1.0, which
/// it pulled before, was switched on and off again.
const LEARNT: u16 = 1 << 2 | 9 << 4 | 1 << 8 | 1 << 10 | 1 << 12;

/// The hard gate, shut while no key is down.
const SHUT: u16 = 1 << 13;

/// A unit that has learnt, and the lines that it put out.
fn taught() -> (Rig, Vec<u16>) {
    let mut rig = loaded(&patch());
    let mut performance = Performance::tones(12_000, RATE_HZ);
    performance.blocks = vec![250, 64];
    for n in 3000..7000 {
        performance.gates[n][8] = 5.0;
    }
    let mut events = turns(
        &mut rig,
        &[
            (200, LEARN, "on"),
            (300, "stage3.switch3", "on"),
            (400, "stage3.switch3", "off"),
            (1000, "stage1.switch2", "on"),
            (1500, "stage2.code", "9"),
            (2000, "exciter.soft_gate", "on"),
            (3500, "stage1.switch0", "on"),
            (4000, "stage1.switch0", "off"),
            (6500, "stage1.switch2", "off"),
            (6600, "stage2.code", "0"),
            (6700, "exciter.soft_gate", "off"),
            (8000, LEARN, "off"),
        ],
    );
    for (frame, bytes) in [
        (500, DOWN),
        (2500, [0xb2, 82, 127]),
        (6000, UP),
        (6800, [0xb2, 82, 0]),
        (9000, DOWN),
        (10_000, UP),
        (11_000, [0x90, 61, 100]),
    ] {
        events.push((frame, Event::Midi(bytes)));
    }
    let mut processor = rig.start(RATE_HZ, 250);
    let heard = play(&mut processor, &performance, &events);
    let late = rig.latency();
    rig.stop(processor);
    let word = |n: usize| {
        let on = |line: &Line| heard.lines[line.index()][n] > 2.5;
        Line::all().filter(on).fold(0, |word, line| word | 1 << line.index())
    };
    (rig, (late..12_000).map(word).collect())
}

#[test]
fn switches_that_move_while_a_key_is_held_are_that_keys_from_then_on() {
    let (mut rig, lines) = taught();
    // While it learns, the switches alone are heard.
    for (frame, word) in [
        (600, 0),
        (1100, 1 << 2),
        (1600, 1 << 2 | 9 << 4),
        (3600, LEARNT | 1),
        (5900, LEARNT),
        (6100, LEARNT | SHUT),
        (7900, SHUT),
        (8500, SHUT),
        // Then the key pulls what it has learnt, and another what it always did.
        (9100, LEARNT),
        (10_500, LEARNT | SHUT),
        (11_100, 0x0f0),
    ] {
        assert_eq!(lines[frame], word, "frame {frame}: {:014b}, not {word:014b}", lines[frame]);
    }
    let mut expected = patch();
    expected.keys.put(60, Row { lines: Some(LEARNT), ..Row::default() });
    let learnt = saved(&mut rig);
    assert_eq!(learnt.keys, expected.keys);

    // Another unit that opens the song: the key sounds as the switches did.
    let mut other = loaded(&learnt);
    let performance = Performance::tones(6000, RATE_HZ);
    let mut processor = other.start(RATE_HZ, 256);
    let heard = play(&mut processor, &performance, &[(700, Event::Midi(DOWN)), (4000, Event::Midi(UP))]);
    other.stop(processor);
    let mut by_hand = Patch { keys: KeyTable::default(), ..patch() };
    by_hand.keys.put(60, Row::default());
    let mut unit = Instrument::of(&by_hand, RATE_HZ).unwrap();
    let switched = directly(&mut unit, &performance, |n, unit| match n {
        700 => {
            unit.key(60, 100.0 / 127.0);
            for knob in [Knob::Stage1Switch2, Knob::Stage3Switch0, Knob::Stage3Switch2, Knob::ExciterSoftGate] {
                unit.set(knob, 1.0);
            }
            unit.set(Knob::Stage2Code, 9.0);
        }
        4000 => unit.key(60, 0.0),
        _ => {}
    });
    assert_same(&heard, &switched, "a key that has learnt");
}

#[test]
fn the_next_controller_takes_the_knob_that_was_turned_last() {
    let mut patch = patch();
    patch.settings.assign("exciter.pitch", "knob").unwrap();
    let mut rig = loaded(&patch);
    let performance = Performance::tones(6000, RATE_HZ);
    let mut events = turns(
        &mut rig,
        &[
            (100, "stage2.sweep", "1 V"),
            (300, LEARN, "on"),
            (600, "stage3.sweep", "2 V"),
            (700, "stage1.sweep", "2 V"),
            (3000, "stage1.main", "0.2"),
            (4000, LEARN, "off"),
            (4100, "stage2.sweep", "0 V"),
        ],
    );
    let said = [
        // Nothing was turned since it began; then what is no controller to be had.
        (400, [0xb0, 19, 64]),
        (800, [0xb0, 64, 127]),
        (810, [0xb0, 64, 0]),
        (820, [0xb1, 81, 127]),
        (830, [0xb1, 81, 0]),
        (840, [0xb0, 121, 0]),
        (850, [0xb0, 101, 127]),
        // A controller of fourteen bits, and one that comes too late.
        (1000, [0xb0, 20, 64]),
        (1000, [0xb0, 52, 32]),
        (1200, [0xb0, 21, 64]),
        // A pedal's number on a channel that has no stage is one like others.
        (3100, [0xb5, 81, 100]),
        (4200, [0xb0, 22, 64]),
        (5000, [0xb0, 20, 127]),
    ];
    events.extend(said.map(|(frame, bytes)| (frame, Event::Midi(bytes))));
    let mut processor = rig.start(RATE_HZ, 256);
    let heard = play(&mut processor, &performance, &events);
    rig.stop(processor);
    let learnt = saved(&mut rig);
    let mut expected = patch.keys.clone();
    expected.control(20, Some(Knob::Stage1Sweep.into()));
    expected.control(81, Some(Knob::Stage1Main.into()));
    assert_eq!(learnt.keys, expected);

    let sweep = |coarse: f64, fine: f64| Knob::Stage1Sweep.at_travel((128.0 * coarse + fine) / 16383.0);
    let mut unit = Instrument::of(&patch, RATE_HZ).unwrap();
    let turned = directly(&mut unit, &performance, |n, unit| match n {
        100 => unit.set(Knob::Stage2Sweep, 1.0),
        600 => unit.set(Knob::Stage3Sweep, 2.0),
        700 => unit.set(Knob::Stage1Sweep, 2.0),
        820 => unit.gate(tritank_dsp::lines::Source::Gates, Line::of_stage(1, 1), true),
        830 => unit.gate(tritank_dsp::lines::Source::Gates, Line::of_stage(1, 1), false),
        1000 => unit.set(Knob::Stage1Sweep, sweep(64.0, 32.0)),
        3000 => unit.set(Knob::Stage1Main, 0.2),
        3100 => unit.set(Knob::Stage1Main, Knob::Stage1Main.at_travel(100.0 / 127.0)),
        4100 => unit.set(Knob::Stage2Sweep, 0.0),
        5000 => unit.set(Knob::Stage1Sweep, sweep(127.0, 0.0)),
        _ => {}
    });
    assert_same(&heard, &turned, "controllers");
}

#[test]
fn a_new_unit_has_what_was_learnt_and_a_loaded_state_ends_it() {
    let mut rig = loaded(&patch());
    let performance = Performance::tones(1000, RATE_HZ);
    let mut processor = rig.start(RATE_HZ, 256);
    let mut events = turns(&mut rig, &[(0, LEARN, "on"), (500, "stage1.switch2", "on")]);
    events.push((250, Event::Midi(DOWN)));
    play(&mut processor, &performance, &events);
    assert_eq!(saved(&mut rig).keys.row(60).lines, Some(1 | 1 << 2));

    // Another quality: another unit, built while lessons go on.
    let before = rig.latency();
    let quality = turns(&mut rig, &[(0, "unit.quality", "2"), (100, "stage1.switch3", "on")]);
    play(&mut processor, &performance, &quality);
    let mut code = 0u16;
    for _ in 0..100_000 {
        if rig.latency() != before {
            break;
        }
        // Something to learn at every moment until it comes.
        code = (code + 7) % 16;
        let moved = turns(&mut rig, &[(0, "stage3.code", &code.to_string())]);
        play(&mut processor, &Performance::tones(64, RATE_HZ), &moved);
    }
    assert_ne!(rig.latency(), before, "the new unit did not come");
    let more = turns(&mut rig, &[(100, "stage2.switch1", "on")]);
    play(&mut processor, &performance, &more);
    let row = 1 | 1 << 2 | 1 << 3 | 1 << 5 | code << 8;
    assert_eq!(saved(&mut rig).keys.row(60).lines, Some(row));
    // Off and on again by the host, which lets go of all keys, and learns on.
    rig.stop(processor);
    let mut processor = rig.start(RATE_HZ, 256);
    assert_eq!(saved(&mut rig).keys.row(60).lines, Some(row));

    let mut other = patch();
    other.keys.put(60, Row { lines: Some(0xaaa), ..Row::default() });
    let state = rig.state_of(&other);
    let mut last = turns(&mut rig, &[(500, "stage3.switch0", "on")]);
    last.push((100, Event::Midi(DOWN)));
    last.extend(turns(&mut rig, &[(0, "stage3.code", "0")]));
    play(&mut processor, &performance, &last);
    rig.load(&state).expect("the state is loaded");
    assert_eq!(saved(&mut rig).keys, other.keys, "lessons of the old patch are in the new one");
    // The new unit takes over, the key still held, and its switches are no lesson; what is moved then is.
    play(&mut processor, &performance, &[]);
    assert_eq!(saved(&mut rig).keys, other.keys, "a state's switches were taken for moves");
    let moved = turns(&mut rig, &[(100, "stage1.switch0", "on")]);
    play(&mut processor, &performance, &moved);
    assert_eq!(saved(&mut rig).keys.row(60).lines, Some(0xaab));

    // A state that comes while it is off, and the first move after that.
    let off = turns(&mut rig, &[(0, LEARN, "off")]);
    play(&mut processor, &performance, &off);
    rig.load(&state).expect("the state is loaded");
    play(&mut processor, &performance, &[]);
    let first = turns(&mut rig, &[(0, LEARN, "on"), (0, "stage1.switch2", "on")]);
    play(&mut processor, &performance, &first);
    assert_eq!(saved(&mut rig).keys.row(60).lines, Some(0xaae));
    rig.stop(processor);

    // It is no part of a song.
    let state = rig.save();
    assert_eq!(rig.value(number(LEARN)), 1.0);
    let mut fresh = Rig::in_process();
    fresh.load(&state).expect("the state is loaded");
    assert_eq!(fresh.value(number(LEARN)), 0.0);
}

/// CLAP 1.2's expressions of a note, beside a zone of MPE.
#[test]
fn expressions_of_a_note_reach_it_with_a_zone_and_without() {
    for members in [0, 15] {
        let mut patch = patch();
        patch.keys.members = members;
        patch.keys.pressure = [2.0, 0.0, 0.0];
        patch.keys.control(74, Some(Knob::Stage2Sweep.into()));
        let mut rig = loaded(&patch);
        let performance = Performance::tones(6000, RATE_HZ);
        let events = [
            (500, Event::Midi([0x93, 57, 127])),
            (1000, Event::Express(Expression::Tuning, 3, 57, 0.5)),
            (2000, Event::Express(Expression::Pressure, 3, 57, 0.75)),
            (3000, Event::Express(Expression::Brightness, 3, 57, 0.25)),
            (3500, Event::Express(Expression::Tuning, 3, 58, 0.5)),
            (4000, Event::Midi([0xe3, 0, 0x48])),
        ];
        let mut processor = rig.start(RATE_HZ, 256);
        let heard = play(&mut processor, &performance, &events);
        rig.stop(processor);
        // 0x48 · 128 − 8192 is an eighth of the way, of 48 semitones or of two.
        let wheel = if members > 0 { 6.0 } else { 0.25 };
        let mut unit = Instrument::of(&patch, RATE_HZ).unwrap();
        let expected = directly(&mut unit, &performance, |n, unit| match n {
            500 => unit.key(57, 1.0),
            1000 => unit.bend_key(57, 0.5),
            2000 => unit.pressure(Some(57), 0.75),
            3000 => unit.set(Knob::Stage2Sweep, Knob::Stage2Sweep.at_travel(0.25)),
            4000 => unit.bend_key(57, 0.5 + wheel),
            _ => {}
        });
        assert_same(&heard, &expected, &format!("{members} members"));
    }
}
