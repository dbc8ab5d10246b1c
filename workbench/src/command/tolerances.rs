//! How far parts may be off: the options of every command that draws units.

use crate::fault::Fault;
use crate::spread::{Kind, Tolerances, WIDEST, WIDEST_KELVIN};

/// Tolerances that are not the usual ones.
#[derive(Clone, Debug, Default, clap::Args)]
pub(super) struct ToleranceOptions {
    /// Tolerance of capacitors, percent; without it, what the series comes in: E96 1, E48 2, E24 5, E12 10, E6 20
    #[arg(long, value_name = "PERCENT", allow_negative_numbers = true)]
    tolerance: Option<String>,
    /// Tolerance of anything else, as coil=2%; may be given again: resistor 5%, coil 5%, loss 20%, gain 50%, saturation 50%,
    /// switch 50%, supply 10%, temperature 10K
    #[arg(long, value_name = "NAME=VALUE")]
    spread: Vec<String>,
}

impl ToleranceOptions {
    /// An option of these that was given, if any was.
    pub(super) fn given(&self) -> Option<&'static str> {
        match (&self.tolerance, self.spread.is_empty()) {
            (Some(_), _) => Some("--tolerance"),
            (None, false) => Some("--spread"),
            (None, true) => None,
        }
    }

    /// What was given, over the usual ones.
    pub(super) fn of(&self, usual: Tolerances) -> Result<Tolerances, Fault> {
        let mut tolerances = usual;
        if let Some(text) = &self.tolerance {
            tolerances.capacitors = fraction(text, Kind::Capacitor).map_err(|what| told("--tolerance", text, &what))?;
        }
        for text in &self.spread {
            let fault = |what: &str| told("--spread", text, what);
            let (name, value) = text.split_once('=').ok_or_else(|| fault("allowed is name=value, such as coil=2%"))?;
            let kind = OTHERS.into_iter().find(|kind| kind.word() == name.trim()).ok_or_else(|| {
                fault(&format!("allowed are {}; capacitors have --tolerance", OTHERS.map(Kind::word).join(", ")))
            })?;
            *tolerances.of(kind) = fraction(value, kind).map_err(|what| fault(&what))?;
        }
        Ok(tolerances)
    }
}

/// What `--spread` is about.
const OTHERS: [Kind; 8] = [
    Kind::Resistor,
    Kind::Coil,
    Kind::Loss,
    Kind::Gain,
    Kind::Saturation,
    Kind::Switch,
    Kind::Supply,
    Kind::Temperature,
];

fn told(option: &str, given: &str, what: &str) -> Fault {
    Fault::new(format!("{option}: given {given}, {what}"))
}

/// A tolerance as it is written: percent, or kelvin for the temperature.
fn fraction(text: &str, kind: Kind) -> Result<f64, String> {
    let (mark, whole, most) = if kind == Kind::Temperature { ('K', 1.0, WIDEST_KELVIN) } else { ('%', 100.0, WIDEST) };
    let number = text.trim().trim_end_matches(mark).trim_end();
    let value: Option<f64> = number.parse().ok().map(|number: f64| number / whole);
    value
        .filter(|value| (0.0..=most).contains(value))
        .ok_or_else(|| format!("allowed is 0 {mark} to {} {mark}", most * whole))
}
