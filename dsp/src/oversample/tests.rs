//! The specification in the module's head, asserted for every factor.

use super::*;
use realfft::RealFftPlanner;
use std::f64::consts::PI;

const FACTORS: [usize; 5] = [1, 2, 4, 8, 16];

fn db(ratio: f64) -> f64 {
    20.0 * ratio.abs().max(1e-300).log10()
}

/// Leaves nothing at zero, then resets.
fn dirty(up: &mut Upsampler, down: &mut Downsampler) {
    let mut steps = [[[0.0; 4]; 3]; MOST];
    for n in 0..500 {
        up.push([f64::from(n), -3.0, 1e9, 1e-9], &mut steps);
        down.pull(&steps.map(|step| step[1]));
    }
    up.reset();
    down.reset();
}

fn fresh(factor: usize) -> (Upsampler, Downsampler) {
    let (mut up, mut down) = (Upsampler::new(factor), Downsampler::new(factor));
    dirty(&mut up, &mut down);
    (up, down)
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
        let mut steps = [[[0.0; 4]; 3]; MOST];
        let mut responses = [const { Vec::new() }; 3];
        for n in 0..200 {
            let x = if n == 0 { 1.0 / factor as f64 } else { 0.0 };
            up.push([0.0, x, 0.0, 0.0], &mut steps);
            for step in &steps[..factor] {
                assert_eq!([step[0][0], step[1][2], step[2][3]], [0.0; 3], "lanes do not mix");
                for node in 0..3 {
                    responses[node].push(step[node][1]);
                }
            }
        }
        for (node, response) in responses.into_iter().enumerate() {
            check_bands(response, factor, &format!("up, node {node}"));
        }
    }
}

#[test]
fn half_bands_pass_and_stop_as_specified_on_the_way_down() {
    for factor in FACTORS {
        // The response to an impulse in step k holds every factor-th value of the whole response.
        let frames = 200;
        let mut response = vec![0.0; frames * factor];
        for k in 0..factor {
            let (_, mut down) = fresh(factor);
            for n in 0..frames {
                let mut steps = [[0.0; 4]; MOST];
                if n == 0 {
                    steps[k][2] = 1.0;
                }
                let out = down.pull(&steps[..factor]);
                assert_eq!([out[0], out[1], out[3]], [0.0; 3], "lanes do not mix");
                response[n * factor + factor - 1 - k] = out[2];
            }
        }
        check_bands(response, factor, "down");
    }
}

/// Largest error at any node against the sine itself, aligned as documented.
fn node_error(factor: usize, frequency: f64) -> f64 {
    let (mut up, _) = fresh(factor);
    let mut steps = [[[0.0; 4]; 3]; MOST];
    let mut worst = 0.0_f64;
    for n in 0..400 {
        up.push([(TAU * frequency * f64::from(n)).sin(); 4], &mut steps);
        if n < 200 {
            continue;
        }
        let start = f64::from(n) - up.latency_frames() as f64;
        for (k, step) in steps[..factor].iter().enumerate() {
            for (c, value) in NODES.iter().zip(step) {
                let time = start + (k as f64 + c) / factor as f64;
                worst = worst.max((value[3] - (TAU * frequency * time).sin()).abs());
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
    for (factor, expected) in [(1, 24), (2, 62), (4, 69), (8, 72), (16, 72)] {
        for frequency in [0.001, 0.05, 0.21, 0.3333, PASS_BAND] {
            let (mut up, mut down) = fresh(factor);
            let latency = up.latency_frames() + down.latency_frames();
            assert_eq!(latency, expected, "×{factor}");
            let mut steps = [[[0.0; 4]; 3]; MOST];
            // Correlation with the delayed sine and its quadrature over whole turns of the phase grid.
            let (mut real, mut imaginary, mut power) = (0.0, 0.0, 0.0);
            let frames = 10_000;
            for n in 0..frames + 400 {
                let phase = |n: f64| TAU * frequency * n;
                up.push([0.0, 0.0, phase(f64::from(n)).sin(), 0.0], &mut steps);
                let ends = steps.map(|step| step[2]);
                let out = down.pull(&ends[..factor])[2];
                if n >= 400 {
                    let late = phase(f64::from(n) - latency as f64);
                    let fade = (PI * f64::from(n - 400) / f64::from(frames)).sin().powi(2);
                    real += fade * out * late.sin();
                    imaginary += fade * out * late.cos();
                    power += fade * late.sin() * late.sin();
                    assert!((out - late.sin()).abs() < 1e-5, "×{factor} at {frequency} fs");
                }
            }
            let phase = (imaginary / real).atan();
            let gain = db(real / power);
            println!("×{factor} at {frequency} fs: {gain:.1e} dB, {phase:.1e} rad");
            assert!(phase.abs() < 1e-12, "×{factor} at {frequency} fs: {phase} rad left over");
            assert!(gain.abs() < 0.001, "×{factor} at {frequency} fs: {gain} dB");
        }
    }
}

#[test]
fn a_settled_filter_passes_its_operating_point_from_the_first_frame() {
    for factor in FACTORS {
        let (mut up, mut down) = fresh(factor);
        let rest = [0.25, -1.5, 3.0, 0.0];
        up.settle(rest);
        down.settle(rest);
        let mut steps = [[[0.0; 4]; 3]; MOST];
        for _ in 0..100 {
            up.push(rest, &mut steps);
            let ends = steps.map(|step| step[2]);
            let out = down.pull(&ends[..factor]);
            for lane in 0..4 {
                approx::assert_abs_diff_eq!(out[lane], rest[lane], epsilon = 1e-14);
                for node in 0..3 {
                    approx::assert_abs_diff_eq!(steps[factor - 1][node][lane], rest[lane], epsilon = 1e-12);
                }
            }
        }
    }
}

#[test]
fn a_reset_equals_a_fresh_start_to_the_bit() {
    for factor in FACTORS {
        let (mut up, mut down) = fresh(factor);
        let (mut new_up, mut new_down) = (Upsampler::new(factor), Downsampler::new(factor));
        let mut steps = [[[0.0; 4]; 3]; MOST];
        let mut new_steps = steps;
        for n in 0..300 {
            let frame = [f64::from(n).sin(), f64::from(n * n).cos(), 1.0, f64::from(n % 7)];
            up.push(frame, &mut steps);
            new_up.push(frame, &mut new_steps);
            assert_eq!(steps, new_steps, "×{factor}");
            let ends = steps.map(|step| step[2]);
            assert_eq!(down.pull(&ends[..factor]), new_down.pull(&ends[..factor]), "×{factor}");
        }
    }
}

#[test]
#[should_panic(expected = "given 3, allowed are 1, 2, 4, 8 and 16")]
fn another_factor_is_refused() {
    Upsampler::new(3);
}
