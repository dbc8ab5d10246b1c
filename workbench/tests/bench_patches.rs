//! The patches that come with the program, each played by the same hands: none is silent, none clips, and whoever steps
//! through them need not reach for the volume.

mod bench;
mod played;

use bench::Bench;
use ebur128::{Channel, EbuR128, Mode};
use std::f64::consts::TAU;
use tritank_dsp::factory::PATCHES;
use tritank_dsp::knobs::Knob;
use tritank_dsp::patch::Patch;

/// EBU R 128 (2023): programmes at −23 LUFS, within ±1 LU where it cannot be met exactly.
const TARGET_LUFS: f64 = -23.0;
const TOLERANCE_LU: f64 = 1.0;
/// How far the first half, lines at rest, and the second, lines moving, may each be from it.
const HALF_LU: f64 = 4.0;

/// Integrated loudness (ITU-R BS.1770) and true peak in dB, 1 V being full scale.
fn loudness(sides: [&[f64]; 2]) -> (f64, f64) {
    let mut meter = EbuR128::new(2, played::RATE_HZ, Mode::I | Mode::TRUE_PEAK).unwrap();
    meter.add_frames_planar_f64(&sides).unwrap();
    let peak = meter.true_peak(0).unwrap().max(meter.true_peak(1).unwrap());
    (meter.loudness_global().unwrap(), 20.0 * peak.log10())
}

/// The meter itself. ITU-R BS.1770-5, annex 1: "If a 0 dB FS 1 kHz (997 Hz to be exact) sine wave is applied to the left,
/// centre, or right channel input, the indicated loudness will equal −3.01 LKFS"; on two of them it is twice the power.
#[test]
fn the_meter_reads_a_full_scale_sine_as_the_standard_says() {
    let sine: Vec<_> = (0..480_000).map(|n| (TAU * 997.0 * f64::from(n) / 48e3).sin()).collect();
    let silence = vec![0.0; sine.len()];
    for (left, right, lkfs) in [(&sine, &silence, -3.01), (&silence, &sine, -3.01), (&sine, &sine, 0.0)] {
        let (told, peak) = loudness([left, right]);
        assert!((told - lkfs).abs() < 0.02, "{told} LKFS where the standard says {lkfs}");
        assert!(peak.abs() < 0.02, "{peak} dB");
    }
    let mut mono = EbuR128::new(1, 48_000, Mode::I).unwrap();
    mono.set_channel(0, Channel::Center).unwrap();
    mono.add_frames_f64(&sine).unwrap();
    assert!((mono.loudness_global().unwrap() + 3.01).abs() < 0.02);
    // A peak between samples: a quarter of the rate, 45° off, stands 3.01 dB above its samples.
    let between: Vec<_> = (0..48_000).map(|n| 0.5 * (TAU * (f64::from(n) / 4.0 + 0.125)).sin()).collect();
    let (_, peak) = loudness([&between, &between]);
    assert!((peak + 6.02).abs() < 0.5, "{peak} dB");
}

#[test]
fn every_patch_is_as_loud_as_the_others_and_neither_clips_nor_drifts() {
    let mut lots = PATCHES.chunks(PATCHES.len().div_ceil(2));
    std::thread::scope(|scope| {
        for lot in lots.by_ref() {
            scope.spawn(move || lot.iter().for_each(|factory| hold(factory.name, &factory.patch())));
        }
    });
}

fn hold(name: &str, patch: &Patch) {
    let [left, right] = played::play(patch);
    let (held, all) = (played::HELD_FRAMES, left.len());
    for (part, frames, tolerance) in
        [("all", 0..all, TOLERANCE_LU), ("held", 0..held, HALF_LU), ("moved", held..all, HALF_LU)]
    {
        let (lufs, peak) = loudness([&left[frames.clone()], &right[frames]]);
        assert!((lufs - TARGET_LUFS).abs() <= tolerance, "{name}, {part}: {lufs:.2} LUFS");
        // With the limiter on its ceiling is −1 dB; without it nothing but the level keeps it below full scale.
        let ceiling = if patch.settings.is_on(Knob::Limiter) { patch.settings.get(Knob::LimiterCeiling) } else { 0.0 };
        assert!(peak < ceiling + 0.05, "{name}, {part}: true peak {peak:.2} dB");
    }
    for (side, sound) in [("left", &left), ("right", &right)] {
        assert!(sound.iter().all(|volts| volts.is_finite()), "{name}, {side}");
        let mean = sound.iter().sum::<f64>() / all as f64;
        assert!(mean.abs() < 2e-3, "{name}, {side}: {:.2} mV of DC", 1e3 * mean);
    }
    // No side is left alone: stereo, or the middle.
    let power = |sound: &[f64]| sound.iter().map(|volts| volts * volts).sum::<f64>();
    let balance = 10.0 * (power(&left) / power(&right)).log10();
    assert!(balance.abs() < 5.0, "{name}: left is {balance:.1} dB over right");
}

#[test]
fn the_list_says_what_each_is_for_and_how_it_is_played() {
    let bench = Bench::new();
    let list = bench.well("patches");
    let told = bench.facts("patches --json");
    assert_eq!(told.as_array().unwrap().len(), PATCHES.len());
    for (factory, told) in PATCHES.iter().zip(told.as_array().unwrap()) {
        for line in [factory.name, factory.note(), factory.play()] {
            assert!(!line.is_empty() && list.contains(line), "{line}: {list}");
        }
        assert_eq!((&told["name"], &told["note"]), (&factory.name.into(), &factory.note().into()));
        assert_eq!(told["play"], factory.play());
    }
    assert!(list.lines().all(|line| line.chars().count() <= 132), "{list}");
}

#[test]
fn a_patch_is_written_as_it_stands_and_never_over_a_file() {
    let bench = Bench::new();
    for factory in PATCHES {
        let file = format!("{}.toml", factory.name);
        assert_eq!(bench.well(&format!("patches --write {file} {}", factory.name)), "");
        let text = std::fs::read_to_string(bench.path(&file)).unwrap();
        assert_eq!(text, factory.toml);
        assert_eq!(bench.well(&format!("patches {}", factory.name)), text);
        // It plays as any patch does.
        bench.facts(&format!("circuit --patch {file}"));
    }
    let name = PATCHES[0].name;
    let told = bench.facts(&format!("patches --write other.toml {name} --json"));
    assert_eq!((&told["written"], &told["name"]), (&"other.toml".into(), &name.into()));
    bench.put("mine.toml", "my only one");
    let told = bench.refused(&format!("patches --write mine.toml {name}"));
    assert!(told.contains("mine.toml") && told.contains("taken"), "{told}");
    assert_eq!(std::fs::read_to_string(bench.path("mine.toml")).unwrap(), "my only one");
    let told = bench.refused("patches --write new.toml no-such-patch");
    assert!(told.contains("no-such-patch") && told.contains(name), "{told}");
    assert!(bench.refused("patches --write new.toml").contains("NAME"));
    assert!(bench.refused(&format!("patches --write lost/new.toml {name}")).contains("lost/new.toml"));
}

#[test]
fn a_written_patch_renders_from_its_file() {
    let bench = Bench::new();
    bench.well("patches --write drum.toml click-drum");
    bench.put("steps.csv", "seconds,line,state\n0.1,1.3,on\n0.3,2.2,on\n");
    let facts = bench.facts("render --patch drum.toml --lines steps.csv --seconds 0.5 --out drum.wav --json");
    assert!(facts["peak_volts"][0].as_f64().unwrap() > 0.01, "{facts}");
}
