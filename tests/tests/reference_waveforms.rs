//! The engine's waveforms against an independent solution of the same element list.
//!
//! ```text
//!   element list ─► nodal analysis + general stiff solver (tests/reference/, numpy and scipy) ─► fixtures/*.npy
//!   board, knobs ─► Instrument at 48 kHz, ×1 … ×16 ─► latency out ─► taps ─► error to signal
//! ```
//! Frame n of a fixture is the circuit at n/48000 s, low-passed as any sampled output must be. Error and signal are both
//! taken below 16 kHz (what the resampling filters do above is their own test), as RMS over the fixture's first 50 ms, edges
//! and all; the operating point counts as error, not as signal. A tap that nothing reaches is held against the loudest.

mod reference_unit;

use reference_unit::{Unit, fixture, folder};
use serde_json::Value;
use std::f64::consts::{PI, TAU};
use std::fmt::Write as _;
use tritank_dsp::instrument::{Input, Instrument};
use tritank_dsp::knobs::{Knob, QUALITIES};
use tritank_dsp::lines::{Line, Source};

const RATE_HZ: f64 = 48e3;
/// A turned knob follows with this time constant, frame by frame; a moving sweep is turned so that it comes out right.
const GLIDE_SECONDS: f64 = 3e-3;

/// Every case of `tests/reference/cases.py`.
const CASES: [&str; 22] = [
    "clean",
    "driven",
    "hard",
    "starved",
    "high-supply",
    "hot",
    "cold",
    "sweep-half-open",
    "sweep-moving",
    "coupled",
    "coupled-switching",
    "select",
    "stage-2-alone",
    "stage-3-alone",
    "every-stage",
    "overdriven",
    "saturable-coil",
    "bleed",
    "switching",
    "switching-together",
    "switching-swept",
    "charge",
];

/// `fade(t)·Σ volts·sin(2π(hz·t + turns))`, the formula of `tests/reference/cases.py`.
struct Signal {
    partials: Vec<[f64; 3]>,
    fade: [f64; 2],
}

impl Signal {
    fn of(spec: &Value) -> Self {
        let number = |value: &Value| value.as_f64().expect("a number");
        let partials = spec["partials"].as_array().expect("partials");
        Self {
            partials: partials.iter().map(|row| std::array::from_fn(|n| number(&row[n]))).collect(),
            fade: std::array::from_fn(|n| number(&spec["fade"][n])),
        }
    }

    fn at(&self, seconds: f64) -> f64 {
        let [from, to] = self.fade;
        let fade = 0.5 - 0.5 * (PI * ((seconds - from) / (to - from)).clamp(0.0, 1.0)).cos();
        fade * self.partials.iter().map(|[hz, volts, turns]| volts * (TAU * (hz * seconds + turns)).sin()).sum::<f64>()
    }
}

/// One case with its solution.
struct Case {
    name: &'static str,
    record: Value,
    frames: usize,
    margin: usize,
    /// Taps by frame, volts.
    solution: Vec<[f64; 3]>,
}

impl Case {
    fn read(name: &'static str) -> Self {
        let record = fixture(&format!("{name}.json"));
        let count = |key: &str| usize::try_from(record[key].as_u64().expect("a count")).expect("a count");
        let (frames, margin) = (count("frames"), count("margin"));
        let solution = read_npy(&folder().join("fixtures").join(format!("{name}.npy")));
        assert_eq!(solution.len(), frames + margin, "{name}");
        Self { name, record, frames, margin, solution }
    }

    fn signal(&self, input: &str) -> Option<Signal> {
        self.record["inputs"].get(input).map(Signal::of)
    }

    fn edges(&self) -> Vec<(usize, Line, bool)> {
        let row = |edge: &Value| {
            let frame = usize::try_from(edge[0].as_u64()?).ok()?;
            Some((frame, Line::parse(edge[1].as_str()?)?, edge[2].as_bool()?))
        };
        self.record["edges"].as_array().expect("edges").iter().map(|edge| row(edge).expect("frame, line, on")).collect()
    }

    /// The engine's taps, frame by frame, latency taken out; and how often its solver fell back.
    fn play(&self, quality: usize) -> (Vec<[f64; 3]>, u64) {
        let mut unit = Unit::of(&self.record);
        let place = QUALITIES.iter().position(|q| *q == quality).expect("a quality");
        unit.settings.set(Knob::UnitQuality, place as f64);
        for stage in 0..3 {
            unit.settings.set(Knob::code(stage), f64::from(unit.codes[stage]));
        }
        let mut instrument = Instrument::new(&unit.board, &unit.settings, RATE_HZ).expect("48 kHz is allowed");
        let jacks = ["in1", "in2", "in3"].map(|name| self.signal(name));
        let mut sweeps: Vec<Sweep> = (1..=3)
            .zip([Knob::Stage1Sweep, Knob::Stage2Sweep, Knob::Stage3Sweep])
            .filter_map(|(n, knob)| {
                let rest = unit.settings.get(knob);
                self.signal(&format!("sweep{n}")).map(|signal| Sweep { knob, signal, rest, volts: rest })
            })
            .collect();
        let edges = self.edges();
        let latency = instrument.latency();
        let mut taps = Vec::with_capacity(self.solution.len());
        for frame in 0..self.solution.len() + latency {
            for (_, line, on) in edges.iter().filter(|(at, ..)| *at == frame) {
                let resting = unit.codes[line.index() / 4] >> (line.index() % 4) & 1 == 1;
                instrument.gate(Source::Score, *line, *on != resting);
            }
            for sweep in &mut sweeps {
                // The frame's own interval ends one frame later.
                sweep.turn(&mut instrument, (frame + 1) as f64 / RATE_HZ);
            }
            let [main, stage2, stage3] =
                jacks.each_ref().map(|jack| jack.as_ref().map_or(0.0, |signal| signal.at(frame as f64 / RATE_HZ)));
            let out = instrument.tick(Input { main: [main; 2], stage2, stage3 });
            if frame >= latency {
                taps.push(out.taps);
            }
        }
        (taps, instrument.counts().fallbacks)
    }

    /// Error to signal of each tap, dB.
    fn error_db(&self, taps: &[[f64; 3]]) -> [f64; 3] {
        let rms = |tap: usize, of: &dyn Fn(usize) -> f64| {
            let row: Vec<f64> = (0..self.frames + self.margin).map(of).collect();
            let low = below_16_khz(&row, self.frames);
            assert!(low.iter().all(|x| x.is_finite()), "{} tap {}: not finite", self.name, tap + 1);
            (low.iter().map(|x| x * x).sum::<f64>() / low.len() as f64).sqrt()
        };
        let signal: [f64; 3] = std::array::from_fn(|tap| rms(tap, &|n| self.solution[n][tap] - self.solution[0][tap]));
        let loudest = signal.iter().copied().fold(0.0, f64::max);
        std::array::from_fn(|tap| {
            let error = rms(tap, &|n| taps[n][tap] - self.solution[n][tap]);
            let held_against = if signal[tap] > 1e-6 * loudest { signal[tap] } else { loudest };
            20.0 * (error / held_against).log10()
        })
    }
}

/// A sweep gate that follows a formula.
struct Sweep {
    knob: Knob,
    signal: Signal,
    rest: f64,
    volts: f64,
}

impl Sweep {
    /// Turns the knob so that its glide reaches the formula's value at `seconds`.
    fn turn(&mut self, instrument: &mut Instrument, seconds: f64) {
        let share = -(-1.0 / (GLIDE_SECONDS * RATE_HZ)).exp_m1();
        let wanted = self.rest + self.signal.at(seconds);
        instrument.set(self.knob, self.volts + (wanted - self.volts) / share);
        self.volts = wanted;
    }
}

/// Half the length of the low-pass: the fixtures reach this far beyond their last frame.
const HALF: usize = 48;

/// Flat to 16 kHz, 90 dB down from 20 kHz at 48 kHz: windowed sinc, the window of F. J. Harris, "On the use of windows
/// for harmonic analysis", Proc. IEEE 66 (1978) 51–83, table 1 (minimum four-term Blackman–Harris). `row` stands at zero
/// before its start; `frames` values from its start.
fn below_16_khz(row: &[f64], frames: usize) -> Vec<f64> {
    const WINDOW: [f64; 4] = [0.35875, 0.48829, 0.14128, 0.01168];
    let kernel: Vec<f64> = (0..=2 * HALF)
        .map(|n| {
            let x = n as f64 - HALF as f64;
            let angle = TAU * (n + 1) as f64 / (2 * HALF + 2) as f64;
            let window: f64 = (0..4).map(|k| WINDOW[k] * (k as f64 * (angle - PI)).cos()).sum();
            let turn = TAU * 18e3 / RATE_HZ * x;
            window * if n == HALF { TAU * 18e3 / RATE_HZ / PI } else { turn.sin() / (PI * x) }
        })
        .collect();
    (0..frames)
        .map(|n| kernel.iter().enumerate().filter(|(k, _)| n + k >= HALF).map(|(k, tap)| tap * row[n + k - HALF]).sum())
        .collect()
}

/// Little-endian float32, rows of three: the format of numpy's `save`, version 1.0.
fn read_npy(path: &std::path::Path) -> Vec<[f64; 3]> {
    let bytes = std::fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    assert_eq!(&bytes[..8], b"\x93NUMPY\x01\x00", "{}", path.display());
    let start = 10 + usize::from(u16::from_le_bytes([bytes[8], bytes[9]]));
    let header = String::from_utf8_lossy(&bytes[10..start]);
    assert!(header.contains("'<f4'") && header.contains("'fortran_order': False"), "{}: {header}", path.display());
    let value = |four: &[u8]| f64::from(f32::from_le_bytes(four.try_into().expect("four bytes")));
    bytes[start..].chunks_exact(12).map(|row| std::array::from_fn(|n| value(&row[4 * n..4 * n + 4]))).collect()
}

/// Today's bounds at ×4, dB.
const STEADY_DB: f64 = -60.0;
const SWITCHING_DB: f64 = -50.0;

#[test]
fn every_waveform_is_that_of_the_independent_solution() {
    let rows: Vec<_> = std::thread::scope(|scope| {
        let running: Vec<_> = CASES.into_iter().map(|name| scope.spawn(move || measured(name))).collect();
        running.into_iter().map(|case| case.join().expect("a case runs to its end")).collect()
    });

    let mut table = String::from("error to signal below 16 kHz, worst tap, dB\n");
    writeln!(table, "{:20} {:>6} {:>6} {:>6} {:>6} {:>6}   taps at ×4", "case", "×1", "×2", "×4", "×8", "×16").unwrap();
    let mut bad = String::new();
    for (case, errors, fallbacks) in &rows {
        let worst = errors.map(|taps| taps.into_iter().fold(f64::NEG_INFINITY, f64::max));
        let bound = if case.edges().is_empty() { STEADY_DB } else { SWITCHING_DB };
        write!(table, "{:20}", case.name).unwrap();
        for db in worst {
            write!(table, " {db:6.1}").unwrap();
        }
        let [a, b, c] = errors[2];
        writeln!(table, "   {a:6.1} {b:6.1} {c:6.1}{}", if worst[2] > bound { "  over the bound" } else { "" })
            .unwrap();
        if worst[2] > bound {
            writeln!(bad, "{}: given {:.1} dB at ×4, allowed is {bound} dB", case.name, worst[2]).unwrap();
        }
        if fallbacks[2] > 0 {
            writeln!(bad, "{}: the solver fell back {} times at ×4, allowed is never", case.name, fallbacks[2])
                .unwrap();
        }
    }
    println!("{table}");
    assert!(bad.is_empty(), "\n{table}\n{bad}");
}

/// A case with errors and fallbacks at every quality.
fn measured(name: &'static str) -> (Case, [[f64; 3]; 5], [u64; 5]) {
    let case = Case::read(name);
    let runs = QUALITIES.map(|quality| case.play(quality));
    let errors = std::array::from_fn(|n| case.error_db(&runs[n].0));
    let fallbacks = std::array::from_fn(|n| runs[n].1);
    (case, errors, fallbacks)
}

/// A solution is only worth something for the circuit that it solved.
#[test]
fn every_solution_is_of_the_circuit_as_it_is_listed_today() {
    for name in CASES {
        let record = fixture(&format!("{name}.json"));
        let today = serde_json::to_value(Unit::of(&record).circuit()).expect("a list is JSON");
        for key in ["taps", "elements"] {
            same(&today[key], &record[key], &format!("{name}: {key}"));
        }
    }
}

/// Equal up to the rounding of a computed number.
fn same(today: &Value, solved: &Value, place: &str) {
    let again = "run `cargo xtask reference` if the change was meant";
    match (today, solved) {
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len(), "{place}: number of items; {again}");
            for (n, (a, b)) in a.iter().zip(b).enumerate() {
                same(a, b, &format!("{place}[{n}]"));
            }
        }
        (Value::Object(a), Value::Object(b)) => {
            assert!(a.keys().eq(b.keys()), "{place}: keys {:?} against {:?}; {again}", a.keys(), b.keys());
            for (key, value) in a {
                same(value, &b[key], &format!("{place}.{key}"));
            }
        }
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().expect("finite"), b.as_f64().expect("finite"));
            assert!((a - b).abs() <= 1e-9 * a.abs(), "{place}: {a} today, {b} when it was solved; {again}");
        }
        _ => assert_eq!(today, solved, "{place}; {again}"),
    }
}

#[test]
fn a_thousandth_too_loud_reads_minus_60_db_and_a_microvolt_at_rest_is_seen() {
    let case = Case::read("clean");
    let off = |scale: f64, volts: f64| -> Vec<[f64; 3]> {
        let rest = case.solution[0];
        let tap = |frame: &[f64; 3], n: usize| rest[n] + scale * (frame[n] - rest[n]) + volts;
        case.solution.iter().map(|frame| std::array::from_fn(|n| tap(frame, n))).collect()
    };
    for db in case.error_db(&off(1.001, 0.0)) {
        approx::assert_abs_diff_eq!(db, -60.0, epsilon = 1e-6);
    }
    let at_rest = case.error_db(&off(1.0, 1e-6));
    assert!(at_rest.iter().all(|db| (-120.0..-60.0).contains(db)), "{at_rest:?}");
}

#[test]
fn the_low_pass_is_flat_to_16_khz_and_down_from_20_khz() {
    let gain = |hertz: f64| {
        let row: Vec<f64> = (0..2048).map(|n| (TAU * hertz * f64::from(n) / RATE_HZ).sin()).collect();
        let low = below_16_khz(&row, 2000);
        20.0 * (low[200..].iter().fold(0.0f64, |peak, x| peak.max(x.abs()))).log10()
    };
    for hertz in [100.0, 1e3, 9.1e3, 15.9e3] {
        assert!(gain(hertz).abs() < 0.01, "{hertz} Hz: {} dB", gain(hertz));
    }
    for hertz in [20.1e3, 22e3, 23.7e3] {
        assert!(gain(hertz) < -88.0, "{hertz} Hz: {} dB", gain(hertz));
    }
}
