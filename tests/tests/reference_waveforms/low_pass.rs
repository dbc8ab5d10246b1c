//! What both sides are compared under, at any rate.

use std::f64::consts::{PI, TAU};
use std::ops::Range;

/// Centre of the transition: flat to 16 kHz, 140 dB down from 19.2 kHz.
const CENTRE_HZ: f64 = 17.6e3;
const ATTENUATION_DB: f64 = 140.0;
/// How far it reaches to either side; 132/14.36 of a period of the transition's width.
const REACH_SECONDS: f64 = 1.5e-3;

/// `row` at every `every`-th value, low-passed: values `wanted` of that coarser row. Before its start `row` stood at
/// its first value; behind its last wanted value it must reach on.
///
/// A windowed sinc after J. F. Kaiser, "Nonrecursive digital filter design using the I₀-sinh window function", Proc.
/// IEEE Int. Symp. on Circuits and Systems (1974) 20–23 (its two design formulas from memory). It is one function of
/// time, so that rows of different rates are filtered alike.
pub(crate) fn below_16_khz(row: &[f64], rate_hz: f64, every: usize, wanted: Range<usize>) -> Vec<f64> {
    let half = (REACH_SECONDS * rate_hz) as usize;
    let beta = 0.1102 * (ATTENUATION_DB - 8.7);
    let kernel: Vec<f64> = (0..=2 * half)
        .map(|n| {
            let seconds = (n as f64 - half as f64) / rate_hz;
            let turn = TAU * CENTRE_HZ * seconds;
            let sinc = if n == half { 1.0 } else { turn.sin() / turn };
            sinc * bessel_i0(beta * (1.0 - (seconds / REACH_SECONDS).powi(2)).max(0.0).sqrt())
        })
        .collect();
    let sum: f64 = kernel.iter().sum();
    let at = |n: usize, k: usize| row[(n * every + k).saturating_sub(half)];
    wanted.map(|n| kernel.iter().enumerate().map(|(k, weight)| weight * at(n, k)).sum::<f64>() / sum).collect()
}

/// Σ ((x/2)ⁿ/n!)².
fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum, mut n) = (1.0, 1.0, 0.0);
    while term > 1e-17 * sum {
        n += 1.0;
        term *= (x / 2.0 / n).powi(2);
        sum += term;
    }
    sum
}

#[test]
fn the_low_pass_is_flat_to_16_khz_and_down_from_19_khz_at_any_rate() {
    for (rate_hz, every) in [(44.1e3, 1), (48e3, 1), (96e3, 2), (176.4e3, 4), (192e3, 4)] {
        // Peak over every phase, from a sine and a cosine.
        let gain_db = |hertz: f64| {
            let [sine, cosine] = [0.0, PI / 2.0].map(|phase| {
                let row: Vec<f64> =
                    (0..1200 * every).map(|n| (TAU * hertz * n as f64 / rate_hz + phase).sin()).collect();
                below_16_khz(&row, rate_hz, every, 200..1000)
            });
            20.0 * sine.iter().zip(&cosine).fold(0.0f64, |peak, (s, c)| peak.max(s.hypot(*c))).log10()
        };
        for hertz in [100.0, 1e3, 9.1e3, 16e3] {
            assert!(gain_db(hertz).abs() < 2e-6, "{hertz} Hz at {rate_hz} Hz: {} dB", gain_db(hertz));
        }
        for hertz in [19.2e3, 20.1e3, 22e3, 0.49 * rate_hz] {
            assert!(gain_db(hertz) < -138.0, "{hertz} Hz at {rate_hz} Hz: {} dB", gain_db(hertz));
        }
    }
}
