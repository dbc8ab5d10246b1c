//! What a meter should read on the finished unit, with limits, as a table and as a CSV to write one's own readings into.
//!
//! ```text
//!   kind,node_or_code,quantity,expected,low,high,measured
//!   node,c1,volts,2.901,2.87,2.93,
//!   peak,1=5,hertz,399.4,,,
//! ```
//! A code is `stage=code`. `measured` is left empty.

use crate::response::StageResponse;
use serde::Serialize;
use std::collections::BTreeMap;
use tritank_dsp::circuit::{Circuit, Element};

/// Least and greatest reading of a unit within its parts' tolerances.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Limits {
    /// Volts by node.
    pub nodes: BTreeMap<String, [f64; 2]>,
    /// Hertz and Q of a peak, by stage (1 to 3) and code.
    pub peaks: BTreeMap<(usize, u8), [[f64; 2]; 2]>,
}

/// One reading.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Reading {
    /// `node` or `peak`.
    pub kind: &'static str,
    /// A node of the element list, or `stage=code`.
    pub node_or_code: String,
    /// `volts`, `hertz` or `q`.
    pub quantity: &'static str,
    /// What the model says; nothing where a peak has no −3 dB points.
    pub expected: Option<f64>,
    /// Least within the tolerances.
    pub low: Option<f64>,
    /// Greatest within the tolerances.
    pub high: Option<f64>,
    /// What a person at the meter should know.
    #[serde(skip_serializing_if = "str::is_empty")]
    pub note: &'static str,
}

/// Readings of the nodes given, in their order.
pub fn of_nodes<'a>(
    nodes: impl IntoIterator<Item = &'a str>,
    circuit: &Circuit,
    volts: &BTreeMap<String, f64>,
    limits: Option<&Limits>,
) -> Vec<Reading> {
    let reading = |node: &str| {
        let note = note(node, circuit);
        let limits = limits.filter(|_| note.is_empty()).and_then(|limits| limits.nodes.get(node));
        volts.get(node).map(|volts| Reading {
            kind: "node",
            node_or_code: node.to_owned(),
            quantity: "volts",
            expected: Some(*volts),
            low: limits.and_then(|limits| finite(limits[0])),
            high: limits.and_then(|limits| finite(limits[1])),
            note,
        })
    };
    nodes.into_iter().filter_map(reading).collect()
}

/// Why a node does not read what it stands at: a meter of some megohms is a load there.
fn note(node: &str, circuit: &Circuit) -> &'static str {
    let open = circuit
        .elements
        .iter()
        .any(|element| matches!(element, Element::Switch { b, closed, .. } if b == node && !closed));
    let channel = circuit.elements.iter().any(|element| matches!(element, Element::Nmos { d, .. } if d == node));
    match (open, channel) {
        (true, _) => "floats while its switch is open: close its line to read it",
        (_, true) => "floats while the sweep is shut: open the sweep to read it",
        _ => "",
    }
}

/// Readings of the peaks: where each is and how sharp.
pub fn of_peaks(stages: &[StageResponse], limits: Option<&Limits>) -> Vec<Reading> {
    let mut readings = Vec::new();
    for stage in stages {
        let limits = limits.and_then(|limits| limits.peaks.get(&(stage.stage, stage.code)));
        for (n, (quantity, value)) in [("hertz", stage.peak.frequency), ("q", stage.peak.q)].into_iter().enumerate() {
            readings.push(Reading {
                kind: "peak",
                node_or_code: format!("{}={}", stage.stage, stage.code),
                quantity,
                expected: finite(value),
                low: limits.and_then(|limits| finite(limits[n][0])),
                high: limits.and_then(|limits| finite(limits[n][1])),
                note: "",
            });
        }
    }
    readings
}

/// What there is: a peak may have no sides, and a lot no unit that rests.
fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// The readings as a CSV, six digits each.
pub fn csv<'a>(readings: impl IntoIterator<Item = &'a Reading>) -> Vec<u8> {
    let cell = |value: Option<f64>| value.map_or_else(String::new, |value| digits(value, 6));
    let mut rows = csv::Writer::from_writer(Vec::new());
    let header = ["kind", "node_or_code", "quantity", "expected", "low", "high", "measured"];
    let mut written = rows.write_record(header);
    for reading in readings {
        let values = [reading.expected, reading.low, reading.high].map(cell);
        let name = [reading.kind, &reading.node_or_code, reading.quantity];
        let row = name.into_iter().chain(values.iter().map(String::as_str)).chain([""]);
        written = written.and_then(|()| rows.write_record(row));
    }
    debug_assert!(written.is_ok(), "writing into memory: {written:?}");
    rows.into_inner().unwrap_or_default()
}

/// A number of so many digits, without noughts behind.
pub fn digits(value: f64, digits: usize) -> String {
    let text = format!("{value:.*e}", digits - 1);
    text.parse::<f64>().map_or(text, |rounded| format!("{rounded}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use tritank_dsp::response::Peak;

    #[test]
    fn a_peak_without_sides_has_an_empty_cell() {
        let peak = Peak { frequency: 399.412_345, q: f64::NAN, gain: 28.0 };
        let stage = StageResponse { stage: 1, code: 5, peak, curve: Vec::new() };
        let mut limits = Limits::default();
        limits.peaks.insert((1, 5), [[390.0, 410.0], [f64::NAN, f64::NAN]]);
        let text = String::from_utf8(csv(&of_peaks(&[stage], Some(&limits)))).unwrap();
        assert_eq!(
            text,
            "kind,node_or_code,quantity,expected,low,high,measured\n\
             peak,1=5,hertz,399.412,390,410,\npeak,1=5,q,,,,\n"
        );
    }

    #[test]
    fn digits_are_rounded_and_small_numbers_keep_theirs() {
        for (value, text) in [(2.900_649_9, "2.90065"), (0.0, "0"), (-1.234_567_8e-4, "-0.000123457"), (3.0, "3")] {
            assert_eq!(digits(value, 6), text);
        }
    }
}
