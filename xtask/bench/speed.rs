//! How fast the chain is: every row made in the same run.
//!
//! ```text
//!   time for one second of sound / 192 000 = ns per 192 kHz sample          (whatever steps the solver takes)
//!   that / the same for three plain biquads at 192 kHz = what the circuit costs over a filter bank
//!   a general stiff solver's time / the chain's = what a solver made for the circuit saves
//! ```
//! Ratios travel from machine to machine better than nanoseconds do. The last column is the most steps that a frame
//! took, beside the mean: what a block of one frame would feel. A second table is of the slowest frames themselves.
//! Nothing here is a test.

mod scene;
mod worst;

use biquad::{Biquad, Coefficients, DirectForm2Transposed, ToHertz, Type};
use scene::{KEYS, RATE, Scene, chord, tick_four};
use std::hint::black_box;
use std::process::Command;
use std::time::Instant;
use tritank_dsp::instrument::Counts;
use tritank_dsp::knobs::{Chord, Knob, QUALITIES};
use tritank_dsp::processor::Instructions;

const UNIT: f64 = 192_000.0;
/// Each row is the best of this many runs of half a second of sound: what disturbs a run only ever slows it.
const RUNS: usize = 5;
const FRAMES: usize = RATE / 2;
/// The row that the general solver is held against.
const CHAIN: &str = "driven organ chord, x4";

fn main() {
    let biquads = three_biquads(|x| x);
    println!(
        "Speed of the whole chain, best of {RUNS} runs of {} ms of sound at {RATE} Hz, one thread.",
        1000 * FRAMES / RATE
    );
    println!();
    println!(
        "{:44} {:>12} {:>8} {:>9} {:>6} {:>7} {:>6}",
        "", "ns / 192 kHz", "three", "times", "steps", "Newton", "most"
    );
    println!(
        "{:44} {:>12} {:>8} {:>9} {:>6} {:>7} {:>6}",
        "", "sample", "biquads", "real time", "/frame", "/step", "steps"
    );
    row("three biquads at 192 kHz", biquads, biquads, "");
    row("  each with a tanh behind it", three_biquads(f64::tanh), biquads, "");
    let mut chain = f64::NAN;
    for scene in scenes() {
        let seconds = time(&scene, biquads);
        if scene.name == CHAIN {
            chain = seconds;
        }
    }
    four(&Scene::new("four chains side by side, x4, all of them"), biquads);
    four(&Scene::new("  on any processor's instructions").on(Instructions::Common), biquads);
    general(chain, biquads);
    println!();
    worst::print();
}

fn scenes() -> Vec<Scene> {
    let mut scenes = vec![Scene::new("idle: silence in").volts(0.0)];
    for (choice, quality) in QUALITIES.into_iter().enumerate() {
        scenes.push(Scene::new(&format!("driven organ chord, x{quality}")).with(Knob::UnitQuality, choice as f64));
    }
    scenes.extend([
        Scene::new("  and exciter on, x4").with(Knob::ExciterLevel, 0.5),
        Scene::new("  and overdriven input, x4").with(Knob::InputOverdriven, 1.0),
        Scene::new("  and every sweep half open, x4").swept(),
        Scene::new("  and a supply of 1.2 V, x4").with(Knob::UnitSupply, 1.2),
        Scene::new("  and a line switched at every frame, x4").switching(1),
        Scene::new("  and a line switched at every frame, x1").switching(1).with(Knob::UnitQuality, 0.0),
        Scene::new("ten times as loud, x4").volts(5.0),
        Scene::new("  and at a supply of 9 V, x4").volts(5.0).with(Knob::UnitSupply, 9.0),
        Scene::new("a key, no organ, x4").played(&KEYS[..1], Chord::Last),
        Scene::new("  three keys into three stages, x4").played(&KEYS[..3], Chord::Stages),
        Scene::new("  four keys in four voices, x4").played(&KEYS, Chord::Voices),
        Scene::new(&format!("{CHAIN}, any processor's")).on(Instructions::Common),
    ]);
    scenes
}

/// Seconds that one second of sound takes.
fn time(scene: &Scene, biquads: f64) -> f64 {
    let (mut unit, chord) = (scene.instrument(), scene.chord(FRAMES));
    let mut most = 0;
    let mut run = |watch: bool| {
        let clock = Instant::now();
        let mut sum = 0.0;
        for (n, &volts) in chord.iter().enumerate() {
            let before = if watch { unit.counts().steps } else { 0 };
            sum += scene.tick(&mut unit, n, volts);
            if watch {
                most = most.max(unit.counts().steps - before);
            }
        }
        black_box(sum);
        clock.elapsed().as_secs_f64() / (FRAMES as f64 / RATE as f64)
    };
    run(false); // warms up caches and lets the circuit settle
    let best = (0..RUNS).map(|_| run(false)).fold(f64::INFINITY, f64::min);
    run(true);
    row(&scene.name, best, biquads, &solver(&unit.counts(), most));
    best
}

/// The last columns.
fn solver(counts: &Counts, most: u64) -> String {
    let steps = counts.steps as f64 / ((RUNS + 2) * FRAMES) as f64;
    let newton = counts.iterations as f64 / counts.steps.max(1) as f64;
    let fallbacks = if counts.fallbacks > 0 { format!("  {} fallbacks", counts.fallbacks) } else { String::new() };
    format!("{steps:6.2} {newton:7.2} {most:6}{fallbacks}")
}

/// Four chains side by side, against one.
fn four(scene: &Scene, biquads: f64) {
    let (mut quartet, chord) = (scene.quartet(), scene.chord(FRAMES));
    let mut run = || {
        let clock = Instant::now();
        black_box((0..FRAMES).map(|n| tick_four(&mut quartet, n, &chord)).sum::<f64>());
        clock.elapsed().as_secs_f64() / (FRAMES as f64 / RATE as f64)
    };
    run();
    let best = (0..RUNS).map(|_| run()).fold(f64::INFINITY, f64::min);
    row(&scene.name, best, biquads, "");
}

/// The solver of `tests/reference/` on the same circuit, by the Python that `cargo xtask bench` hands over.
fn general(chain: f64, biquads: f64) {
    let name = "general stiff solver, LSODA at 1e-6 (-82 dB)";
    match general_seconds() {
        Ok(seconds) => {
            let remark = format!(
                "{seconds:.1} s a second of sound, {:.0} times {CHAIN}; its equations in Python",
                seconds / chain
            );
            row(name, seconds, biquads, &remark);
        }
        Err(why) => println!("{name:44} left out: {why}"),
    }
}

fn general_seconds() -> Result<f64, String> {
    let python = std::env::var_os("TRITANK_PYTHON").ok_or_else(|| {
        std::env::var("TRITANK_NO_PYTHON").unwrap_or_else(|_| "`cargo xtask bench` sets up its Python".to_owned())
    })?;
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/reference/speed.py");
    let run = Command::new(python).arg(script).env("PYTHONDONTWRITEBYTECODE", "1").output();
    let output = run.map_err(|error| error.to_string())?;
    let said = String::from_utf8_lossy(if output.status.success() { &output.stdout } else { &output.stderr });
    let line = said.lines().last().unwrap_or("the script said nothing");
    line.parse().map_err(|_| line.to_owned())
}

/// A row from the seconds that one second of sound took.
fn row(name: &str, seconds: f64, biquads: f64, remark: &str) {
    let (ns, ratio, speed) = (1e9 * seconds / UNIT, seconds / biquads, 1.0 / seconds);
    let digits = if speed < 1.0 { 3 } else { 1 };
    println!("{name:44} {ns:12.1} {ratio:8.1} {speed:9.digits$} {remark}");
}

/// Seconds that one second of sound takes through three band-pass biquads in series at 192 kHz, each with `bend` behind it.
fn three_biquads(bend: fn(f64) -> f64) -> f64 {
    let bank = [500.0_f64, 1500.0, 2600.0].map(|hertz| {
        let band = Coefficients::<f64>::from_params(Type::BandPass, UNIT.hz(), hertz.hz(), 10.0);
        DirectForm2Transposed::<f64>::new(band.expect("a band below half the rate"))
    });
    let sound: Vec<f64> = (0..UNIT as usize).map(|n| chord(n as f64 / UNIT)).collect();
    let run = |mut bank: [DirectForm2Transposed<f64>; 3]| {
        let clock = Instant::now();
        let sum: f64 = sound.iter().map(|&x| bank.iter_mut().fold(x, |x, filter| bend(filter.run(x)))).sum();
        black_box(sum);
        clock.elapsed().as_secs_f64()
    };
    (0..RUNS).map(|_| run(bank)).fold(f64::INFINITY, f64::min)
}
