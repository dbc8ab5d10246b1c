//! What is heard that the circuit does not make: images of harmonics, and of an edge's position.
//!
//! ```text
//!   a sine, hard driven ─► Instrument ─► tap ─► spectrum, window ─► the strongest line that is no harmonic
//! ```
//! Harmonics of 5 kHz lie at multiples of 5 kHz; at a host rate of 48 kHz those above 24 kHz would fold onto 23, 18, 13, 8 and
//! 3 kHz. Level against the strongest line of the same tap.
//!
//! Window: sin⁸, whose side lobes fall by 54 dB an octave: a line leaves less than −150 dB where this looks for others.

use realfft::RealFftPlanner;
use std::f64::consts::{PI, TAU};
use std::fmt::Write as _;
use tritank_dsp::board::Board;
use tritank_dsp::instrument::{Input, Instrument};
use tritank_dsp::knobs::{Knob, QUALITIES, Settings};
use tritank_dsp::lines::{Line, Source};

const RATE_HZ: f64 = 48e3;
const FRAMES: usize = 1 << 15;

/// Magnitudes of one tap, bin by bin.
fn spectrum(mut tap: Vec<f64>) -> Vec<f64> {
    let count = tap.len();
    for (n, x) in tap.iter_mut().enumerate() {
        *x *= (PI * n as f64 / count as f64).sin().powi(8);
    }
    let fft = RealFftPlanner::new().plan_fft_forward(count);
    let mut bins = fft.make_output_vec();
    fft.process(&mut tap, &mut bins).expect("as long as planned");
    bins.iter().map(|bin| bin.norm()).collect()
}

/// The strongest line of all.
fn strongest(magnitudes: &[f64], guard: usize) -> f64 {
    magnitudes[guard..].iter().copied().fold(0.0, f64::max)
}

/// Strongest line up to 20 kHz that is not within `guard` bins of a multiple of `hertz`, against `strongest`, dB; and where.
fn strangest(magnitudes: &[f64], hertz: f64, guard: usize, strongest: f64) -> (f64, f64) {
    let bin_hz = RATE_HZ / FRAMES as f64;
    let strange = |bin: usize| {
        let harmonic = (bin as f64 * bin_hz / hertz).round() * hertz;
        bin > guard && (bin as f64 - harmonic / bin_hz).abs() > guard as f64
    };
    let (bin, level) = magnitudes
        .iter()
        .enumerate()
        .filter(|(bin, _)| *bin as f64 * bin_hz <= 20e3 && strange(*bin))
        .fold((0, 0.0), |most, (bin, level)| if *level > most.1 { (bin, *level) } else { most });
    (20.0 * (level / strongest).log10(), bin as f64 * bin_hz)
}

/// The three taps under a sine, once it has settled; a line that is turned over `switched_hz` times a second, if any.
fn taps(knobs: &[(Knob, f64)], hertz: f64, volts: f64, switched_hz: f64) -> [Vec<f64>; 3] {
    let board = Board::built_in();
    let mut settings = Settings::of(&board);
    for (knob, value) in knobs {
        settings.set(*knob, *value);
    }
    let mut unit = Instrument::new(&board, &settings, RATE_HZ).expect("48 kHz is allowed");
    let mut taps = [const { Vec::new() }; 3];
    for n in 0..FRAMES + 9600 {
        // Where in this frame the line turns over, if it does.
        let turns = [n, n + 1].map(|n| n as f64 * switched_hz / RATE_HZ);
        if turns[1].floor() > turns[0].floor() {
            let part = (turns[1].floor() - turns[0]) / (turns[1] - turns[0]);
            unit.gate_within(Source::Score, Line::of_stage(0, 2), turns[1].floor() % 2.0 == 0.0, part);
        }
        let main = volts * (TAU * hertz * n as f64 / RATE_HZ).sin();
        let out = unit.tick(Input { main: [main; 2], ..Input::default() });
        if n >= 9600 {
            for (tap, volts) in taps.iter_mut().zip(out.taps) {
                tap.push(volts);
            }
        }
    }
    taps
}

#[test]
fn a_hard_driven_sine_has_harmonics_and_nothing_else() {
    // (oversampling, allowed dB)
    let mut bad = String::new();
    for (quality, allowed) in [(1, -55.0), (2, -70.0), (4, -90.0), (8, -100.0), (16, -110.0)] {
        let place = QUALITIES.iter().position(|q| *q == quality).expect("a quality");
        for volts in [2.0, 8.0] {
            let knobs = [(Knob::UnitQuality, place as f64), (Knob::Stage1Main, 1.0), (Knob::Stage2Link, 0.5)];
            for (n, tap) in taps(&knobs, 5e3, volts, 0.0).into_iter().enumerate() {
                let magnitudes = spectrum(tap);
                let (level, hertz) = strangest(&magnitudes, 5e3, 40, strongest(&magnitudes, 40));
                println!("×{quality:<2} {volts} V, tap {}: {level:.1} dB at {hertz:.0} Hz", n + 1);
                if level > allowed {
                    writeln!(bad, "×{quality}, {volts} V, tap {}: given {level:.1} dB, allowed is {allowed}", n + 1)
                        .expect("a string takes it");
                }
            }
        }
    }
    assert!(bad.is_empty(), "\n{bad}");
}

/// A line that is switched at an audible rate, between frames. Everything the circuit makes of a tone and a rate that are both
/// multiples of one frequency lies at multiples of it; what folds at 48 kHz lies half way between them. Each tap is held
/// against its own strongest line. Asked is −80 dB.
#[test]
fn a_line_switched_at_an_audible_rate_makes_its_own_tones_and_no_others() {
    let base = RATE_HZ / 473.5;
    for rate in [11.0, 37.0, 97.0] {
        // A whole turn takes two edges.
        let all = taps(&[(Knob::Stage1Main, 0.4)], 4.0 * base, 0.3, 2.0 * rate * base);
        let all = all.map(spectrum);
        for (n, tap) in all.iter().enumerate() {
            let (level, hertz) = strangest(tap, base, 16, strongest(tap, 16));
            println!("switched at {:.0} Hz, tap {}: {level:.1} dB at {hertz:.0} Hz", rate * base, n + 1);
            assert!(level < -100.0, "{:.0} Hz, tap {}: {level:.1} dB at {hertz:.0} Hz", rate * base, n + 1);
        }
    }
}
