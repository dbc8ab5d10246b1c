//! One pair of hands for every patch: the same organ, the same pattern on the lines, the same keys.
//!
//! ```text
//!   three chords, twice ───────► main in ┐
//!   rows, from the second time ► lines   ├─► Instrument ──► left, right
//!   those chords, low ─────────► keys    ┘         ▲
//!   a transport that runs ─────► the patch's own lanes
//! ```
//! So whoever steps through the list while a track runs hears what the loudness below says.

use std::f64::consts::TAU;
use tritank_dsp::instrument::{Input, Instrument};
use tritank_dsp::lines::{Line, Source};
use tritank_dsp::patch::Patch;
use tritank_dsp::pattern::{Place, Transport};

pub(crate) const RATE_HZ: u32 = 48_000;
/// The loudest sample of the organ, volts: line level.
const ORGAN_VOLTS: f64 = 0.5;
const CHORD_SECONDS: f64 = 2.0;
const STEP_SECONDS: f64 = 0.25;

/// MIDI keys of three chords, the lowest first.
const CHORDS: [[u8; 4]; 3] = [[45, 57, 60, 64], [41, 57, 60, 65], [43, 55, 59, 62]];
/// Partials over the key's own pitch, and how loud.
const STOPS: [(f64, f64); 6] = [(0.5, 0.5), (1.0, 1.0), (2.0, 0.7), (3.0, 0.5), (4.0, 0.35), (6.0, 0.25)];

/// A line and its steps: `x` on, `.` off. Rows turn at their own length.
const ROWS: [(usize, usize, &str); 6] =
    [(0, 1, "..xx.x"), (0, 2, "x...xx.."), (1, 1, ".x..x"), (1, 2, "xx....x"), (2, 0, "x.x.."), (2, 2, "...xx.x")];

fn hertz(key: u8) -> f64 {
    440.0 * 2f64.powf((f64::from(key) - 69.0) / 12.0)
}

/// Frames of the first time, while no line moves but by the patch's own lanes.
pub(crate) const HELD_FRAMES: usize = (CHORD_SECONDS * RATE_HZ as f64) as usize * CHORDS.len();
/// Frames of it all.
const FRAMES: usize = 2 * HELD_FRAMES;

/// The organ, one side.
fn organ() -> Vec<f64> {
    let rate = f64::from(RATE_HZ);
    let mut out = vec![0.0; FRAMES];
    for (n, volts) in out.iter_mut().enumerate() {
        let t = n as f64 / rate;
        let chord = CHORDS[(t / CHORD_SECONDS) as usize % CHORDS.len()];
        let since = t % CHORD_SECONDS;
        // Keys go down over 5 ms and come up over 20 ms before the next chord.
        let touch = (since / 5e-3).min((CHORD_SECONDS - since) / 20e-3).min(1.0);
        for key in chord {
            for (partial, level) in STOPS {
                // Phases of their own, so that no two peaks stand together.
                let phase = f64::from(key) * 1.7 + partial * 2.3;
                *volts += touch * level * (TAU * hertz(key) * partial * t + phase).sin();
            }
        }
    }
    let loudest = out.iter().fold(0.0_f64, |peak, x| peak.max(x.abs()));
    out.iter().map(|x| x * ORGAN_VOLTS / loudest).collect()
}

/// Every edge of the lines, sorted: frame, line, state.
fn steps() -> Vec<(usize, Line, bool)> {
    let mut edges = Vec::new();
    for (stage, bit, row) in ROWS {
        let frames = (STEP_SECONDS * f64::from(RATE_HZ)) as usize;
        for (step, frame) in (HELD_FRAMES..FRAMES).step_by(frames).enumerate() {
            edges.push((frame, Line::of_stage(stage, bit), row.as_bytes()[step % row.len()] == b'x'));
        }
    }
    edges.sort_by_key(|(frame, _, _)| *frame);
    edges
}

/// A patch under these hands: left and right.
pub(crate) fn play(patch: &Patch) -> [Vec<f64>; 2] {
    let organ = organ();
    let rate = f64::from(RATE_HZ);
    let mut instrument = Instrument::of(patch, rate).unwrap();
    instrument.transport(&Transport { playing: true, place: Some(Place::default()), tempo: None });
    let mut steps = steps().into_iter().peekable();
    let mut out: [Vec<f64>; 2] = std::array::from_fn(|_| Vec::with_capacity(organ.len()));
    for (n, &volts) in organ.iter().enumerate() {
        while let Some((_, line, on)) = steps.next_if(|(frame, _, _)| *frame <= n) {
            instrument.gate(Source::Score, line, on);
        }
        let frames = (CHORD_SECONDS * rate) as usize;
        if n % frames == 0 {
            // The lowest last: it is the one that sounds where one key does.
            let keys = |chord: usize| CHORDS[chord % CHORDS.len()].into_iter().rev().map(|key| key - 12);
            if let Some(before) = (n / frames).checked_sub(1) {
                keys(before).for_each(|key| instrument.key(key, 0.0));
            }
            keys(n / frames).for_each(|key| instrument.key(key, 0.8));
        }
        let output = instrument.tick(Input { main: [volts; 2], stage2: 0.0, stage3: 0.0 });
        for (side, volts) in out.iter_mut().zip(output.main) {
            side.push(volts);
        }
    }
    out
}
