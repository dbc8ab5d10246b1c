//! Rendering with the built bench: in its place to the sample, the same bits again, and honest about what it did.

mod bench;

use bench::Bench;
use hound::{SampleFormat, WavReader, WavSpec, WavWriter};
use std::f64::consts::TAU;

/// The direct signal alone, so that what comes out must be what went in.
const DIRECT: &str =
    "--set direct.level=1 --set tap1.level=0 --set tap2.level=0 --set tap3.level=0 --set stage1.main=0.05";

fn write(bench: &Bench, name: &str, sample_rate: u32, channels: &[&[f64]]) {
    let spec = WavSpec {
        channels: channels.len() as u16,
        sample_rate,
        bits_per_sample: 32,
        sample_format: SampleFormat::Float,
    };
    let mut writer = WavWriter::create(bench.path(name), spec).unwrap();
    for frame in 0..channels[0].len() {
        for channel in channels {
            writer.write_sample(channel[frame] as f32).unwrap();
        }
    }
    writer.finalize().unwrap();
}

/// Rate and channels.
fn read(bench: &Bench, name: &str) -> (u32, Vec<Vec<f64>>) {
    let mut reader = WavReader::open(bench.path(name)).unwrap();
    let spec = reader.spec();
    assert_eq!((spec.bits_per_sample, spec.sample_format), (32, SampleFormat::Float));
    let samples: Vec<_> = reader.samples::<f32>().map(|sample| f64::from(sample.unwrap())).collect();
    let count = usize::from(spec.channels);
    let channels = (0..count).map(|n| samples.iter().skip(n).step_by(count).copied().collect()).collect();
    (spec.sample_rate, channels)
}

fn tone(rate_hz: u32, hertz: f64, volts: f64, frames: usize) -> Vec<f64> {
    (0..frames).map(|n| volts * (TAU * hertz * n as f64 / f64::from(rate_hz)).sin()).collect()
}

/// Sound in which every frame knows its place: noise of a 64-bit linear congruence (constants of MMIX by D. E. Knuth,
/// from memory).
fn noise(volts: f64, frames: usize) -> Vec<f64> {
    let mut state = 1u64;
    let next = |_| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        volts * ((state >> 11) as f64 / 2f64.powi(52) - 1.0)
    };
    (0..frames).map(next).collect()
}

fn error_db(out: &[f64], wanted: &[f64]) -> f64 {
    let square = |row: &mut dyn Iterator<Item = f64>| row.map(|x| x * x).sum::<f64>();
    let error = square(&mut out.iter().zip(wanted).map(|(a, b)| a - b));
    10.0 * (error / square(&mut wanted.iter().copied())).log10()
}

#[test]
fn the_direct_signal_comes_out_at_the_same_frame() {
    let bench = Bench::new();
    let (left, right) = (noise(0.2, 3000), tone(44_100, 440.0, 0.2, 3000));
    for rate in [44_100, 96_000] {
        write(&bench, "in.wav", rate, &[&left, &right]);
        for quality in [1, 2, 4, 8, 16] {
            for limiter in ["on", "off"] {
                let knobs = format!("{DIRECT} --set limiter={limiter} --quality {quality}");
                bench.well(&format!("render --in1 in.wav {knobs} --out out.wav"));
                let (out_rate, out) = read(&bench, "out.wav");
                assert_eq!((out_rate, out[0].len(), out[1].len()), (rate, 3000, 3000));
                for (out, wanted) in out.iter().zip([&left, &right]) {
                    let error = error_db(out, wanted);
                    assert!(error < -100.0, "{rate} Hz, ×{quality}, limiter {limiter}: {error:.1} dB");
                }
            }
        }
    }
}

#[test]
fn a_rendering_is_the_same_bits_again_and_a_longer_one_begins_with_a_shorter() {
    let bench = Bench::new();
    write(&bench, "in.wav", 48_000, &[&noise(0.3, 4800)]);
    bench.put("steps.csv", "seconds,line,state\n0.01,1.0,on\n0.03,2.1,on\n0.05,1.0,off\n0.06,hard,on\n");
    let line = "render --in1 in.wav --lines steps.csv --set exciter.level=0.5 --set stage1.main=0.5";
    bench.well(&format!("{line} --out a.wav --taps at.wav"));
    bench.well(&format!("{line} --out b.wav --taps bt.wav"));
    for (a, b) in [("a.wav", "b.wav"), ("at.wav", "bt.wav")] {
        assert!(std::fs::read(bench.path(a)).unwrap() == std::fs::read(bench.path(b)).unwrap(), "{a} against {b}");
    }
    bench.well(&format!("{line} --seconds 0.12 --out c.wav"));
    let ((_, a), (_, c)) = (read(&bench, "a.wav"), read(&bench, "c.wav"));
    assert_eq!((a[0].len(), c[0].len()), (4800, 5760));
    // Within the latency of the end, what follows the input is already heard by the filters.
    assert!(a.iter().zip(&c).all(|(a, c)| a[..4000] == c[..4000]));
    assert!(a[0].iter().any(|volts| volts.abs() > 1e-3));
}

#[test]
fn an_edge_of_a_score_falls_on_its_frame() {
    let bench = Bench::new();
    write(&bench, "in.wav", 48_000, &[&tone(48_000, 700.0, 0.3, 4800)]);
    bench.put("steps.csv", "seconds,line,state\n0.05,1.2,on\n0.9,1.2,off\n");
    bench.well("render --in1 in.wav --out a.wav --taps plain.wav");
    let output = bench.run("render --in1 in.wav --lines steps.csv --out a.wav --taps switched.wav");
    assert!(output.status.success());
    assert!(String::from_utf8(output.stderr).unwrap().contains("1 edge of the score lies beyond the end"));
    let (plain, switched) = (read(&bench, "plain.wav").1, read(&bench, "switched.wav").1);
    let apart = |frame: usize| (plain[1][frame] - switched[1][frame]).abs();
    // The filters that come down from the internal rate ring on both sides of an edge: 48 frames of ringing at most.
    assert!((0..2400 - 48).all(|frame| apart(frame) < 1e-6));
    assert!((2400..2424).map(apart).fold(0.0, f64::max) > 1e-3);
}

#[test]
fn the_taps_have_pulse_and_three_tanks_and_the_facts_are_those_of_the_files() {
    let bench = Bench::new();
    write(&bench, "in.wav", 48_000, &[&tone(48_000, 600.0, 0.2, 2400)]);
    write(&bench, "in2.wav", 48_000, &[&tone(48_000, 2000.0, 0.1, 4800), &tone(48_000, 2000.0, 0.1, 4800)]);
    let facts = bench.facts(
        "render --in1 in.wav --in2 in2.wav --set exciter.level=0.3 --out out.wav --taps taps.wav --quality 2 --json",
    );
    let (out, taps) = (read(&bench, "out.wav").1, read(&bench, "taps.wav").1);
    assert_eq!((out.len(), taps.len(), out[0].len(), taps[0].len()), (2, 4, 4800, 4800));
    assert_eq!((&facts["frames"], &facts["rate_hz"], &facts["quality"]), (&4800.into(), &48_000.into(), &2.into()));
    let near = |told: &serde_json::Value, channel: &[f64]| {
        let peak = channel.iter().fold(0.0, |peak: f64, volts| peak.max(volts.abs()));
        approx::assert_relative_eq!(told.as_f64().unwrap(), peak, max_relative = 1e-6);
    };
    for (n, channel) in out.iter().enumerate() {
        near(&facts["peak_volts"][n], channel);
        let rms = (channel.iter().map(|x| x * x).sum::<f64>() / 4800.0).sqrt();
        approx::assert_relative_eq!(facts["rms_volts"][n].as_f64().unwrap(), rms, max_relative = 1e-5);
    }
    for (n, channel) in taps.iter().enumerate() {
        near(&facts["taps_peak_volts"][n], channel);
        assert!(facts["taps_peak_volts"][n].as_f64().unwrap() > 1e-3, "tap {n} is silent");
    }
    assert!(facts["solver_steps"].as_u64().unwrap() >= 4800 && facts["solver_fallbacks"].is_u64());
    assert!(facts["times_real_time"].as_f64().unwrap() > 0.0);
    assert_eq!(facts["inputs"][1]["jack"], "in2");
    assert_eq!(facts["inputs"][1]["resampled"], false);
}

#[test]
fn an_input_at_another_rate_is_resampled_in_its_place_and_said_so() {
    let bench = Bench::new();
    write(&bench, "in.wav", 44_100, &[&tone(44_100, 500.0, 0.2, 44_100)]);
    let output = bench.run(&format!("render --in1 in.wav --rate 48000 {DIRECT} --quality 1 --out out.wav"));
    assert!(output.status.success());
    assert!(String::from_utf8(output.stderr).unwrap().contains("in.wav: resampled from 44100 Hz to 48000 Hz"));
    let (rate, out) = read(&bench, "out.wav");
    assert_eq!((rate, out[0].len()), (48_000, 48_000));
    let wanted = tone(48_000, 500.0, 0.2, 48_000);
    let error = error_db(&out[0][9600..38_400], &wanted[9600..38_400]);
    assert!(error < -90.0, "{error:.1} dB");
}

#[test]
fn sound_that_is_not_finite_is_passed_on_told_and_survived() {
    let bench = Bench::new();
    let mut sound = tone(48_000, 300.0, 0.2, 9600);
    (sound[100], sound[101], sound[200]) = (f64::NAN, f64::INFINITY, -100.0);
    write(&bench, "in.wav", 48_000, &[&sound]);
    let output = bench.run("render --in1 in.wav --out out.wav --taps taps.wav --json");
    assert!(output.status.success());
    let told = String::from_utf8(output.stderr).unwrap();
    assert!(told.contains("in.wav: 2 samples are not finite, the first in frame 100"), "{told}");
    let facts: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(
        (&facts["inputs"][0]["not_finite"], &facts["inputs"][0]["first_not_finite_frame"]),
        (&2.into(), &100.into())
    );
    for name in ["out.wav", "taps.wav"] {
        assert!(read(&bench, name).1.iter().flatten().all(|volts| volts.is_finite()), "{name}");
    }
}
