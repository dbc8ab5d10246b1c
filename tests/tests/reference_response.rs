//! Small signals against a dense complex solve of the element list by an independent nodal program.
//!
//! `tests/reference/small_signal.py` (numpy and scipy, knowing only the list) makes `fixtures/response.json`: every code of
//! every stage, and settings that move the operating point. Bounds: 0.05 dB, and 1 cent at the peaks.

mod reference_unit;

use num_complex::Complex64;
use reference_unit::{Unit, fixture};
use serde_json::Value;
use tritank_dsp::response::Response;

const BOUND_DB: f64 = 0.05;
const BOUND_CENTS: f64 = 1.0;
/// Q comes from two −3 dB points, each on a slope: 0.05 dB there moves it by half a per cent.
const BOUND_Q: f64 = 0.005;

fn decibels(one: f64, other: f64) -> f64 {
    20.0 * (one / other).log10()
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

#[test]
fn peaks_and_taps_are_those_of_the_independent_solve_for_every_code() {
    let file = fixture("response.json");
    let settings = file["settings"].as_array().expect("a list");
    let mut seen = [[false; 16]; 3];
    let (mut worst_db, mut worst_cents, mut worst_q) = (0.0f64, 0.0f64, 0.0f64);
    for record in settings {
        let unit = Unit::of(record);
        let response = Response::of_circuit(&unit.circuit()).expect("an operating point");
        let at = format!("board {}, set {}, codes {:?}", record["board"], record["set"], unit.codes);
        for (stage, (peak, solved)) in
            response.peaks().iter().zip(record["peaks"].as_array().expect("peaks")).enumerate()
        {
            let cents = 1200.0 * (peak.frequency / number(&solved["hertz"])).log2();
            let gain_db = decibels(peak.gain, number(&solved["gain"]));
            let q = peak.q / number(&solved["q"]) - 1.0;
            assert!(cents.abs() <= BOUND_CENTS, "stage {}, {at}: peak {cents:.3} cents off", stage + 1);
            assert!(gain_db.abs() <= BOUND_DB, "stage {}, {at}: peak {gain_db:.4} dB off", stage + 1);
            assert!(q.abs() <= BOUND_Q, "stage {}, {at}: Q off by {:.3} %", stage + 1, 100.0 * q);
            (worst_cents, worst_q) = (worst_cents.max(cents.abs()), worst_q.max(q.abs()));
            worst_db = worst_db.max(gain_db.abs());
            if record["board"].is_null() {
                seen[stage][usize::from(unit.codes[stage])] = true;
            }
        }
        for row in record["chain"].as_array().expect("rows") {
            let hertz = number(&row["hertz"]);
            for (tap, (value, solved)) in
                response.taps(hertz).iter().zip(row["taps"].as_array().expect("taps")).enumerate()
            {
                let solved = Complex64::new(number(&solved[0]), number(&solved[1]));
                // As a vector, so that the phase counts too: 0.05 dB is 0.58 %.
                let off = (value - solved).norm() / solved.norm();
                assert!(off <= 10f64.powf(BOUND_DB / 20.0) - 1.0, "tap {} at {hertz} Hz, {at}: {off:.2e} off", tap + 1);
                worst_db = worst_db.max(decibels(1.0 + off, 1.0));
            }
        }
    }
    assert!(seen.iter().flatten().all(|code| *code), "every code of every stage: {seen:?}");
    println!(
        "{} settings: within {worst_db:.1e} dB, {worst_cents:.1e} cents, Q {:.1e} %",
        settings.len(),
        100.0 * worst_q
    );
}
