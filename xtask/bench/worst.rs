//! The slowest frame beside the usual one: what a host with a small block feels.
//!
//! A player has hands and feet everywhere: a chord through the overdriven input, lines that turn over some hundreds of
//! times a second, sweeps and drive on the move, keys, gates. The same million frames are played several times on new
//! units, and the shortest time of each frame counts: what the operating system does falls elsewhere in every run.

use crate::scene::{RATE, Scene};
use std::f64::consts::TAU;
use std::hint::black_box;
use std::time::Instant;
use tritank_dsp::instrument::{Input, Instrument};
use tritank_dsp::knobs::Knob;
use tritank_dsp::lines::{Line, Source};

const FRAMES: usize = 1_000_000;
const RUNS: usize = 5;
/// A small host block, frames.
const BLOCK: usize = 32;
/// Turns of lines a second.
const TURNS: f64 = 300.0;
/// Keys a second, down or up.
const KEYS: f64 = 8.0;
/// Frames from one move of a knob to the next.
const MOVE: usize = 64;
/// The worst frame should take at most so many times as long as the median.
const AIM: f64 = 20.0;

pub(crate) fn print() {
    let scene = Scene::new("busy playing, x4")
        .with(Knob::InputOverdriven, 1.0)
        .with(Knob::ExciterLevel, 0.5)
        .with(Knob::ExciterPitch, 1.0);
    let chord = scene.chord(FRAMES);
    let mut frames = vec![Cost { ns: u64::MAX, steps: 0 }; FRAMES];
    for _ in 0..RUNS {
        play(&mut scene.instrument(), &chord, &mut frames);
    }
    let sum = |block: &[Cost]| Cost {
        ns: block.iter().map(|frame| frame.ns).sum(),
        steps: block.iter().map(|frame| frame.steps).sum(),
    };
    let blocks = frames.chunks_exact(BLOCK).map(sum).collect();
    println!("The slowest of {FRAMES} frames of busy playing at x4, each frame the least of {RUNS} runs.");
    println!();
    println!("{:28} {:>9} {:>9} {:>9} {:>9} {:>9}", "", "", "", "", "99.99 %", "worst");
    println!("{:28} {:>9} {:>9} {:>9} {:>9} {:>9}", "", "median", "99.99 %", "worst", "/ median", "/ median");
    row("one frame", frames);
    row(&format!("{BLOCK} frames"), blocks);
}

/// What a frame or a block took.
#[derive(Clone, Copy)]
struct Cost {
    ns: u64,
    steps: u64,
}

fn row(name: &str, mut costs: Vec<Cost>) {
    costs.sort_unstable_by_key(|cost| cost.ns);
    let at = |part: f64| costs[(part * (costs.len() - 1) as f64).round() as usize];
    let (median, rare, worst) = (at(0.5), at(0.9999), at(1.0));
    let times = |cost: Cost| cost.ns as f64 / median.ns as f64;
    let aim = if times(worst) > AIM { "over" } else { "within" };
    println!(
        "{:28} {:9} {:9} {:9} {:9.1} {:9.1}  {aim} the aim of {AIM}",
        format!("{name}, ns"),
        median.ns,
        rare.ns,
        worst.ns,
        times(rare),
        times(worst)
    );
    println!("{:28} {:9} {:9} {:9}", "  solver steps in it", median.steps, rare.steps, worst.steps);
}

/// One run; `frames` keep the shortest time of each.
fn play(unit: &mut Instrument, chord: &[f64], frames: &mut [Cost]) {
    let mut random = Random(0x9e37_79b9_7f4a_7c15);
    let mut on = [false; Line::COUNT];
    let mut down = false;
    for (n, (&volts, frame)) in chord.iter().zip(frames).enumerate() {
        let turned = random.happens(TURNS).then(|| {
            let line = (random.part() * Line::COUNT as f64) as usize;
            on[line] = !on[line];
            (Line::at(line).expect("below the count"), on[line])
        });
        let moved = n.is_multiple_of(MOVE).then(|| knob(n));
        let pressed = random.happens(KEYS).then(|| {
            down = !down;
            f64::from(u8::from(down))
        });
        let before = unit.counts().steps;
        let clock = Instant::now();
        if let Some((line, on)) = turned {
            unit.gate(Source::Score, line, on);
        }
        if let Some((knob, value)) = moved {
            unit.set(knob, value);
        }
        if let Some(velocity) = pressed {
            unit.key(45, velocity);
        }
        black_box(unit.tick(Input { main: [volts; 2], ..Input::default() }));
        let ns = clock.elapsed().as_nanos() as u64;
        *frame = Cost { ns: ns.min(frame.ns), steps: unit.counts().steps - before };
    }
}

/// The knob that moves on frame `n`, each in its turn, and where to: up and down at its own pace.
fn knob(n: usize) -> (Knob, f64) {
    let wave = |hertz: f64| 0.5 - 0.5 * (TAU * hertz * n as f64 / RATE as f64).cos();
    match n / MOVE % 5 {
        0 => (Knob::Stage1Sweep, 2.0 * wave(1.3)),
        1 => (Knob::Stage2Sweep, 2.0 * wave(0.7)),
        2 => (Knob::Stage3Sweep, 2.0 * wave(2.1)),
        3 => (Knob::InputDrive, wave(0.3)),
        _ => (Knob::Stage1Main, 0.8 * wave(0.2)),
    }
}

/// Xorshift (G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8 (2003); triple 13, 7, 17).
struct Random(u64);

impl Random {
    /// From 0 to 1.
    fn part(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Whether something happens on this frame that happens so many times a second.
    fn happens(&mut self, hertz: f64) -> bool {
        self.part() < hertz / RATE as f64
    }
}
