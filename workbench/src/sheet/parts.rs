//! The parts of a board, grouped by value, and what of them has to be bought.
//!
//! ```text
//!   element list ──► items ──► grouped by kind and value ──► parts list ──► less the drawer ──► order list
//!   exciter ───────────┘
//! ```
//! The exciter is solved by its charging law and has no elements; its parts have names of their own here.

use super::figure;
use super::mark;
use crate::drawer::{self, Part as InDrawer};
use crate::series::Series;
use crate::tune::{Tank, nearest_pair};
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use tritank_dsp::board::{BankKind, Board, Transistor};
use tritank_dsp::circuit::{Circuit, Element};
use tritank_dsp::value::{self, Unit};

/// Kinds of part, in the order of the list.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// Ohms.
    Resistor,
    /// Farads.
    Capacitor,
    /// Henries.
    Coil,
    /// Germanium, NPN.
    Transistor,
    /// N channel, enhancement.
    Mosfet,
    /// Analogue switches of a bank, one a line.
    Switch,
    /// An analogue multiplexer, one position of many.
    Multiplexer,
    /// Draws nothing from what it follows.
    Buffer,
}

impl Kind {
    /// The word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Resistor => "resistor",
            Self::Capacitor => "capacitor",
            Self::Coil => "coil",
            Self::Transistor => "transistor",
            Self::Mosfet => "MOSFET",
            Self::Switch => "switch",
            Self::Multiplexer => "multiplexer",
            Self::Buffer => "buffer",
        }
    }

    /// The drawer's word for it; `None` where drawers hold none.
    const fn in_drawer(self) -> Option<drawer::Kind> {
        match self {
            Self::Resistor => Some(drawer::Kind::Resistor),
            Self::Capacitor => Some(drawer::Kind::Capacitor),
            Self::Coil => Some(drawer::Kind::Coil),
            _ => None,
        }
    }
}

/// Tolerances, as fractions, that the readings' limits are worked out with.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bought {
    /// Of resistors.
    pub resistors: Option<f64>,
    /// Of capacitors.
    pub capacitors: Option<f64>,
}

/// Parts of one kind and value.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Part {
    /// Kind.
    pub kind: Kind,
    /// Names in drawings, wiring and readings.
    pub designators: Vec<String>,
    /// Ohms, farads or henries; nothing for other kinds.
    pub value: Option<f64>,
    /// The value in words.
    pub written: String,
    /// What is printed on it (IEC 60062).
    pub mark: Option<String>,
    /// The same as three digits.
    pub code: Option<String>,
    /// Letter of the tolerance to buy.
    pub tolerance: Option<char>,
    /// How many.
    pub quantity: u32,
    /// What else there is to know.
    pub notes: Vec<String>,
}

/// A part of the list against the drawer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Order {
    /// Kind.
    pub kind: Kind,
    /// Ohms, farads or henries; nothing for other kinds.
    pub value: Option<f64>,
    /// The value in words.
    pub written: String,
    /// How many the board takes.
    pub needed: u32,
    /// How many are in the drawer.
    pub in_drawer: u32,
    /// How many to take out of it.
    pub take: u32,
    /// How many to buy.
    pub buy: u32,
    /// Which to take.
    pub notes: Vec<String>,
}

/// One part before it is grouped.
struct Item {
    kind: Kind,
    value: Option<f64>,
    written: String,
    name: String,
    quantity: u32,
    note: Option<String>,
}

impl Item {
    fn of_value(kind: Kind, name: impl Into<String>, value: f64) -> Self {
        let unit = kind.in_drawer().map_or(Unit::None, drawer::Kind::unit);
        let written = value::write(value, unit);
        Self { kind, value: Some(value), written, name: name.into(), quantity: 1, note: None }
    }

    fn of_words(kind: Kind, name: impl Into<String>, written: String) -> Self {
        Self { kind, value: None, written, name: name.into(), quantity: 1, note: None }
    }

    fn note(mut self, note: impl Into<String>) -> Self {
        self.note = Some(note.into());
        self
    }
}

/// The parts list of a board: its circuit with the DC volts of each node.
pub fn list(board: &Board, circuit: &Circuit, volts: &BTreeMap<String, f64>, bought: &Bought) -> Vec<Part> {
    let mut items: Vec<_> = circuit.elements.iter().filter_map(|element| soldered(element, volts)).collect();
    items.extend(coils(board));
    items.extend(active(board));
    items.extend(exciter(board));

    let mut parts: Vec<Part> = Vec::new();
    for item in items {
        let same = |part: &&mut Part| {
            part.kind == item.kind
                && match (part.value, item.value) {
                    (Some(a), Some(b)) => is_same(a, b),
                    _ => part.written == item.written,
                }
        };
        if let Some(part) = parts.iter_mut().find(same) {
            part.designators.push(item.name);
            part.quantity += item.quantity;
            part.notes.extend(item.note);
        } else {
            parts.push(Part {
                kind: item.kind,
                designators: vec![item.name],
                value: item.value,
                written: item.written,
                mark: None,
                code: None,
                tolerance: None,
                quantity: item.quantity,
                notes: item.note.into_iter().collect(),
            });
        }
    }
    for part in &mut parts {
        part.designators.sort();
        marked(part, bought);
    }
    parts.sort_by(|a, b| a.kind.cmp(&b.kind).then(a.value.unwrap_or(0.0).total_cmp(&b.value.unwrap_or(0.0))));
    parts
}

fn is_same(a: f64, b: f64) -> bool {
    (a / b - 1.0).abs() < 1e-9
}

/// Mark, tolerance and, where it is no preferred number, what comes near.
fn marked(part: &mut Part, bought: &Bought) {
    let Some(value) = part.value else { return };
    let (unit, tolerance) = match part.kind {
        Kind::Resistor => (Unit::Ohm, bought.resistors),
        Kind::Capacitor => (Unit::Farad, bought.capacitors),
        _ => (Unit::Henry, None),
    };
    part.tolerance = tolerance.and_then(mark::tolerance);
    part.mark = mark::letters(value, unit);
    if part.kind == Kind::Capacitor {
        part.code = mark::three_digits(value);
    }
    if part.kind != Kind::Coil {
        part.notes.extend(off_series(value, unit));
    }
}

/// What a builder takes for a value that E24 does not have (IEC 60063).
fn off_series(value: f64, unit: Unit) -> Option<String> {
    let percent = |near: f64| format!("{:+.2} %", 100.0 * (near / value - 1.0));
    let e24 = Series::E24.nearest(value)?;
    if is_same(e24, value) {
        return None;
    }
    let e96 = Series::E96.nearest(value)?;
    if is_same(e96, value) {
        return Some(format!("E96 value; nearest of E24: {} ({})", value::write(e24, unit), percent(e24)));
    }
    let values = Series::E24.values(value / 100.0, value * 100.0);
    let (a, b) = nearest_pair(&values, value, |a, b| a + b)?;
    let joined = if unit == Unit::Farad { "in parallel" } else { "in series" };
    Some(format!(
        "no preferred number; nearest of E24: {} ({}), of E96: {} ({}), two of E24 {joined}: {} and {} ({})",
        value::write(e24, unit),
        percent(e24),
        value::write(e96, unit),
        percent(e96),
        value::write(b, unit),
        value::write(a, unit),
        percent(a + b),
    ))
}

/// Smaller capacitors are not made with a plus side (common practice).
const SMALLEST_POLARISED: f64 = 0.47e-6;

/// Resistors and capacitors, but for the losses of the coils.
fn soldered(element: &Element, volts: &BTreeMap<String, f64>) -> Option<Item> {
    match element {
        Element::Resistor { name, .. } if (1..=3).any(|n| *name == format!("rs{n}") || *name == format!("rp{n}")) => {
            None
        }
        Element::Resistor { name, ohms, .. } => Some(Item::of_value(Kind::Resistor, name, *ohms)),
        Element::Capacitor { name, a, b, farads } => {
            let item = Item::of_value(Kind::Capacitor, name, *farads);
            let (at_a, at_b) = (volts.get(a)?, volts.get(b)?);
            let (plus, across) = if at_a > at_b { (a, at_a - at_b) } else { (b, at_b - at_a) };
            Some(if *farads >= SMALLEST_POLARISED {
                item.note(format!("{name}: {across:.2} V across it; if polarised, + on {plus}"))
            } else {
                item
            })
        }
        _ => None,
    }
}

/// Coils, each with its losses and the Q that they leave it by itself.
fn coils(board: &Board) -> impl Iterator<Item = Item> {
    (1..).zip(board.stages()).map(|(n, stage)| {
        let coil = &stage.coil;
        let most = match stage.bank.kind {
            BankKind::Parallel => stage.bank.capacitors.iter().sum(),
            BankKind::Select => stage.bank.capacitors.iter().copied().fold(0.0, f64::max),
        };
        let q = |farads: f64| {
            let tank = Tank::of_coil_and_capacitor(coil.inductance, farads);
            format!("{:.1} at {:.0} Hz", tank.q(Some(coil.series), Some(coil.core)), tank.hertz)
        };
        let mut note = format!(
            "l{n}: wire {}, core loss {}, Q {}",
            figure(coil.series, Unit::Ohm),
            figure(coil.core, Unit::Ohm),
            q(stage.fixed)
        );
        if most > 0.0 {
            let _ = write!(note, " and {}", q(stage.fixed + most));
        }
        if let Some(amperes) = coil.saturation {
            let _ = write!(note, ", 30 % less at {}", figure(amperes, Unit::Ampere));
        }
        Item::of_value(Kind::Coil, format!("l{n}"), coil.inductance).note(note)
    })
}

fn germanium(part: &Transistor) -> String {
    format!(
        "germanium NPN: gain {}, reverse {}, saturation current {}, emission {}, leakage {}",
        part.forward_gain,
        part.reverse_gain,
        figure(part.saturation, Unit::Ampere),
        part.emission,
        figure(part.leakage, Unit::Ampere)
    )
}

/// Transistors, channels, switches and buffers.
fn active(board: &Board) -> Vec<Item> {
    let mut items = Vec::new();
    let drivers = [&board.input.driver, &board.stage1.driver, &board.stage2.driver, &board.stage3.driver];
    for (n, driver) in drivers.into_iter().enumerate() {
        items.push(Item::of_words(Kind::Transistor, format!("q{n}"), germanium(&driver.transistor)));
    }
    for name in ["qfa", "qfb"] {
        items.push(Item::of_words(Kind::Transistor, name, germanium(&board.follower.transistor)));
    }
    for (n, stage) in (1..).zip(board.stages()) {
        if let Some(sweep) = &stage.sweep {
            let body = if sweep.body_diode { "body on the source" } else { "body not on the source" };
            let written = format!(
                "N channel: k {}, threshold {}, {body}",
                figure(sweep.transconductance, Unit::AmperePerVolt2),
                figure(sweep.threshold, Unit::Volt)
            );
            items.push(Item::of_words(Kind::Mosfet, format!("m{n}"), written));
        }
        let bank = &stage.bank;
        let closed: Vec<_> = (0..bank.capacitors.len()).filter(|place| bank.capacitors[*place] > 0.0).collect();
        let (Some(first), Some(last)) = (closed.first(), closed.last()) else { continue };
        let on = figure(bank.on, Unit::Ohm);
        items.push(match bank.kind {
            BankKind::Parallel => {
                let name = closed.iter().map(|place| format!("s{n}{place:x}")).collect::<Vec<_>>().join(" ");
                let mut item = Item::of_words(Kind::Switch, name, format!("analogue switch, {on} when closed"));
                item.quantity = closed.len() as u32;
                item
            }
            BankKind::Select => {
                let positions = bank.capacitors.len();
                let written = format!("analogue multiplexer, 1 of {positions}, {on} when closed");
                Item::of_words(Kind::Multiplexer, format!("s{n}{first:x}…s{n}{last:x}"), written)
            }
        });
    }
    for (name, what) in [("g12", "from tap 1 to driver 2"), ("gf", "behind the follower"), ("g23", "to driver 3")] {
        items.push(Item::of_words(Kind::Buffer, name, "unity buffer".into()).note(format!("{name}: {what}")));
    }
    items
}

/// The exciter's parts.
fn exciter(board: &Board) -> Vec<Item> {
    let part = &board.exciter;
    let v = |volts| figure(volts, Unit::Volt);
    let switching = format!(
        "germanium NPN for the exciter: base–emitter {}, saturated {}",
        v(part.base_emitter),
        v(part.saturation)
    );
    vec![
        Item::of_value(Kind::Resistor, "rtxa", part.timing),
        Item::of_value(Kind::Resistor, "rtxb", part.timing),
        Item::of_value(Kind::Resistor, "rgx", part.gate_series),
        Item::of_value(Kind::Capacitor, "cpause", part.pause),
        Item::of_value(Kind::Capacitor, "cpulse", part.pulse),
        Item::of_value(Kind::Capacitor, "cgx", part.gate_capacitor).note("cgx: if polarised, − on ground"),
        Item::of_words(Kind::Transistor, "qxa", switching.clone()),
        Item::of_words(Kind::Transistor, "qxb", switching),
    ]
}

/// The parts list against a drawer. Of equal parts the closest in tolerance go first.
pub fn order(parts: &[Part], drawer: &[InDrawer]) -> Vec<Order> {
    parts.iter().map(|part| against(part, drawer)).collect()
}

fn against(part: &Part, drawer: &[InDrawer]) -> Order {
    let mut there: Vec<_> = drawer
        .iter()
        .filter(|row| Some(row.kind) == part.kind.in_drawer())
        // A board that was planned from a drawer has what the bridge read.
        .filter(|row| part.value.is_some_and(|v| is_same(v, row.value) || row.measured.is_some_and(|m| is_same(v, m))))
        .filter(|row| row.quantity > 0)
        .collect();
    there.sort_by(|a, b| a.tolerance.unwrap_or(1.0).total_cmp(&b.tolerance.unwrap_or(1.0)));
    let (mut missing, mut notes) = (part.quantity, Vec::new());
    for row in &there {
        let take = missing.min(row.quantity);
        missing -= take;
        let unit = row.kind.unit();
        let tolerance = row.tolerance.map(|fraction| format!("±{} %", round(100.0 * fraction)));
        let measured = row.measured.map(|measured| format!("read as {}", value::write(measured, unit)));
        let marked = part.value.is_some_and(|v| !is_same(v, row.value));
        let marked = marked.then(|| format!("marked {}", value::write(row.value, unit)));
        let known: Vec<_> = marked.into_iter().chain(tolerance).chain(measured).collect();
        if take > 0 && !known.is_empty() {
            notes.push(format!("take {take} of {}", known.join(", ")));
        }
    }
    Order {
        kind: part.kind,
        value: part.value,
        written: part.written.clone(),
        needed: part.quantity,
        in_drawer: there.iter().map(|row| row.quantity).sum(),
        take: part.quantity - missing,
        buy: missing,
        notes,
    }
}

/// Percent without the noise of the last bits.
fn round(percent: f64) -> f64 {
    (percent * 1e9).round() / 1e9
}

#[cfg(test)]
mod tests {
    use super::*;
    use tritank_dsp::knobs::Settings;
    use tritank_dsp::response::Response;

    fn parts(board: &Board) -> Vec<Part> {
        let settings = Settings::of(board);
        let circuit = super::super::whole(board, &settings, [0; 3]);
        let response = Response::of(board, &settings, [0; 3]).unwrap();
        list(board, &circuit, response.operating_point(), &Bought { capacitors: Some(0.05), ..Bought::default() })
    }

    fn of<'a>(parts: &'a [Part], name: &str) -> &'a Part {
        parts.iter().find(|part| part.designators.iter().any(|own| own == name)).unwrap()
    }

    #[test]
    fn parts_are_grouped_by_value_and_marked() {
        let parts = parts(&Board::built_in());
        let four = of(&parts, "re1");
        assert_eq!((four.quantity, four.mark.as_deref()), (4, Some("220R")));
        assert_eq!(four.designators, ["re0", "re1", "re2", "re3"]);
        let bank = of(&parts, "b10");
        assert_eq!((bank.mark.as_deref(), bank.code.as_deref(), bank.tolerance), (Some("47n"), Some("473"), Some('J')));
        assert!(bank.designators.contains(&"b23".into()) && bank.quantity == 2, "one of each bank");
        assert!(parts.iter().all(|part| part.value.is_none() || part.quantity as usize == part.designators.len()));
        assert!(parts.iter().all(|part| !part.designators.iter().any(|name| name == "rs1" || name == "rp1")));
    }

    /// Q of a coil by 1/Q = r/X + X/R at 1/(2π√(LC)); the built-in board's design says 0.4 of the loss in the wire.
    #[test]
    fn a_coil_carries_its_losses_and_its_q() {
        let parts = parts(&Board::built_in());
        let (l, c, r, core) = (0.5f64, 51e-9f64, 69.8, 23.6e3);
        let x = (l / c).sqrt();
        let said = &of(&parts, "l1").notes[0];
        assert!(said.contains(&format!("Q {:.1} at 997 Hz", 1.0 / (r / x + x / core))), "{said}");
    }

    #[test]
    fn what_no_series_has_is_told_with_what_comes_near() {
        let mut board = Board::built_in();
        board.stage1.fixed = 50e-9;
        board.stage2.fixed = 49.9e-9;
        let parts = parts(&board);
        let near = of(&parts, "cf1").notes.join(" ");
        // By hand: 51 nF is 2 % more; of the pairs of E24 that make 50, 39 + 11 and 30 + 20, the more equal one.
        assert!(near.contains("no preferred number") && near.contains("51 nF (+2.00 %)"), "{near}");
        assert!(near.contains("in parallel: 30 nF and 20 nF (+0.00 %)"), "{near}");
        assert!(of(&parts, "cf2").notes[0].starts_with("E96 value"), "{:?}", of(&parts, "cf2").notes);
        assert!(of(&parts, "cf3").notes.is_empty());
    }

    #[test]
    fn a_large_capacitor_says_which_side_is_plus() {
        let parts = parts(&Board::built_in());
        assert!(of(&parts, "cof").notes[0].contains("if polarised, + on fx"), "{:?}", of(&parts, "cof").notes);
    }

    #[test]
    fn what_the_drawer_has_is_not_bought() {
        let parts = parts(&Board::built_in());
        let drawer = |quantity, tolerance, measured| InDrawer {
            value: 220.0 * (1.0 + 1e-13),
            quantity,
            tolerance,
            measured,
            kind: drawer::Kind::Resistor,
        };
        let mut rows = vec![drawer(2, Some(0.2), None), drawer(1, Some(0.01), Some(219.0)), drawer(0, None, None)];
        // The same number in another unit is another part.
        rows.push(InDrawer { kind: drawer::Kind::Capacitor, value: 220.0, ..rows[0] });
        let order = order(&parts, &rows);
        let row = order.iter().find(|row| row.value == Some(220.0)).unwrap();
        assert_eq!([row.needed, row.in_drawer, row.take, row.buy], [4, 3, 3, 1]);
        assert_eq!(row.notes, ["take 1 of ±1 %, read as 219 Ω", "take 2 of ±20 %"]);
        for row in &order {
            assert_eq!(row.take + row.buy, row.needed);
            assert!(row.take <= row.in_drawer);
        }
        assert_eq!(order.iter().filter(|row| row.take > 0).count(), 1);
    }
}
