//! The exact circuit that is solved, as a list of elements that any outside solver can assemble.
//!
//! Node `"0"` is ground, `"vcc"` the rail. Every approximation that the solver makes is against this list.

use crate::board::Board;
use crate::knobs::Settings;
use serde::Serialize;
use std::collections::BTreeMap;

/// One element of the list, with its law.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
pub enum Element {
    /// `i = v/ohms`.
    Resistor { name: String, a: String, b: String, ohms: f64 },
    /// `i = farads·dv/dt`.
    Capacitor { name: String, a: String, b: String, farads: f64 },
    /// `v = henries·di/dt`; with `saturation`, flux φ = henries·j, i = j + j³/(7·s²), s = ⅞·saturation.
    Inductor {
        name: String,
        a: String,
        b: String,
        henries: f64,
        #[serde(skip_serializing_if = "Option::is_none")]
        saturation: Option<f64>,
    },
    /// `v(p, n) = volts + scale·input`.
    Source {
        name: String,
        p: String,
        n: String,
        volts: f64,
        #[serde(skip_serializing_if = "Option::is_none")]
        input: Option<&'static str>,
        #[serde(skip_serializing_if = "Option::is_none")]
        scale: Option<f64>,
    },
    /// `v(p, n) = gain·v(cp, cn)`.
    Gain { name: String, p: String, n: String, cp: String, cn: String, gain: f64 },
    /// Transport Ebers–Moll.
    Npn { name: String, c: String, b: String, e: String, is: f64, bf: f64, br: f64, nf: f64, vt: f64 },
    /// EKV with n = 1, referred to the source node.
    Nmos { name: String, d: String, g: String, s: String, k: f64, vth: f64, vt: f64 },
    /// `i = is(e^{v/(n·vt)} − 1)` from anode `a` to cathode `k`.
    Diode { name: String, a: String, k: String, is: f64, n: f64, vt: f64 },
    /// A resistor that is `ron` or `roff`.
    Switch { name: String, a: String, b: String, ron: f64, roff: f64, line: String, closed: bool },
}

/// The list, with the nodes between which each tap is read.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Circuit {
    /// Every element.
    pub elements: Vec<Element>,
    /// Tap name to the nodes between which it is read.
    pub taps: BTreeMap<&'static str, [String; 2]>,
}

impl Circuit {
    /// The circuit of a board with its knobs and codes (bit n of a code is line n).
    pub fn of(_board: &Board, _settings: &Settings, _codes: [u8; 3]) -> Self {
        Self { elements: Vec::new(), taps: BTreeMap::new() }
    }
}
