//! True peaks measured by sixteen-fold interpolation over the whole signal, transparency, latency, switching, recovery.

use super::*;
use realfft::RealFftPlanner;
use std::f64::consts::{PI, TAU};

const RATE: f64 = 48_000.0;

/// True peak of one side by sixteen-fold interpolation through the spectrum of the whole signal.
fn true_peak(signal: &[f64]) -> f64 {
    let count = signal.len().next_power_of_two();
    let mut padded = signal.to_vec();
    padded.resize(count, 0.0);
    let mut planner = RealFftPlanner::new();
    let forward = planner.plan_fft_forward(count);
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut padded, &mut spectrum).unwrap();
    let back = planner.plan_fft_inverse(16 * count);
    let mut fine = back.make_input_vec();
    // The line at fs/2 is shared by both sides of the spectrum.
    spectrum[count / 2] *= 0.5;
    fine[..=count / 2].copy_from_slice(&spectrum);
    let mut out = back.make_output_vec();
    back.process(&mut fine, &mut out).unwrap();
    out.iter().fold(0.0_f64, |peak, x| peak.max(x.abs())) / count as f64
}

/// A limiter that has been through the worst, then reset.
fn fresh() -> Limiter {
    let mut limiter = Limiter::new(RATE);
    for n in 0..5000 {
        let x = if n % 3 == 0 { f64::NAN } else { 1e5 * f64::from(n % 11 - 5) };
        limiter.set(n % 500 < 400, -20.0);
        limiter.tick([x, -x]);
    }
    limiter.set(true, -1.0);
    limiter.reset();
    limiter
}

fn noise(seed: &mut u64) -> f64 {
    *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*seed >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

/// Half a second of each nasty signal.
fn nasty() -> Vec<(&'static str, Vec<f64>)> {
    let count = 24_000;
    let signal = |f: &mut dyn FnMut(usize) -> f64| (0..count).map(f).collect::<Vec<f64>>();
    let mut seed = 7;
    let mut white = signal(&mut |_| 10.0 * noise(&mut seed));
    let bell = |seed: &mut u64| (0..12).map(|_| noise(seed)).sum::<f64>();
    let gaussian = signal(&mut |_| bell(&mut seed));
    let coin = signal(&mut |_| noise(&mut seed).signum() * 3.0);
    // Noise below 0.46 fs: white noise through a long windowed sinc.
    let low: Vec<f64> = {
        let taps: Vec<f64> = (-100..=100_i32)
            .map(|k| {
                let x = f64::from(k);
                let sinc = if k == 0 { 0.9 } else { (0.9 * PI * x).sin() / (PI * x) };
                sinc * (0.5 + 0.5 * (PI * x / 101.0).cos())
            })
            .collect();
        white.windows(taps.len()).map(|w| w.iter().zip(&taps).map(|(x, h)| x * h).sum()).collect()
    };
    let mut bursts = vec![0.0; count];
    for start in (500..count - 500).step_by(701) {
        let length = 3 + start % 60;
        for n in 0..length {
            bursts[start + n] = 20.0 * (0.5 * PI * n as f64 + 0.25 * PI).sin();
        }
    }
    white.truncate(count);
    vec![
        ("fs/4 at 45°", signal(&mut |n| 2.0 * (0.5 * PI * n as f64 + 0.25 * PI).sin())),
        ("fs/6 at 30°", signal(&mut |n| 1.2 * (PI / 3.0 * n as f64 + PI / 6.0).sin())),
        ("0.45 fs", signal(&mut |n| 5.0 * (0.9 * PI * n as f64).sin())),
        ("bursts of fs/4", bursts),
        ("white noise", white),
        ("Gaussian noise", gaussian),
        ("random ±3 V", coin),
        ("noise below 0.46 fs", low),
        ("square, ±100 V", signal(&mut |n| 100.0 * (TAU * 997.0 / RATE * n as f64).sin().signum())),
        ("impulses", signal(&mut |n| if n % 1003 == 700 { 30.0 } else { 0.0 })),
        ("a step to 50 V", signal(&mut |n| if n > 9000 { 50.0 } else { 0.1 })),
        ("just over", signal(&mut |n| 0.95 * (TAU * 5123.0 / RATE * n as f64).sin())),
        ("swelling tone", signal(&mut |n| 3.0 * n as f64 / count as f64 * (TAU * 441.0 / RATE * n as f64).sin())),
    ]
}

/// The signal through the limiter with silence around it, so that nothing is cut.
fn limited(limiter: &mut Limiter, signal: &[f64], right: f64) -> [Vec<f64>; 2] {
    let mut sides = [Vec::new(), Vec::new()];
    for &x in &[&[0.0; 300], signal, &[0.0; 300]].concat() {
        let out = limiter.tick([x, right * x]);
        for side in 0..2 {
            sides[side].push(out[side]);
        }
    }
    sides
}

#[test]
fn no_true_peak_exceeds_the_ceiling() {
    let mut worst = f64::NEG_INFINITY;
    for ceiling_db in [-1.0, -12.0] {
        for (name, signal) in nasty() {
            let mut limiter = fresh();
            limiter.set(true, ceiling_db);
            let [left, right] = limited(&mut limiter, &signal, -0.7);
            let over = 20.0 * true_peak(&left).max(true_peak(&right)).log10() - ceiling_db;
            println!("{ceiling_db} dB, {name}: {over:+.3} dB");
            worst = worst.max(over);
        }
    }
    assert!(worst <= 0.0, "{worst} dB over the ceiling");
}

#[test]
fn the_measure_itself_finds_the_peak_between_samples() {
    // sin at fs/4, 45°: samples at ±0.7071, peak 1 (ITU-R BS.1770, annex 2, names this case). Faded, so that its
    // ends do not ring.
    let signal: Vec<f64> = (0..4096)
        .map(|n| (PI * f64::from(n) / 4096.0).sin().powi(2) * (0.5 * PI * f64::from(n) + 0.25 * PI).sin())
        .collect();
    assert!(signal.iter().all(|x| x.abs() < 0.7072));
    approx::assert_abs_diff_eq!(true_peak(&signal), 1.0, epsilon = 1e-5);
}

#[test]
fn what_needs_no_limiting_comes_out_bit_for_bit() {
    let mut limiter = fresh();
    let latency = limiter.latency_frames();
    // Up to 0.05 dB under the ceiling; swelling, since a hard beginning has its own peak between samples.
    let tone = |n: usize| 0.886 * (n as f64 / 400.0).min(1.0) * (TAU * 3001.0 / RATE * n as f64).sin();
    let signal: Vec<[f64; 2]> = (0..20_000).map(|n| [tone(n), 0.3 * tone(n + 7)]).collect();
    for (n, &frame) in signal.iter().enumerate() {
        let out = limiter.tick(frame);
        assert_eq!(out, if n < latency { [0.0; 2] } else { signal[n - latency] });
        assert_eq!(limiter.gain(), 1.0, "frame {n}");
    }
}

#[test]
fn the_latency_is_the_same_on_or_off_at_every_rate() {
    for rate in [8e3, 44.1e3, 48e3, 96e3, 192e3, 768e3] {
        for on in [true, false] {
            let mut limiter = Limiter::new(rate);
            limiter.set(on, -1.0);
            let latency = limiter.latency_frames();
            assert_eq!(latency, ((1.4e-3 * rate).round() as usize).max(50));
            for n in 0..3 * latency {
                let out = limiter.tick([if n == 0 { 0.5 } else { 0.0 }, 0.0]);
                assert_eq!(out[0], if n == latency { 0.5 } else { 0.0 });
            }
        }
    }
}

#[test]
fn off_it_is_a_wire_and_switching_glides() {
    let mut limiter = fresh();
    let latency = limiter.latency_frames();
    // 3 V of DC shows the gain itself.
    limiter.set(false, -1.0);
    for n in 0..1000 {
        let out = limiter.tick([3.0; 2]);
        assert_eq!(out, if n < latency { [0.0; 2] } else { [3.0; 2] });
    }
    let mut last = 3.0;
    let mut steepest = 0.0_f64;
    for n in 0..40_000 {
        limiter.set(n / 10_000 % 2 == 0, -1.0);
        let [left, right] = limiter.tick([3.0; 2]);
        assert_eq!(left, right);
        assert!(limiter.gain() <= 1.0);
        steepest = steepest.max((left - last).abs());
        last = left;
        if n == 9_999 {
            assert!(left < 0.8913, "{left}");
        }
    }
    // The whole way of 2.1 V takes at least the smoothing's 29 frames.
    assert!(steepest < 2.0 * 2.2 / 29.0, "{steepest} V in a frame");
    assert!(last > 2.5, "off, it comes back: {last} V");
}

#[test]
fn both_sides_share_one_gain() {
    let mut limiter = fresh();
    for n in 0..5000 {
        let x = 4.0 * (0.11 * f64::from(n)).sin();
        let [left, right] = limiter.tick([x, 0.01 * x]);
        approx::assert_abs_diff_eq!(0.01 * left, right, epsilon = 1e-15);
    }
}

#[test]
fn what_is_not_a_number_is_silence_and_leaves_no_trace() {
    let mut limiter = fresh();
    let latency = limiter.latency_frames();
    for (n, bad) in
        [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, f64::MAX, 1e-310].iter().cycle().take(600).enumerate()
    {
        let out = limiter.tick([*bad, if n % 2 == 0 { f64::NAN } else { 0.1 }]);
        assert!(out.iter().all(|x| x.is_finite() && x.abs() < 0.8913), "{out:?}");
    }
    // The way back from 1 MV is long, but it ends at exactly 1.
    for n in 0..(3.0 * RATE) as usize {
        let out = limiter.tick([0.5; 2]);
        assert!(n < latency || out[0] > 0.0);
    }
    assert_eq!(limiter.gain(), 1.0);
    assert_eq!(limiter.tick([0.5; 2]), [0.5; 2]);
}

#[test]
fn a_reset_equals_a_fresh_start_to_the_bit() {
    let (mut reset, mut new) = (fresh(), Limiter::new(RATE));
    let mut seed = 3;
    for _ in 0..5000 {
        let frame = [3.0 * noise(&mut seed), noise(&mut seed)];
        assert_eq!(reset.tick(frame), new.tick(frame));
    }
}
