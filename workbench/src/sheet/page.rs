//! The sheet as a page: `templates/sheet.html` with its gaps filled. Text is escaped there; only drawings, which are of our
//! own making, go in as they are. The page is well-formed XML too.

use super::readings::{Reading, digits};
use super::wiring::Node;
use super::{Sheet, figure};
use crate::fault::Fault;
use askama::Template;
use tritank_dsp::value::Unit;

#[derive(Template)]
#[template(path = "sheet.html")]
struct Page<'a> {
    sheet: &'a Sheet,
    version: &'static str,
}

pub(super) fn html(sheet: &Sheet) -> Result<String, Fault> {
    Page { sheet, version: env!("CARGO_PKG_VERSION") }.render().map_err(Fault::new)
}

impl Page<'_> {
    /// Ohms, four digits.
    fn ohms(value: Option<f64>) -> String {
        value.map_or_else(|| "none".into(), |ohms| figure(ohms, Unit::Ohm))
    }

    /// Farads, four digits.
    fn farads(value: f64) -> String {
        figure(value, Unit::Farad)
    }

    /// A number of four digits, or a dash where there is none.
    fn number(value: f64) -> String {
        if value.is_finite() { digits(value, 4) } else { "—".into() }
    }

    /// The same, or nothing.
    fn perhaps(value: Option<f64>) -> String {
        value.map_or_else(String::new, Self::number)
    }

    /// Volts to a millivolt, or nothing.
    fn volts(value: Option<f64>) -> String {
        // No minus before a nought.
        value.map_or_else(String::new, |volts| format!("{:.3}", if volts.abs() < 5e-4 { 0.0 } else { volts }))
    }

    /// What a builder calls a node.
    fn words(node: &str) -> String {
        super::wiring::words(node)
    }

    /// Readings of one peak: hertz, then Q.
    fn pairs(&self) -> Vec<(&Reading, &Reading)> {
        self.sheet.peaks.chunks_exact(2).map(|pair| (&pair[0], &pair[1])).collect()
    }

    /// Nodes under the heading of their group.
    fn groups(&self) -> Vec<&[Node]> {
        self.sheet.nodes.chunk_by(|a, b| a.group == b.group).collect()
    }
}
