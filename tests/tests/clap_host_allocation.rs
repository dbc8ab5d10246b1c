//! The plugin allocates nothing while it plays: entry, guard, framework, shell and instrument together, in this process,
//! under an allocator that counts. The allocator itself is tested first.

mod host;

use host::{Event, Performance, Prepared, Rig, TRANSPORT_RATE_HZ, play};
use std::hint::black_box;
use tritank_dsp::board::Board;
use tritank_dsp::keys::fill;
use tritank_dsp::lines::Line;
use tritank_dsp::patch::Patch;
use tritank_dsp::pattern::{Lane, Rate, Steps};
use tritank_tests::allocations::{Counting, counted};

#[global_allocator]
static ALLOCATOR: Counting = Counting;

#[test]
fn the_allocator_counts() {
    assert_eq!(counted(|| black_box(1 + 1)).0, 0);
    assert_eq!(counted(|| drop(black_box(Box::new(7)))).0, 2, "one allocation, one release");
    let (grown, _) = counted(|| {
        let mut list = Vec::with_capacity(1);
        list.extend(black_box([1, 2, 3]));
        list
    });
    assert_eq!(grown, 2, "one allocation, one growth");
    let elsewhere =
        counted(|| std::thread::scope(|scope| scope.spawn(|| counted(|| vec![black_box(0u8); 100]).0).join().unwrap()));
    assert_eq!(elsewhere.1, 1, "another thread counts its own");
}

#[test]
fn a_performance_allocates_nothing() {
    let mut rig = Rig::in_process();
    let mut events = vec![(0, rig.turn("exciter.level", "0.5"))];
    for (n, id) in ["stage1.switch2", "stage2.switch0", "stage3.switch3", "input.overdriven"].into_iter().enumerate() {
        events.push((400 + 311 * n, rig.turn(id, "on")));
    }
    events.push((1700, rig.turn("unit.supply", "1.8 V")));
    events.push((1800, rig.turn("stage2.sweep", "1.2 V")));
    events.push((1900, rig.turn("unit.temperature", "40 °C")));
    events.push((2100, rig.turn("bypass", "on")));
    events.push((2600, rig.turn("bypass", "off")));
    events.push((2700, Event::Midi([0x90, 60, 100])));
    events.push((2800, Event::Midi([0xb0, 80, 127])));
    let performance = Performance::tones(4000, 48e3);
    let mut processor = rig.start(48e3, 256);
    // Once to let the thread's own first-time allocations pass (its handle, for the framework's thread check).
    play(&mut processor, &performance, &[]);

    let mut calls = Prepared::new(&performance, &events);
    assert_eq!(counted(|| calls.run(&mut processor)).0, 0);
    assert!(calls.heard().main[0].iter().any(|volts| *volts != 0.0), "nothing was played");
    rig.stop(processor);
}

/// Keys by a table, lanes that follow the transport through a change of tempo and a jump back, gates and control voltages.
#[test]
fn keys_patterns_and_voltages_allocate_nothing() {
    for chord in ["last", "stages", "voices"] {
        nothing_is_allocated_with(chord);
    }
}

fn nothing_is_allocated_with(chord: &str) {
    let mut patch = Patch::new(Board::built_in());
    for (id, text) in [("exciter.level", "0.5"), ("exciter.chord", chord)] {
        patch.settings.assign(id, text).unwrap();
    }
    fill::gray(&mut patch.keys, 40..=80, fill::STAGES, 0);
    patch.keys.pressure = [2.0, 0.0, 1.0];
    let lane = Lane::new(Steps::parse("x..x..x.").unwrap());
    let free = Lane { rate: Rate::parse("40 Hz").unwrap(), probability: 0.5, ..lane };
    patch.patterns.put(Line::of_stage(0, 1), Some(Lane { rate: Rate::parse("1/32").unwrap(), ..lane }));
    patch.patterns.put(Line::of_stage(2, 0), Some(free));
    let mut rig = Rig::in_process();
    let state = rig.state_of(&patch);
    rig.load(&state).expect("the state is loaded");

    let mut performance = Performance::tones(12_000, TRANSPORT_RATE_HZ);
    performance.blocks = vec![375];
    performance.tempi = vec![(0, 0.0, 120.0), (3000, 0.125, 240.0), (6000, 0.0, 120.0)];
    for n in 0..performance.gates.len() {
        performance.gates[n][5] = if n / 700 % 2 == 1 { 5.0 } else { 0.0 };
        performance.control[n] = [0.1, 1.0, 0.0, (n as f32 / 900.0).sin()];
    }
    let notes = [[0x90, 45, 100], [0x90, 52, 80], [0xa0, 52, 90], [0xe0, 0, 0x60], [0x80, 45, 0], [0xb0, 64, 127]];
    let events: Vec<_> = (1..).zip(notes).map(|(n, bytes)| (1500 * n, Event::Midi(bytes))).collect();
    let mut processor = rig.start(TRANSPORT_RATE_HZ, 375);
    play(&mut processor, &performance, &[]);
    let mut calls = Prepared::new(&performance, &events);
    assert_eq!(counted(|| calls.run(&mut processor)).0, 0);
    assert!(calls.heard().main[0].iter().any(|volts| *volts != 0.0), "nothing was played");
    rig.stop(processor);
}

/// Switches, a code, a pedal and a gate into the rows of two keys, a controller to a knob, on a zone of MPE.
#[test]
fn learning_allocates_nothing() {
    let mut rig = Rig::in_process();
    let mut performance = Performance::tones(6000, 48e3);
    for n in 2500..6000 {
        performance.gates[n][8] = 5.0;
    }
    let mut events = vec![
        (400, Event::Midi([0xb0, 101, 0])),
        (400, Event::Midi([0xb0, 100, 6])),
        (400, Event::Midi([0xb0, 6, 15])),
        (1000, Event::Midi([0x91, 60, 100])),
        (1800, Event::Midi([0xb1, 81, 127])),
        (3000, Event::Midi([0x92, 64, 100])),
        (3700, Event::Midi([0xb0, 21, 100])),
        (3800, Event::Midi([0xb0, 53, 10])),
        (3900, Event::Midi([0xe2, 0, 0x50])),
    ];
    for (frame, id, text) in [
        (500, "learn", "on"),
        (1200, "stage1.switch2", "on"),
        (1500, "stage2.code", "9"),
        (3200, "stage1.switch2", "off"),
        (3500, "stage1.sweep", "2 V"),
        (5000, "learn", "off"),
    ] {
        events.push((frame, rig.turn(id, text)));
    }
    let mut processor = rig.start(48e3, 256);
    play(&mut processor, &performance, &[]);
    let mut calls = Prepared::new(&performance, &events);
    assert_eq!(counted(|| calls.run(&mut processor)).0, 0);
    rig.stop(processor);
    let state = serde_json::from_slice(&rig.save()[8..]).unwrap();
    let keys = tritank::panel::patch_of(&state).unwrap().keys;
    assert_eq!(keys.row(60).lines, Some(1 << 2 | 9 << 4 | 1 << 5 | 1 << 8), "nothing was learnt");
}

#[test]
fn a_new_unit_is_taken_in_without_allocating() {
    let mut rig = Rig::in_process();
    let quality = rig.turn("unit.quality", "2");
    let performance = Performance::tones(2000, 48e3);
    let mut processor = rig.start(48e3, 256);
    play(&mut processor, &performance, &[]);
    let before = rig.latency();
    let mut order = Prepared::new(&performance, &[(0, quality)]);
    let mut plain = Prepared::new(&performance, &[]);
    let mut allocations = counted(|| order.run(&mut processor)).0;
    for _ in 0..10_000 {
        if rig.latency() != before {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(1));
        allocations += counted(|| plain.run(&mut processor)).0;
    }
    assert_ne!(rig.latency(), before, "the new unit did not come");
    // Through the fade, and the parting with the old unit.
    allocations += counted(|| plain.run(&mut processor)).0;
    assert_eq!(allocations, 0);
    rig.stop(processor);
}
