//! The sheet as a page: `templates/sheet.html` with its gaps filled. Text is escaped there; only drawings, which are of our
//! own making, go in as they are. The page is well-formed XML too.

use super::readings::{Reading, digits};
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
    fn ohms(&self, value: &Option<f64>) -> String {
        value.map_or_else(|| "none".into(), |ohms| figure(ohms, Unit::Ohm))
    }

    /// A number of four digits, or a dash where there is none.
    fn number(&self, value: &f64) -> String {
        if value.is_finite() { digits(*value, 4) } else { "—".into() }
    }

    /// The same, or nothing.
    fn perhaps(&self, value: &Option<f64>) -> String {
        value.map_or_else(String::new, |value| self.number(&value))
    }

    /// Volts to a millivolt.
    fn volts(&self, value: &Option<f64>) -> String {
        value.map_or_else(String::new, |value| format!("{value:.3}"))
    }

    fn farads(&self, value: &f64) -> String {
        figure(*value, Unit::Farad)
    }

    /// Readings of one peak: hertz, then Q.
    fn pairs(&self) -> Vec<(&Reading, &Reading)> {
        self.sheet.peaks.chunks_exact(2).map(|pair| (&pair[0], &pair[1])).collect()
    }

    /// Whether a row begins a new group.
    fn begins(&self, n: &usize) -> bool {
        *n == 0 || self.sheet.nodes[*n].group != self.sheet.nodes[*n - 1].group
    }

    /// What to call the group of a node.
    fn words(&self, node: &str) -> String {
        super::wiring::words(node)
    }
}
