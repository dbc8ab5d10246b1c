//! The astable against its closed forms, its pitch, its spectrum and its gates.

use super::*;
use crate::board::Board;
use crate::oversample::Decimator;
use crate::pace::TICKS;
use realfft::RealFftPlanner;
use std::f64::consts::{LN_2, PI};

const RATE: f64 = 192_000.0;

fn part() -> board::Exciter {
    Board::built_in().exciter
}

fn drive(bias_volts: f64, supply_volts: f64, celsius: f64) -> Drive {
    Drive { bias_volts, supply_volts, celsius, soft: false, hard: false }
}

/// An exciter that has been driven hard with everything, then reset.
fn fresh(part: &board::Exciter, rate: f64) -> Exciter {
    let mut exciter = Exciter::new(part, rate);
    for n in 0..2000 {
        let hard = n % 17 < 5;
        exciter.step(&Drive { bias_volts: 11.0, supply_volts: 9.0, celsius: 70.0, soft: n % 600 > 400, hard });
    }
    exciter.reset();
    exciter
}

/// Instants, in steps, at which the rendered pulse rises through half its height.
fn rises(exciter: &mut Exciter, drive: &Drive, steps: usize) -> Vec<f64> {
    let half = 0.5 * (drive.supply_volts - part().saturation);
    let mut rises = Vec::new();
    let mut last = (0.0, 0.0);
    for n in 0..steps {
        for (c, value) in crate::oversample::NODES.into_iter().zip(exciter.step(drive)) {
            let now = (n as f64 + c, value);
            if last.1 < half && now.1 >= half {
                rises.push(last.0 + (now.0 - last.0) * (half - last.1) / (now.1 - last.1));
            }
            last = now;
        }
    }
    rises
}

/// Mean rate between first and last rise.
fn measured_hz(exciter: &mut Exciter, drive: &Drive, steps: usize) -> f64 {
    let rises = rises(exciter, drive, steps);
    (rises.len() - 1) as f64 / (rises[rises.len() - 1] - rises[0]) * RATE
}

fn cents(a: f64, b: f64) -> f64 {
    1200.0 * (a / b).log2()
}

#[test]
fn halves_last_as_the_closed_form_says() {
    // Worked examples (closed form, ln((2 V_cc − V_be − V_ces)/(V_cc − V_be)), germanium 0.2 V and 0.1 V), bias on
    // the supply.
    for (supply, halves) in [(1.5, 0.73089), (3.0, 0.71085), (9.0, 0.69881)] {
        approx::assert_abs_diff_eq!(half_period(1.0, supply, supply, 0.2, 0.1), halves, epsilon = 5e-6);
    }
    // Ideal: T = ln 2·(R₁C₁ + R₂C₂) = 651.5583 µs for 47 kΩ and 10 nF on both sides (worked examples).
    let ideal = 2.0 * half_period(47e3 * 10e-9, 5.0, 5.0, 0.0, 0.0);
    approx::assert_abs_diff_eq!(ideal, 651.5583e-6, epsilon = 5e-11);
    approx::assert_relative_eq!(ideal, LN_2 * 2.0 * 47e3 * 10e-9, max_relative = 1e-14);
    assert_eq!(half_period(1.0, 0.2, 3.0, 0.2, 0.1), f64::INFINITY);
}

#[test]
fn base_emitter_voltage_falls_by_two_millivolts_a_kelvin() {
    // Common practice.
    approx::assert_abs_diff_eq!(base_emitter_volts(&part(), 25.0), 0.2, epsilon = 1e-15);
    approx::assert_abs_diff_eq!(base_emitter_volts(&part(), 45.0), 0.16, epsilon = 1e-15);
    assert!(base_emitter_volts(&board::Exciter { base_emitter: 0.05, ..part() }, 70.0) > 0.0);
}

#[test]
fn the_bias_law_inverts() {
    for rate in [20.0, 110.0, 440.0, 1000.0] {
        for (supply, celsius) in [(1.2, -20.0), (3.0, 25.0), (4.5, 70.0)] {
            let bias = bias_for_rate(&part(), rate, supply, celsius);
            assert!(bias < part().bias_limit);
            // Near V_be the rate hangs on the last digits of the bias.
            approx::assert_relative_eq!(rate_hz(&part(), bias, supply, celsius), rate, max_relative = 1e-8);
        }
    }
    assert_eq!(bias_for_rate(&part(), 1e5, 3.0, 25.0), part().bias_limit);
    assert_eq!(rate_hz(&part(), bias_for_rate(&part(), 0.0, 3.0, 25.0), 3.0, 25.0), 0.0);
}

#[test]
fn keys_are_in_tune() {
    // Key numbers: MIDI 1.0; 440·2^((n − 69)/12): convention. Note 60 is 261.6256 Hz (equal temperament, common
    // practice).
    approx::assert_abs_diff_eq!(key_hz(69.0, 0.0), 440.0, epsilon = 1e-12);
    approx::assert_abs_diff_eq!(key_hz(60.0, 0.0), 261.6256, epsilon = 5e-5);
    approx::assert_abs_diff_eq!(key_hz(58.0, 2.0), 261.6256, epsilon = 5e-5);
    approx::assert_abs_diff_eq!(volts_hz(55.0, 3.0), 440.0, epsilon = 1e-12);
}

#[test]
fn rendered_pulses_keep_the_closed_form_period() {
    let mut worst = 0.0_f64;
    for supply in [1.2, 3.0, 9.0] {
        for celsius in [-20.0, 25.0, 70.0] {
            for bias in [0.35, 1.0, 3.3, 12.0] {
                let drive = drive(bias, supply, celsius);
                let rate = rate_hz(&part(), bias, supply, celsius);
                let steps = (100.0 / rate * RATE) as usize;
                let off = cents(measured_hz(&mut fresh(&part(), RATE), &drive, steps), rate);
                worst = worst.max(off.abs());
            }
        }
    }
    println!("worst {worst:.1e} cent");
    assert!(worst < 0.01, "{worst} cent");
}

#[test]
fn keys_stay_in_tune_at_every_temperature_and_supply() {
    let mut worst = 0.0_f64;
    let mut played = 0;
    for note in 36..=84 {
        for supply in [1.2, 3.0, 6.0, 9.0] {
            for celsius in [-20.0, 0.0, 25.0, 70.0] {
                let pitch = key_hz(f64::from(note), 0.0);
                let bias = bias_for_rate(&part(), pitch, supply, celsius);
                if bias >= part().bias_limit {
                    continue;
                }
                let steps = (20.0 / pitch * RATE) as usize;
                let drive = drive(bias, supply, celsius);
                worst = worst.max(cents(measured_hz(&mut fresh(&part(), RATE), &drive, steps), pitch).abs());
                played += 1;
            }
        }
    }
    println!("worst {worst:.1e} cent over {played} notes");
    assert!(played > 700 && worst < 0.1, "{worst} cent over {played} notes");
}

/// Highest line beside the harmonics up to 20 kHz, in dB of the fundamental, at ×4 of 48 kHz after the half-bands.
fn worst_alias_db(pitch: f64) -> f64 {
    let count = 1 << 16;
    let mut exciter = fresh(&part(), RATE);
    let drive = drive(bias_for_rate(&part(), pitch, 3.0, 25.0), 3.0, 25.0);
    let mut down = Decimator::new();
    let mut signal: Vec<f64> = (0..count + 200)
        .map(|_| {
            for k in 0..4 {
                let pulse = exciter.step(&drive);
                down.take(0, k * TICKS / 4, 2, &pulse);
            }
            down.pull()[0]
        })
        .skip(200)
        .collect();
    for (n, x) in signal.iter_mut().enumerate() {
        // cos⁸: lines narrower than ±5 bins, side lobes below −140 dB from ±12 bins on.
        *x *= (PI * n as f64 / count as f64).sin().powi(8);
    }
    let fft = RealFftPlanner::new().plan_fft_forward(count);
    let mut spectrum = fft.make_output_vec();
    fft.process(&mut signal, &mut spectrum).unwrap();
    let bin_hz = 48_000.0 / count as f64;
    let fundamental = spectrum[(pitch / bin_hz).round() as usize].norm();
    let worst = spectrum
        .iter()
        .enumerate()
        .filter(|(bin, _)| {
            let hz = *bin as f64 * bin_hz;
            hz <= 20e3 && (hz - (hz / pitch).round() * pitch).abs() > 12.0 * bin_hz
        })
        .map(|(_, line)| line.norm())
        .fold(0.0, f64::max);
    20.0 * (worst / fundamental).log10()
}

#[test]
fn nothing_but_harmonics_is_heard_at_four_times_oversampling() {
    for pitch in [61.7, 443.3, 987.1, 1531.9] {
        let worst = worst_alias_db(pitch);
        println!("{pitch} Hz: {worst:.1} dB");
        assert!(worst < -90.0, "{pitch} Hz: {worst} dB");
    }
}

#[test]
fn it_starts_at_rest_and_the_first_pulse_comes_after_a_whole_pause() {
    let drive = drive(2.0, 3.0, 25.0);
    let mut exciter = fresh(&part(), RATE);
    let pause = half_period(part().timing * part().pause, 2.0, 3.0, 0.2, 0.1) * RATE;
    for _ in 0..pause as usize {
        assert_eq!(exciter.step(&drive), [0.0; 3]);
    }
    let first = rises(&mut exciter, &drive, 20)[0] + pause.floor();
    approx::assert_abs_diff_eq!(first, pause + EDGE_DELAY_STEPS, epsilon = 0.01);
}

#[test]
fn a_pulse_is_as_high_and_as_wide_as_the_law_says() {
    let drive = drive(2.0, 3.0, 25.0);
    let mut exciter = fresh(&part(), RATE);
    let (mut highest, mut area, mut periods) = (0.0_f64, 0.0, 0);
    let mut low = true;
    for _ in 0..RATE as usize {
        let end = exciter.step(&drive)[2];
        highest = highest.max(end);
        area += end / RATE;
        periods += i32::from(low && end > 1.0);
        low = end < 1.0;
    }
    approx::assert_abs_diff_eq!(highest, 2.9, epsilon = 1e-12);
    let width = half_period(part().timing * part().pulse, 2.0, 3.0, 0.2, 0.1);
    // One pulse may be cut by the end of the second.
    approx::assert_relative_eq!(area, 2.9 * width * f64::from(periods), max_relative = 1.1 / f64::from(periods));
}

#[test]
fn the_soft_gate_bends_the_pitch_down_to_silence_and_back() {
    let open = drive(bias_for_rate(&part(), 400.0, 3.0, 25.0), 3.0, 25.0);
    let shut = Drive { soft: true, ..open };
    let mut exciter = fresh(&part(), RATE);
    rises(&mut exciter, &open, 10_000);

    let falling = rises(&mut exciter, &shut, (0.1 * RATE) as usize);
    let periods: Vec<f64> = falling.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert!(periods.len() >= 3 && periods.windows(2).all(|pair| pair[1] > pair[0]), "the pitch falls: {periods:?}");
    // Starved for good, and no pulse left standing.
    for _ in 0..RATE as usize {
        assert_eq!(exciter.step(&shut), [0.0; 3]);
    }

    let rising = rises(&mut exciter, &open, (0.1 * RATE) as usize);
    let periods: Vec<f64> = rising.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert!(periods[..8].windows(2).all(|pair| pair[1] < pair[0]), "the pitch rises: {periods:?}");
    approx::assert_relative_eq!(periods[periods.len() - 1], RATE / 400.0, max_relative = 1e-3);
}

#[test]
fn the_soft_gate_ends_a_pulse_that_it_catches() {
    // A pulse of some 20 ms and a gate that is much faster.
    let part = board::Exciter { pulse: 1e-6, gate_capacitor: 10e-9, ..part() };
    let open = drive(1.0, 3.0, 25.0);
    let mut exciter = fresh(&part, RATE);
    while exciter.step(&open)[2] < 2.9 {}
    let shut = Drive { soft: true, ..open };
    // The line sinks from 1 V to 0.2 V in 10 kΩ · 10 nF · ln 5 = 161 µs, 31 steps; the edge takes 9.
    let steps = (10e3 * 10e-9 * 5.0_f64.ln() * RATE).ceil() as usize;
    for _ in 0..steps - 1 {
        assert_eq!(exciter.step(&shut)[0], 2.9);
    }
    for _ in 0..10 {
        exciter.step(&shut);
    }
    assert_eq!(exciter.step(&shut), [0.0; 3]);
}

#[test]
fn the_hard_gate_cuts_the_pulse_and_the_astable_runs_on() {
    let open = drive(3.0, 3.0, 25.0);
    let shut = Drive { hard: true, ..open };
    let (mut gated, mut free) = (fresh(&part(), RATE), fresh(&part(), RATE));
    while gated.step(&open)[2] < 2.0 {
        free.step(&open);
    }
    free.step(&open);
    for step in 0..5000 {
        let out = gated.step(&shut);
        free.step(&open);
        assert!(step < 9 || out == [0.0; 3], "step {step}: {out:?}");
    }
    let mut highest = 0.0_f64;
    for step in 0..5000 {
        let (gated, free) = (gated.step(&open), free.step(&open));
        assert!(step < 9 || gated == free, "step {step}");
        highest = highest.max(gated[2]);
    }
    assert!(highest > 2.8);
}

#[test]
fn a_board_faster_than_the_step_stays_bounded() {
    let part = board::Exciter { timing: 100.0, pause: 1e-12, pulse: 1e-12, ..part() };
    let mut exciter = fresh(&part, 44_100.0);
    for n in 0..20_000 {
        let out = exciter.step(&Drive { hard: n % 2 == 0, ..drive(12.0, 9.0, 70.0) });
        assert!(out.iter().all(|x| (-40.0..40.0).contains(x)), "{out:?}");
    }
}

#[test]
fn a_reset_equals_a_fresh_start_to_the_bit() {
    let (mut reset, mut new) = (fresh(&part(), RATE), Exciter::new(&part(), RATE));
    for n in 0..20_000 {
        let drive = Drive { soft: n % 3000 > 2000, hard: n % 700 > 600, ..drive(4.0, 3.0, 25.0) };
        assert_eq!(reset.step(&drive), new.step(&drive));
    }
}

/// Gates, rates and supplies that change between frames and long rests: a frame at a time gives what its steps give.
#[test]
fn a_frame_equals_its_steps_to_the_bit() {
    for steps in [1, 4, 16] {
        let (mut by_frame, mut by_step) = (fresh(&part(), RATE), fresh(&part(), RATE));
        let (mut nodes, mut rests) = ([0.0; 48], 0);
        for n in 0..40_000 {
            let bias = if n % 9000 < 6000 { 0.9 } else { 4.0 };
            let supply = if n % 7000 < 5000 { 3.0 } else { 4.0 };
            let drive = Drive { soft: n % 11_000 > 9000, hard: n % 1300 > 900, ..drive(bias, supply, 25.0) };
            let before = nodes[3 * steps - 1];
            if !by_frame.frame(&drive, &mut nodes[..3 * steps]) {
                nodes[..3 * steps].fill(before);
                rests += 1;
            }
            for frame in nodes[..3 * steps].chunks(3) {
                assert_eq!(by_step.step(&drive), frame, "frame {n} of {steps} steps");
            }
        }
        assert!(rests > 4000, "{rests}");
    }
}
