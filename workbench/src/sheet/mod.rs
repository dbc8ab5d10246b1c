//! The sheet that lies on the bench while a board is soldered: cautions, drawings, parts, codes, wiring, readings.
//!
//! ```text
//!   board, knobs ─► element list ─┬─► drawing    the circuit on paper
//!                                 ├─► parts      what to buy ◄── drawer
//!                                 ├─► wiring     what lands where
//!                   response ─────┴─► readings   what a meter should say ◄── limits
//!                                         └──► page    one HTML file
//! ```
//! The same board gives the same bytes: nothing in it tells the day or the machine.

pub mod drawing;
pub mod limits;
pub mod mark;
mod page;
pub mod parts;
pub mod readings;
pub mod wiring;

use crate::drawer;
use crate::fault::Fault;
use crate::response::{StageResponse, UnitResponse};
use crate::unit;
use drawing::Figure;
use limits::Within;
use parts::{Bought, Order, Part};
use readings::Reading;
use serde::Serialize;
use tritank_dsp::board::{Bank, Board, Driver};
use tritank_dsp::circuit::Circuit;
use tritank_dsp::knobs::{Knob, Settings};
use tritank_dsp::patch::Patch;
use tritank_dsp::response::Response;
use tritank_dsp::value::{self, Unit};
use wiring::Node;

/// What one code does.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CodeRow {
    /// Stage, 1 to 3.
    pub stage: usize,
    /// Code.
    pub code: u8,
    /// The same, line by line, the highest first.
    pub bits: String,
    /// Lines that are high, such as `1.0 1.2`.
    pub high: Vec<String>,
    /// Capacitors that are switched in.
    pub switched: Vec<String>,
    /// Fixed and switched together, farads.
    pub farads: f64,
    /// Peak, hertz.
    pub hertz: f64,
    /// Q; not a number where a side never falls by 3 dB.
    pub q: f64,
    /// Width at −3 dB, hertz.
    pub bandwidth_hz: f64,
}

/// A bias divider that does what the board's base resistor and bias say.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Divider {
    /// The base resistor that it takes the place of.
    pub base: String,
    /// Volts that it gives without a load.
    pub volts: f64,
    /// Rail side, ohms; nothing where there is no bias.
    pub upper: Option<f64>,
    /// Ground side, ohms; nothing where the bias is the whole supply.
    pub lower: Option<f64>,
}

/// The whole sheet.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// Name of the board.
    pub name: String,
    /// Its notes.
    pub notes: String,
    /// Supply, volts.
    pub supply_volts: f64,
    /// Temperature of the transistors, °C.
    pub temperature_celsius: f64,
    /// Codes on the lines when the DC readings are taken.
    pub codes: [u8; 3],
    /// Drawings.
    pub figures: Vec<Figure>,
    /// Parts list.
    pub parts: Vec<Part>,
    /// Bias dividers.
    pub dividers: Vec<Divider>,
    /// Order list.
    pub order: Vec<Order>,
    /// Whether the order list is against a drawer.
    pub has_drawer: bool,
    /// What every code does.
    pub code_table: Vec<CodeRow>,
    /// Wiring list.
    pub nodes: Vec<Node>,
    /// DC readings.
    pub volts: Vec<Reading>,
    /// Readings of the peaks.
    pub peaks: Vec<Reading>,
    /// How the limits were found; empty without limits.
    pub limits: String,
}

impl Sheet {
    /// The sheet of a unit: its board, and its knobs where they bear on what is read.
    ///
    /// # Errors
    /// When the board finds no operating point.
    pub fn of(patch: &Patch, drawer: Option<&[drawer::Part]>, within: Option<&Within>) -> Result<Self, Fault> {
        let (board, settings) = (&patch.board, &patch.settings);
        let codes = unit::codes(settings);
        let circuit = whole(board, settings, codes);
        let unit = UnitResponse::of_every_code(patch, Vec::new())?;
        let mut volts = unit.operating_point.clone();
        if !settings.is_on(Knob::InputOverdriven) {
            let driven = Response::of(board, &overdriven(settings), codes).map_err(Fault::new)?;
            for (node, at) in driven.operating_point() {
                volts.entry(node.clone()).or_insert(*at);
            }
        }
        let limits = within.map(|within| &within.limits);
        let parts = parts::list(board, &circuit, &volts, &within.map_or_else(Bought::default, |within| within.bought));
        let nodes = wiring::nodes(&circuit);
        let read = nodes.iter().filter(|node| !node.is_inside() && node.node != "0").map(|node| node.node.as_str());
        Ok(Self {
            name: printable(&board.name),
            notes: printable(&board.notes),
            supply_volts: unit.supply_volts,
            temperature_celsius: unit.temperature_celsius,
            codes,
            figures: drawing::all(board, settings),
            dividers: dividers(board, unit.supply_volts),
            order: parts::order(&parts, drawer.unwrap_or_default()),
            has_drawer: drawer.is_some(),
            parts,
            code_table: unit.stages.iter().map(|stage| code_row(board, stage)).collect(),
            volts: readings::of_nodes(read, &circuit, &volts, limits),
            peaks: readings::of_peaks(&unit.stages, limits),
            nodes,
            limits: within.map_or_else(String::new, |within| within.words.clone()),
        })
    }

    /// The sheet as one HTML file.
    ///
    /// # Errors
    /// When the page cannot be filled in, which no board brings about.
    pub fn html(&self) -> Result<String, Fault> {
        page::html(self)
    }

    /// The readings as a CSV to be filled in.
    pub fn readings_csv(&self) -> Vec<u8> {
        readings::csv(self.volts.iter().chain(&self.peaks))
    }
}

fn overdriven(settings: &Settings) -> Settings {
    let mut settings = *settings;
    settings.set(Knob::InputOverdriven, 1.0);
    settings
}

/// The element list of a unit with its input stage, which a unit that bypasses it has on the board all the same.
pub fn whole(board: &Board, settings: &Settings, codes: [u8; 3]) -> Circuit {
    let mut circuit = Circuit::of(board, settings, codes);
    if !settings.is_on(Knob::InputOverdriven) {
        let of_input = ["0", "vcc", "j0", "b0", "c0", "e0", "o0"];
        let driven = Circuit::of(board, &overdriven(settings), codes);
        let bypassed = driven.elements.into_iter().filter(|element| {
            let ends = wiring::ends(element);
            ends.iter().all(|(_, node)| of_input.contains(node))
                && ends.iter().any(|(_, node)| node.ends_with('0') && *node != "0")
        });
        circuit.elements.extend(bypassed);
    }
    circuit
}

fn code_row(board: &Board, stage: &StageResponse) -> CodeRow {
    let n = stage.stage;
    let part = board.stages()[n - 1];
    let bank: &Bank = &part.bank;
    let lines = bank.lines();
    let closed: Vec<_> = (0..bank.capacitors.len())
        .filter(|place| bank.closed(*place, stage.code) && bank.capacitors[*place] > 0.0)
        .collect();
    let name = |place: &usize| format!("b{n}{place:x} {}", figure(bank.capacitors[*place], Unit::Farad));
    CodeRow {
        stage: n,
        code: stage.code,
        bits: (0..lines).rev().map(|line| if stage.code >> line & 1 == 1 { '1' } else { '0' }).collect(),
        high: (0..lines).filter(|line| stage.code >> line & 1 == 1).map(|line| format!("{n}.{line}")).collect(),
        farads: part.fixed + closed.iter().map(|place| bank.capacitors[*place]).sum::<f64>(),
        switched: closed.iter().map(name).collect(),
        hertz: stage.peak.frequency,
        q: stage.peak.q,
        bandwidth_hz: stage.peak.frequency / stage.peak.q,
    }
}

/// A divider of `upper` and `lower` has the open voltage `lower/(upper + lower)` of the supply and the resistance of both in
/// parallel (Thévenin): with base resistor R and share k, upper R/k and lower R/(1 − k).
fn dividers(board: &Board, supply_volts: f64) -> Vec<Divider> {
    let drivers = [&board.input.driver, &board.stage1.driver, &board.stage2.driver, &board.stage3.driver];
    let divider = |(n, driver): (usize, &&Driver)| Divider {
        base: format!("rb{n}"),
        volts: driver.bias * supply_volts,
        upper: (driver.bias > 0.0).then(|| driver.base / driver.bias),
        lower: (driver.bias < 1.0).then(|| driver.base / (1.0 - driver.bias)),
    };
    drivers.iter().enumerate().map(divider).collect()
}

/// Four digits, as a builder reads them.
fn figure(value: f64, unit: Unit) -> String {
    value::write(rounded(value), unit)
}

fn rounded(value: f64) -> f64 {
    format!("{value:.3e}").parse().unwrap_or(value)
}

/// Text without the control characters that no page may hold.
fn printable(text: &str) -> String {
    let holds = |c: char| (c.is_control() && !matches!(c, '\n' | '\t')) || matches!(c, '\u{fffe}' | '\u{ffff}');
    text.replace("\r\n", "\n").chars().map(|c| if holds(c) { '\u{fffd}' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Thévenin: the divider's open voltage and its resistance are the bias and the base resistor.
    #[test]
    fn a_divider_does_what_base_resistor_and_bias_say() {
        let board = Board::built_in();
        for divider in dividers(&board, 3.0) {
            let (upper, lower) = (divider.upper.unwrap(), divider.lower.unwrap());
            approx::assert_relative_eq!(3.0 * lower / (upper + lower), 0.2325, max_relative = 1e-12);
            approx::assert_relative_eq!(upper * lower / (upper + lower), 1e3, max_relative = 1e-12);
        }
    }

    #[test]
    fn the_input_stage_is_on_the_sheet_though_it_is_bypassed() {
        let board = Board::built_in();
        let settings = Settings::of(&board);
        let mut names: Vec<_> =
            whole(&board, &settings, [0; 3]).elements.iter().map(|e| wiring::name(e).to_owned()).collect();
        for name in ["bus0", "rb0", "re0", "q0", "rl0", "cf0", "co0", "ro0", "bus1", "supply"] {
            assert_eq!(names.iter().filter(|own| *own == name).count(), 1, "{name}");
        }
        let count = names.len();
        names.sort();
        names.dedup();
        assert_eq!(names.len(), count, "no element twice");
        assert_eq!(whole(&board, &overdriven(&settings), [0; 3]), Circuit::of(&board, &overdriven(&settings), [0; 3]));
    }

    #[test]
    fn text_that_no_page_may_hold_is_taken_out() {
        assert_eq!(printable("a\r\nb\u{1}\u{7f}\tc\u{ffff}"), "a\nb\u{fffd}\u{fffd}\tc\u{fffd}");
    }
}
