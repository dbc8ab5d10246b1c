//! Voltages between a host and the built CLAP file: gates and control voltages in, lines out. The reference is the instrument itself,
//! driven directly.

mod host;

use host::patched::{RATE_HZ, new_unit, patched, reference};
use host::{Event, Performance, Rig, assert_same, instrument, play};
use tritank_dsp::lines::Line;

const BLOCK: u32 = 512;
const FRAMES: usize = 6000;

/// Gates at every rate and level a patch may have, in blocks of any size.
fn patch_of_voltages(frames: usize) -> Performance {
    let mut performance = Performance::tones(frames, RATE_HZ);
    for n in 0..frames {
        for line in 0..Line::COUNT {
            // Squares of 16 to 94 Hz; the soft and hard gate slower.
            let half = if line < 12 { 255 + 97 * line } else { 2100 + 517 * (line - 12) };
            performance.gates[n][line] = if n / half % 2 == 1 { 1.0 + line as f32 } else { -0.3 };
        }
        // A triangle that crosses both thresholds slowly, with a step that is no number.
        performance.gates[n][2] = (n % 1000) as f32 / 500.0;
        performance.gates[n][7] = if n == 3001 { f32::NAN } else { performance.gates[n][7] };
        let t = n as f64 / RATE_HZ;
        performance.control[n] =
            [0.3 * (40.0 * t).sin(), 1.2 * (90.0 * t).sin(), 0.0, if n < frames / 2 { 0.0 } else { 1.4 }]
                .map(|v| v as f32);
    }
    performance
}

#[test]
fn gates_and_control_voltages_are_what_the_instrument_makes_of_them_whatever_the_blocks() {
    let mut performance = patch_of_voltages(3 * 4096);
    let expected = reference(&performance);
    let mut first = None;
    for block in [1, 32, 441, 4096] {
        let mut rig = Rig::in_process();
        let turns = patched(&mut rig);
        let mut processor = rig.start(RATE_HZ, 4096);
        performance.blocks = vec![block];
        let heard = play(&mut processor, &performance, &turns);
        rig.stop(processor);
        assert_same(&heard, &expected, &format!("blocks of {block}"));
        assert!(first.get_or_insert_with(|| heard.clone()) == &heard, "blocks of {block} change bits");
    }
    // The check can tell one frame.
    let mut late = performance.clone();
    late.gates.rotate_right(1);
    let late = reference(&late);
    let error = host::difference_db(&first.unwrap().main[0], late.iter().map(|out| out.main[0]));
    assert!(error > -100.0, "one frame late is only {error:.1} dB away");
}

/// A gate is a switch: pulled by voltage or by the host's automation on the same frame, the bits are the same; by both, the
/// line stays where it was.
#[test]
fn a_gate_is_as_exact_as_a_lane_and_two_pulls_cancel() {
    let mut gated = Performance::tones(4000, RATE_HZ);
    for n in 1501..2750 {
        gated.gates[n][5] = 5.0;
    }
    let still = Performance::tones(4000, RATE_HZ);
    let play = |performance: &Performance, lane: bool| {
        let mut rig = Rig::in_process();
        let mut turns = patched(&mut rig);
        if lane {
            turns.push((1501, rig.turn("stage2.switch1", "on")));
            turns.push((2750, rig.turn("stage2.switch1", "off")));
        }
        let mut processor = rig.start(RATE_HZ, BLOCK);
        let heard = host::play(&mut processor, performance, &turns);
        rig.stop(processor);
        heard
    };
    let [none, by_gate, by_lane, by_both] =
        [(&still, false), (&gated, false), (&still, true), (&gated, true)].map(|(how, lane)| play(how, lane));
    assert!(by_gate == by_lane, "a gate is not where the lane is");
    assert!(by_gate != none && by_both.lines == none.lines);
    let error = host::difference_db(&by_both.main[0], none.main[0].iter().map(|volts| f64::from(*volts)));
    assert!(error < -100.0, "{error:.1} dB");
}

/// Every line's output is 5 V while the line is on, as late as the sound, whoever pulls it.
#[test]
fn every_line_is_read_back_as_late_as_the_sound() {
    let mut performance = Performance::tones(FRAMES, RATE_HZ);
    performance.blocks = vec![333, 64];
    for n in 0..FRAMES {
        for line in 0..Line::COUNT {
            performance.gates[n][line] = if (700 + 50 * line..3000).contains(&n) { 3.3 } else { 0.0 };
        }
    }
    let mut rig = Rig::built();
    let late = instrument(&new_unit(), RATE_HZ).latency();
    let turns: Vec<_> = [(4000, "stage1.code", "9"), (4500, "stage1.switch0", "on"), (5000, "exciter.hard_gate", "on")]
        .iter()
        .map(|&(frame, id, text)| (frame, rig.turn(id, text)))
        .chain([(4200, Event::Midi([0xb2, 81, 127]))])
        .collect();
    let mut processor = rig.start(RATE_HZ, BLOCK);
    let heard = play(&mut processor, &performance, &turns);
    processor.reset();
    let quiet = play(&mut processor, &Performance::tones(500, RATE_HZ), &[]);
    rig.stop(processor);
    let on = |line: usize, n: usize| {
        (700 + 50 * line..3000).contains(&n)
            ^ match line {
                0 => (4000..4500).contains(&n),
                3 => n >= 4000,
                9 => n >= 4200,
                13 => n >= 5000,
                _ => false,
            }
    };
    for (line, volts) in heard.lines.iter().enumerate() {
        for (n, volts) in volts.iter().enumerate() {
            let expected = if n >= late && on(line, n - late) { 5.0 } else { 0.0 };
            assert_eq!(*volts, expected, "line {line}, frame {n}");
        }
    }
    assert_eq!(quiet.lines[0][..late], vec![0.0; late][..], "a line is read that a reset let go");
}

/// 1 V/octave (common practice), by the pulse output: 440·2^V Hz.
#[test]
fn the_pulse_follows_a_volt_an_octave() {
    for volts in [-2.0f32, -0.25, 0.0, 0.5, 1.0, 1.5] {
        let mut performance = Performance::tones(48_000, RATE_HZ);
        performance.control.fill([volts, 0.0, 0.0, 0.0]);
        let mut rig = Rig::in_process();
        let turns = [("exciter.level", "1"), ("exciter.rate", "440 Hz")].map(|(id, text)| (0, rig.turn(id, text)));
        let mut processor = rig.start(RATE_HZ, BLOCK);
        // The gate capacitor comes first.
        let pulse = &play(&mut processor, &performance, &turns).sides[0][0][12_000..];
        rig.stop(processor);
        let half = 0.5 * pulse.iter().fold(0.0f32, |most, volts| most.max(*volts));
        let rises: Vec<f64> = (1..pulse.len())
            .filter(|n| pulse[n - 1] < half && pulse[*n] >= half)
            .map(|n| n as f64 - f64::from((pulse[n] - half) / (pulse[n] - pulse[n - 1])))
            .collect();
        let hertz = RATE_HZ * (rises.len() - 1) as f64 / (rises[rises.len() - 1] - rises[0]);
        let cents = 1200.0 * (hertz / (440.0 * f64::from(volts).exp2())).log2();
        assert!(cents.abs() < 0.1, "{volts} V: {hertz} Hz, {cents} cents");
    }
}
