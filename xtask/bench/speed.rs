//! How fast the chain is: one table, every row made in the same run.
//!
//! ```text
//!   time for one second of sound / 192 000 = ns per 192 kHz sample          (whatever steps the solver takes)
//!   that / the same for three plain biquads at 192 kHz = what the circuit costs over a filter bank
//! ```
//! Ratios travel from machine to machine better than nanoseconds do. The last column is the most steps that a frame
//! took, beside the mean: what a block of one frame would feel. Nothing here is a test.

use biquad::{Biquad, Coefficients, DirectForm2Transposed, ToHertz, Type};
use std::hint::black_box;
use std::time::Instant;
use tritank_dsp::board::Board;
use tritank_dsp::instrument::{Counts, Input, Instrument};
use tritank_dsp::knobs::{Knob, QUALITIES, Settings};
use tritank_dsp::lines::{Line, Source};
use tritank_dsp::quartet::Quartet;

const RATE: usize = 48_000;
const UNIT: f64 = 192_000.0;
/// Each row is the best of this many runs of half a second of sound: what disturbs a run only ever slows it.
const RUNS: usize = 5;
const FRAMES: usize = RATE / 2;

/// One row of the table before it is timed.
struct Case {
    name: String,
    knobs: Vec<(Knob, f64)>,
    /// Volts at the peak of the organ chord on main in.
    volts: f64,
    /// A switch line turned over at every frame.
    switching: bool,
}

impl Case {
    fn new(name: &str) -> Self {
        Self { name: name.to_owned(), knobs: vec![(Knob::Stage1Main, 0.4)], volts: 0.5, switching: false }
    }

    fn with(mut self, knob: Knob, value: f64) -> Self {
        self.knobs.push((knob, value));
        self
    }
}

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
    row("three biquads at 192 kHz", biquads, biquads, None);
    row("  each with a tanh behind it", three_biquads(f64::tanh), biquads, None);
    for case in cases() {
        time(&case, biquads);
    }
    four(biquads);
}

fn cases() -> Vec<Case> {
    let mut cases = vec![Case { volts: 0.0, ..Case::new("idle: silence in") }];
    for (choice, quality) in QUALITIES.into_iter().enumerate() {
        cases.push(Case::new(&format!("driven organ chord, x{quality}")).with(Knob::UnitQuality, choice as f64));
    }
    cases.push(Case::new("  and exciter on, x4").with(Knob::ExciterLevel, 0.5));
    cases.push(Case::new("  and overdriven input, x4").with(Knob::InputOverdriven, 1.0));
    let sweeps = [Knob::Stage1Sweep, Knob::Stage2Sweep, Knob::Stage3Sweep];
    cases
        .push(sweeps.into_iter().fold(Case::new("  and every sweep half open, x4"), |case, knob| case.with(knob, 1.0)));
    cases.push(Case::new("  and a supply of 1.2 V, x4").with(Knob::UnitSupply, 1.2));
    cases.push(Case { switching: true, ..Case::new("  and a line switched at every frame, x4") });
    cases.push(Case { volts: 5.0, ..Case::new("ten times as loud, x4") });
    cases.push(Case { volts: 5.0, ..Case::new("  and at a supply of 9 V, x4") }.with(Knob::UnitSupply, 9.0));
    cases
}

fn time(case: &Case, biquads: f64) {
    let board = Board::built_in();
    let mut settings = Settings::of(&board);
    for &(knob, value) in &case.knobs {
        settings.set(knob, value);
    }
    let mut instrument = Instrument::new(&board, &settings, RATE as f64).expect("48 kHz is allowed");
    let chord: Vec<f64> = (0..FRAMES).map(|n| case.volts * chord(n as f64 / RATE as f64)).collect();
    let mut most = 0;
    let mut run = |watch: bool| {
        let clock = Instant::now();
        let mut sum = 0.0;
        for (n, &volts) in chord.iter().enumerate() {
            if case.switching {
                instrument.gate(Source::Score, Line::of_stage(n % 3, n / 3 % 4), n / 12 % 2 == 0);
            }
            let before = if watch { instrument.counts().steps } else { 0 };
            sum += instrument.tick(Input { main: [volts; 2], ..Input::default() }).main[0];
            if watch {
                most = most.max(instrument.counts().steps - before);
            }
        }
        black_box(sum);
        clock.elapsed().as_secs_f64() / (FRAMES as f64 / RATE as f64)
    };
    run(false); // warms up caches and lets the circuit settle
    let best = (0..RUNS).map(|_| run(false)).fold(f64::INFINITY, f64::min);
    run(true);
    row(&case.name, best, biquads, Some((instrument.counts(), RUNS + 2, most)));
}

/// Four chains side by side, against one.
fn four(biquads: f64) {
    let board = Board::built_in();
    let mut settings = Settings::of(&board);
    settings.set(Knob::Stage1Main, 0.4);
    let boards = std::array::from_fn(|_| board.clone());
    let mut quartet = Quartet::new(&boards, &settings, RATE as f64).expect("48 kHz is allowed");
    let chord: Vec<f64> = (0..FRAMES).map(|n| 0.5 * chord(n as f64 / RATE as f64)).collect();
    let mut run = || {
        let clock = Instant::now();
        let mut sum = 0.0;
        for n in 0..FRAMES {
            let main = std::array::from_fn(|chain| chord[(n + 1000 * chain) % FRAMES]);
            sum += quartet.tick(main)[3][2];
        }
        black_box(sum);
        clock.elapsed().as_secs_f64() / (FRAMES as f64 / RATE as f64)
    };
    run();
    let best = (0..RUNS).map(|_| run()).fold(f64::INFINITY, f64::min);
    row("four chains side by side, x4, all of them", best, biquads, None);
}

/// A row from the seconds that one second of sound took.
fn row(name: &str, seconds: f64, biquads: f64, solver: Option<(Counts, usize, u64)>) {
    let (ns, ratio, speed) = (1e9 * seconds / UNIT, seconds / biquads, 1.0 / seconds);
    let solver = solver.map_or_else(String::new, |(counts, runs, most)| {
        let steps = counts.steps as f64 / (runs * FRAMES) as f64;
        let newton = counts.iterations as f64 / counts.steps.max(1) as f64;
        let fallbacks = if counts.fallbacks > 0 { format!("  {} fallbacks", counts.fallbacks) } else { String::new() };
        format!(" {steps:6.2} {newton:7.2} {most:6}{fallbacks}")
    });
    println!("{name:44} {ns:12.1} {ratio:8.1} {speed:9.1}{solver}");
}

/// Three notes of nine partials each, peak about 1.
fn chord(seconds: f64) -> f64 {
    let notes = [110.0, 164.81, 220.0];
    let tone = |hertz: f64| -> f64 {
        (1..=9).map(f64::from).map(|k: f64| (std::f64::consts::TAU * k * hertz * seconds).sin() / k).sum()
    };
    notes.into_iter().map(tone).sum::<f64>() / 4.0
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
