//! The engine's waveforms against an independent solution of the same element list.
//!
//! ```text
//!   element list ─► nodal analysis + general stiff solver (tests/reference/, numpy and scipy) ─► fixtures/*.npy
//!   board, knobs ─► Instrument at 44.1 … 192 kHz, ×1 … ×16 ─► latency out ─► taps ─► error to signal
//! ```
//! Frame n of a fixture is the circuit at n/44100 or n/48000 s, low-passed as any sampled output must be. Both sides
//! are taken below 16 kHz (what the resampling filters do above is their own test) over 50 ms, from the start or, where
//! lines move, from the first edge: RMS of the error over RMS of the signal, the operating point counted as error, not
//! as signal. A tap that nothing reaches is held against the loudest.

#[path = "../reference_unit/mod.rs"]
mod reference_unit;

mod case;
mod low_pass;
mod signal;

use case::Case;
use reference_unit::{Unit, fixture, folder};
use serde_json::Value;
use std::fmt::Write as _;
use std::sync::atomic::{AtomicUsize, Ordering};
use tritank_dsp::knobs::QUALITIES;

/// Bounds, dB, by quality ×1, ×2, ×4, ×8, ×16; none where it is infinite.
const STEADY_DB: [f64; 5] = [-60.0, f64::INFINITY, -80.0, f64::INFINITY, -100.0];
const SWITCHING_DB: [f64; 5] = [f64::INFINITY, f64::INFINITY, -70.0, f64::INFINITY, f64::INFINITY];
/// How many cases there must be at least, steady and switching.
const CASES: [usize; 2] = [40, 12];

/// Every case that has been solved, by name.
fn names() -> Vec<String> {
    let files = std::fs::read_dir(folder().join("fixtures")).expect("the folder of fixtures");
    let mut names: Vec<String> = files
        .map(|file| file.expect("a file").path())
        .filter(|path| path.extension().is_some_and(|end| end == "npy"))
        .map(|path| path.file_stem().and_then(|stem| stem.to_str()).expect("a name").to_owned())
        .collect();
    names.sort();
    names
}

/// A case with errors and fallbacks at every quality.
struct Measured {
    case: Case,
    taps_db: [[f64; 3]; 5],
    fallbacks: [u64; 5],
}

impl Measured {
    fn of(name: &str) -> Self {
        let case = Case::read(name);
        let runs = QUALITIES.map(|quality| {
            let (taps, fallbacks) = case.play(quality);
            (case.error_db(&taps), fallbacks)
        });
        Self { case, taps_db: runs.map(|run| run.0), fallbacks: runs.map(|run| run.1) }
    }

    /// All cases, as many at once as there are cores.
    fn all() -> Vec<Self> {
        let (names, next) = (names(), AtomicUsize::new(0));
        let work = || {
            let mut done = Vec::new();
            while let Some(name) = names.get(next.fetch_add(1, Ordering::Relaxed)) {
                done.push(Self::of(name));
            }
            done
        };
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let mut all: Vec<Self> = std::thread::scope(|scope| {
            let running: Vec<_> = (0..cores).map(|_| scope.spawn(work)).collect();
            running.into_iter().flat_map(|worker| worker.join().expect("a case runs to its end")).collect()
        });
        all.sort_by_key(|row| (row.is_switching(), row.case.name.clone()));
        all
    }

    fn is_switching(&self) -> bool {
        !self.case.edges().is_empty()
    }

    /// Worst tap by quality.
    fn worst_db(&self) -> [f64; 5] {
        self.taps_db.map(|taps| taps.into_iter().fold(f64::NEG_INFINITY, f64::max))
    }

    /// What is not as it must be, a line each.
    fn faults(&self) -> String {
        let mut said = String::new();
        let bounds = if self.is_switching() { SWITCHING_DB } else { STEADY_DB };
        for (((quality, worst), bound), fallbacks) in
            QUALITIES.iter().zip(self.worst_db()).zip(bounds).zip(self.fallbacks)
        {
            let name = &self.case.name;
            if worst > bound {
                writeln!(said, "{name}: given {worst:.1} dB at ×{quality}, allowed is {bound} dB").unwrap();
            }
            if fallbacks > 0 && *quality >= 4 {
                writeln!(said, "{name}: the solver fell back {fallbacks} times at ×{quality}, allowed is never")
                    .unwrap();
            }
        }
        said
    }
}

#[test]
fn every_waveform_is_that_of_the_independent_solution() {
    let rows = Measured::all();
    let mut table = String::from("error to signal below 16 kHz, worst tap, dB\n");
    writeln!(table, "{:25} {:>6} {:>6} {:>6} {:>6} {:>6}   taps at ×4", "case", "×1", "×2", "×4", "×8", "×16").unwrap();
    for switching in [false, true] {
        writeln!(table, "{}", if switching { "lines that move" } else { "lines that stand still" }).unwrap();
        let rows = rows.iter().filter(|row| row.is_switching() == switching);
        assert!(rows.clone().count() >= CASES[usize::from(switching)], "cases are missing: cargo xtask reference");
        for row in rows {
            write!(table, "  {:23}", row.case.name).unwrap();
            for db in row.worst_db() {
                write!(table, " {db:6.1}").unwrap();
            }
            let [a, b, c] = row.taps_db[2];
            write!(table, "   {a:6.1} {b:6.1} {c:6.1}").unwrap();
            for (quality, fallbacks) in QUALITIES.iter().zip(row.fallbacks).filter(|(_, fallbacks)| *fallbacks > 0) {
                write!(table, "  {fallbacks} fallbacks at ×{quality}").unwrap();
            }
            writeln!(table, "{}", if row.faults().is_empty() { "" } else { "  over the bound" }).unwrap();
        }
    }
    let bad: String = rows.iter().map(Measured::faults).collect();
    println!("{table}");
    assert!(bad.is_empty(), "\n{table}\n{bad}");
}

/// A solution is only worth something for the circuit that it solved.
#[test]
fn every_solution_is_of_the_circuit_as_it_is_listed_today() {
    for name in names() {
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
        let tap = |frame: &[f64; 3], n: usize| case.rest[n] + scale * frame[n] + volts;
        case.solution.iter().map(|frame| std::array::from_fn(|n| tap(frame, n))).collect()
    };
    for db in case.error_db(&off(1.001, 0.0)) {
        approx::assert_abs_diff_eq!(db, -60.0, epsilon = 1e-6);
    }
    let at_rest = case.error_db(&off(1.0, 1e-6));
    assert!(at_rest.iter().all(|db| (-120.0..-60.0).contains(db)), "{at_rest:?}");
}
