//! The specification in the module's head, asserted for every factor.

use super::*;
use crate::pace::{LEVELS, TICKS};
use realfft::RealFftPlanner;
use std::f64::consts::PI;

const FACTORS: [usize; 5] = [1, 2, 4, 8, 16];

fn db(ratio: f64) -> f64 {
    20.0 * ratio.abs().max(1e-300).log10()
}

/// The nodes of a frame's steps.
type Steps = [[f64; 3]; MOST];

/// Leaves nothing at zero, then resets.
fn fresh(factor: usize) -> (Upsampler, Decimator) {
    let (mut up, mut down) = (Upsampler::new(factor), Decimator::new());
    let mut steps = Steps::default();
    for n in 0..500 {
        for (lane, value) in [f64::from(n), -3.0, 1e9].into_iter().enumerate() {
            up.push(lane, value, steps.as_flattened_mut());
            take(&mut down, lane, &steps[..factor]);
        }
        take(&mut down, 3, &steps[..factor]);
        down.pull();
    }
    up.reset();
    down.reset();
    (up, down)
}

/// A frame of equal steps.
fn take(down: &mut Decimator, lane: usize, steps: &[[f64; 3]]) {
    let level = steps.len().ilog2() as usize;
    for (k, step) in steps.iter().enumerate() {
        down.take(lane, k * (TICKS >> level), level, step);
    }
}

/// Magnitude of the spectrum of `response`, `bins` bins a host rate.
fn spectrum(mut response: Vec<f64>, factor: usize, bins: usize) -> Vec<f64> {
    response.resize(factor * bins, 0.0);
    let fft = RealFftPlanner::new().plan_fft_forward(response.len());
    let mut bins = fft.make_output_vec();
    fft.process(&mut response, &mut bins).unwrap();
    bins.iter().map(|bin| bin.norm()).collect()
}

/// Pass band to 0.4375 fs within 0.001 dB of 0 dB, everything within 0.4375 fs of a multiple of fs below −110 dB.
fn check_bands(response: Vec<f64>, factor: usize, what: &str) {
    let bins = 4096;
    let edge = (PASS_BAND * bins as f64) as usize;
    let magnitude = spectrum(response, factor, bins);
    let ripple = magnitude[..=edge].iter().map(|&m| db(m).abs()).fold(0.0, f64::max);
    let stop = magnitude
        .iter()
        .enumerate()
        .skip(bins / 2 + 1)
        .filter(|(bin, _)| (bin + edge) % bins <= 2 * edge)
        .map(|(_, &m)| db(m))
        .fold(f64::NEG_INFINITY, f64::max);
    println!("×{factor} {what}: ripple {ripple:.2e} dB, stop band {stop:.1} dB");
    assert!(ripple <= 0.001, "×{factor} {what}: {ripple} dB");
    assert!(stop <= -110.0, "×{factor} {what}: {stop} dB");
}

#[test]
fn half_bands_pass_and_stop_as_specified_on_the_way_up() {
    for factor in FACTORS {
        let (mut up, _) = fresh(factor);
        let mut responses = [const { Vec::new() }; 3];
        for n in 0..200 {
            let x = if n == 0 { 1.0 / factor as f64 } else { 0.0 };
            for silent in [0, 2] {
                assert!(!up.push(silent, 0.0, &mut []), "lanes do not mix");
            }
            let mut steps = Steps::default();
            up.push(1, x, steps.as_flattened_mut());
            for step in &steps[..factor] {
                for node in 0..3 {
                    responses[node].push(step[node]);
                }
            }
        }
        for (node, response) in responses.into_iter().enumerate() {
            check_bands(response, factor, &format!("up, node {node}"));
        }
    }
}

/// What a sine becomes that is known exactly on steps of changing lengths: its magnitude on the way down, and the largest
/// distance from a pure delay.
fn down_from_steps(frequency: f64, mut level: impl FnMut(usize, usize) -> usize) -> (f64, f64) {
    let mut down = Decimator::new();
    let sine = |t: f64| (TAU * frequency * t + 0.3).sin();
    let (mut largest, mut off): (f64, f64) = (0.0, 0.0);
    for n in 0..400 {
        let mut tick = 0;
        while tick < TICKS {
            let level = level(n, tick);
            let length = TICKS >> level;
            let nodes = NODES.map(|c| sine(n as f64 + (tick as f64 + c * length as f64) / TICKS as f64));
            down.take(2, tick, level, &nodes);
            tick += length;
        }
        let out = down.pull();
        assert_eq!([out[0], out[1], out[3]], [0.0; 3], "lanes do not mix");
        if n >= 100 {
            largest = largest.max(out[2].abs());
            off = off.max((out[2] - sine(n as f64 - Decimator::LATENCY as f64)).abs());
        }
    }
    (largest, off)
}

/// To 0.4375 fs within 0.001 dB; all that would fold into it below −110 dB, up to the 17th image. Steps of level 4 know a sine
/// of 4 fs to −96 dB, and no better can be asked there.
#[test]
fn the_way_down_passes_and_stops_as_specified() {
    let fixed = |frequency, level| down_from_steps(frequency, |_, _| level);
    let mut off: f64 = 0.0;
    for k in 1..=64 {
        off = off.max(fixed(PASS_BAND * f64::from(k) / 64.0, 4).1);
    }
    assert!(off < 1e-3 / 8.7, "{off}");
    for (k, level) in [(0.5625, 5), (0.6, 5), (0.7, 5), (0.9, 6), (1.3, 6), (1.9, 7), (3.2, 7), (4.1, 8), (8.2, 9)] {
        let (largest, _) = fixed(k, level);
        println!("{k} fs: {:.1} dB", db(largest));
        assert!(db(largest) < -110.0, "{k} fs: {} dB", db(largest));
    }
}

/// A sine below a sixteenth of the host rate comes out the same whatever steps it was known on, as far as their cubics know it.
#[test]
fn steps_of_changing_lengths_leave_no_trace() {
    let mut seed = 1u32;
    for (frequency, allowed) in [(0.01, -120.0), (0.03, -110.0), (1.0 / 16.0, -85.0)] {
        let (_, off) = down_from_steps(frequency, |_, tick| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let longest = (LEVELS - 1).saturating_sub(tick.trailing_zeros() as usize);
            longest.max((seed >> 29) as usize)
        });
        println!("{frequency} fs: {:.1} dB", db(off));
        assert!(db(off) < allowed, "{frequency} fs: {} dB", db(off));
    }
}

/// Largest error at any node against the sine itself, aligned as documented.
fn node_error(factor: usize, frequency: f64) -> f64 {
    let (mut up, _) = fresh(factor);
    let mut steps = Steps::default();
    let mut worst = 0.0_f64;
    for n in 0..400 {
        up.push(0, (TAU * frequency * f64::from(n)).sin(), steps.as_flattened_mut());
        if n < 200 {
            continue;
        }
        let start = f64::from(n) - up.latency_frames() as f64;
        for (k, step) in steps[..factor].iter().enumerate() {
            for (c, value) in NODES.iter().zip(step) {
                let time = start + (k as f64 + c) / factor as f64;
                worst = worst.max((value - (TAU * frequency * time).sin()).abs());
            }
        }
    }
    worst
}

#[test]
fn nodes_lie_on_the_sine_at_the_documented_instants() {
    // (factor, dB to 10 kHz at 48 kHz, dB to 0.4375 fs)
    for (factor, low, high) in
        [(1, -98.0, -80.0), (2, -108.0, -102.0), (4, -108.0, -106.0), (8, -108.0, -106.0), (16, -108.0, -106.0)]
    {
        let worst =
            |edge: f64| (1..=64).map(|k| db(node_error(factor, edge * f64::from(k) / 64.0))).fold(-300.0, f64::max);
        let (to_low, to_high) = (worst(10.0 / 48.0), worst(PASS_BAND));
        println!("×{factor}: nodes {to_low:.1} dB to 10 kHz, {to_high:.1} dB to 0.4375 fs");
        assert!(to_low <= low, "×{factor}: {to_low} dB");
        assert!(to_high <= high, "×{factor}: {to_high} dB");
    }
}

#[test]
fn up_and_straight_down_is_a_whole_delay() {
    // (factor, frames, bounds of gain in dB and phase at the edge of the pass band: what a cubic knows of it)
    let factors = [
        (1, 53, (0.03, 1e-2)),
        (2, 62, (1e-3, 4e-4)),
        (4, 65, (1e-3, 1e-5)),
        (8, 66, (1e-3, 4e-7)),
        (16, 66, (1e-3, 2e-8)),
    ];
    for (factor, expected, bounds) in factors {
        for frequency in [0.001, 0.05, 0.21, 0.3333, PASS_BAND] {
            let (mut up, mut down) = fresh(factor);
            let latency = up.latency_frames() + Decimator::LATENCY;
            assert_eq!(latency, expected, "×{factor}");
            let mut steps = Steps::default();
            // Correlation with the delayed sine and its quadrature over whole turns of the phase grid.
            let (mut real, mut imaginary, mut power) = (0.0, 0.0, 0.0);
            let frames = 10_000;
            for n in 0..frames + 400 {
                let phase = |n: f64| TAU * frequency * n;
                up.push(2, phase(f64::from(n)).sin(), steps.as_flattened_mut());
                take(&mut down, 2, &steps[..factor]);
                let out = down.pull()[2];
                if n >= 400 {
                    let late = phase(f64::from(n) - latency as f64);
                    let fade = (PI * f64::from(n - 400) / f64::from(frames)).sin().powi(2);
                    real += fade * out * late.sin();
                    imaginary += fade * out * late.cos();
                    power += fade * late.sin() * late.sin();
                    assert!((out - late.sin()).abs() < 1.2 * bounds.1 + 0.12 * bounds.0, "×{factor} at {frequency} fs");
                }
            }
            let phase = (imaginary / real).atan();
            let gain = db(real / power);
            println!("×{factor} at {frequency} fs: {gain:.1e} dB, {phase:.1e} rad");
            let (most_db, most_phase) = bounds;
            let part = frequency / PASS_BAND;
            assert!(phase.abs() < most_phase * part.powi(4) + 1e-9, "×{factor} at {frequency} fs: {phase} rad");
            assert!(gain.abs() < most_db, "×{factor} at {frequency} fs: {gain} dB");
        }
    }
}

#[test]
fn a_settled_filter_passes_its_operating_point_from_the_first_frame() {
    for factor in FACTORS {
        let (mut up, mut down) = fresh(factor);
        let rest = [0.25, -1.5, 3.0];
        up.settle(rest);
        down.settle([0.25, -1.5, 3.0, 0.0]);
        let mut steps = Steps::default();
        for _ in 0..100 {
            for lane in 0..3 {
                up.push(lane, rest[lane], steps.as_flattened_mut());
                take(&mut down, lane, &steps[..factor]);
                for node in 0..3 {
                    approx::assert_abs_diff_eq!(steps[factor - 1][node], rest[lane], epsilon = 1e-11);
                }
            }
            let out = down.pull();
            for lane in 0..3 {
                approx::assert_abs_diff_eq!(out[lane], rest[lane], epsilon = 1e-11);
            }
        }
    }
}

#[test]
fn a_reset_equals_a_fresh_start_to_the_bit() {
    for factor in FACTORS {
        let (mut up, mut down) = fresh(factor);
        let (mut new_up, mut new_down) = (Upsampler::new(factor), Decimator::new());
        let (mut steps, mut new_steps) = (Steps::default(), Steps::default());
        for n in 0..300 {
            for (lane, sample) in [f64::from(n).sin(), f64::from(n * n).cos(), f64::from(n % 7)].into_iter().enumerate()
            {
                let (a, b) = (
                    up.push(lane, sample, steps.as_flattened_mut()),
                    new_up.push(lane, sample, new_steps.as_flattened_mut()),
                );
                assert_eq!((a, steps), (b, new_steps), "×{factor}");
                take(&mut down, lane, &steps[..factor]);
                take(&mut new_down, lane, &steps[..factor]);
            }
            assert_eq!(down.pull(), new_down.pull(), "×{factor}");
        }
    }
}

/// A lane falls silent when nothing is left in it and not before, and is back with the first sample that is not zero.
#[test]
fn a_silent_lane_rests_only_when_nothing_is_left_in_it() {
    for factor in FACTORS {
        // The second of these never rests: next to nothing, but not nothing.
        let (mut up, _) = fresh(factor);
        let (mut steps, mut restless) = (Steps::default(), Steps::default());
        let mut rested = 0;
        for n in 0..1000 {
            let sample = if n % 400 < 20 { 1.0 + f64::from(n).sin() } else { 0.0 };
            let sounds = up.push(0, sample, steps.as_flattened_mut());
            if !sounds {
                assert_eq!(steps, Steps::default(), "×{factor}: something was left");
                rested += 1;
            }
            up.push(1, if sample == 0.0 { 1e-200 } else { sample }, restless.as_flattened_mut());
            for (a, b) in steps.as_flattened().iter().zip(restless.as_flattened()) {
                assert!((a - b).abs() < 1e-190, "×{factor}");
            }
        }
        assert!(rested > 400, "×{factor}: {rested}");
    }
}

#[test]
#[should_panic(expected = "given 3, allowed are 1, 2, 4, 8 and 16")]
fn another_factor_is_refused() {
    Upsampler::new(3);
}

/// A lane that is held and one whose steps bring the same value stay alike, through the hold and after it.
#[test]
fn a_held_lane_equals_its_steps() {
    let mut down = Decimator::new();
    let mut value = 0.0;
    for n in 0..3000 {
        let moves = n % 500 < [1, 40, 100, 439, 441, 499][n / 500];
        if moves {
            value = (0.1 * n as f64).sin();
        }
        down.take(1, 0, 0, &[value; 3]);
        if moves {
            down.take(2, 0, 0, &[value; 3]);
        } else {
            down.hold(2);
        }
        let out = down.pull();
        approx::assert_abs_diff_eq!(out[1], out[2], epsilon = 1e-14);
    }
}
