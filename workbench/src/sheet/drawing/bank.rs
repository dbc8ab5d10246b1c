//! Switched capacitors: lines side by side, or a multiplexer with one row a position.
//!
//! ```text
//!            ┌───────────┐
//!   c ───────┤  0   0000 ├──────┤├──────┬── rail
//!   lines ───┤  1   0001 ├──────┤├──────┤
//!            └───────────┘
//! ```

use super::Figure;
use super::pen::{At, Hold, Pen, Set, Symbol};
use crate::sheet::figure;
use tritank_dsp::board::{Bank, BankKind};
use tritank_dsp::value::Unit;

const LEFT: f64 = 130.0;
const RIGHT: f64 = 270.0;
const RAIL: f64 = 590.0;
const TOP: f64 = 50.0;
/// From row to row, without and with bleed resistors.
const PITCH: [f64; 2] = [29.0, 52.0];

/// From one line's capacitor to the next, without and with bleed resistors.
const COLUMN: [f64; 2] = [86.0, 166.0];

/// Whether a bank is too wide to stand in the drawing of its stage.
pub(super) fn has_own_drawing(bank: &Bank, bleed: Option<f64>) -> bool {
    !bank.capacitors.is_empty() && (bank.kind == BankKind::Select || bleed.is_some())
}

/// The drawing of a bank by itself.
pub(super) fn alone(n: usize, bank: &Bank, bleed: Option<f64>) -> Figure {
    match bank.kind {
        BankKind::Parallel => lines(n, bank, bleed),
        BankKind::Select => multiplexer(n, bank, bleed),
    }
}

/// Lines side by side, from `left` on, between the rail and the collector; how far they reach to the right.
pub(super) fn columns(
    pen: &mut Pen,
    [left, rail, collector]: [f64; 3],
    n: usize,
    bank: &Bank,
    bleed: Option<f64>,
) -> f64 {
    let pitch = COLUMN[usize::from(bleed.is_some())];
    let middle = rail + 98.0;
    for (place, &farads) in bank.capacitors.iter().enumerate() {
        let x = left + pitch * place as f64;
        let [top, inner, bottom]: [At; 3] = [[x, rail], [x, middle], [x, collector]];
        pen.part(Symbol::Capacitor, top, inner, &format!("b{n}{place:x}"), &figure(farads, Unit::Farad));
        pen.part(Symbol::Switch, inner, bottom, &format!("s{n}{place:x}"), &format!("line {n}.{place}"));
        pen.node([x - 6.0, middle + 4.0], Hold::End, &format!("w{n}{place:x}"));
        pen.dot(top);
        pen.dot(bottom);
        if let Some(ohms) = bleed {
            let beside = x + 84.0;
            pen.dot(inner);
            pen.dot([beside, collector]);
            pen.wire(&[inner, [beside, middle]]);
            pen.symbol(Symbol::Resistor, [beside, middle], [beside, collector]);
            pen.label([beside + 10.0, middle + 52.0], &format!("bleed{n}{place:x}"), &figure(ohms, Unit::Ohm));
        }
    }
    left + pitch * bank.capacitors.len() as f64
}

fn lines(n: usize, bank: &Bank, bleed: Option<f64>) -> Figure {
    let mut pen = Pen::default();
    let [left, rail, collector] = [90.0, 50.0, 252.0];
    let right = columns(&mut pen, [left, rail, collector], n, bank, bleed);
    pen.wire(&[[left, rail], [right, rail]]);
    pen.rail([right, rail], "vcc");
    pen.wire(&[[46.0, collector], [right, collector]]);
    pen.terminal([42.5, collector], Hold::End, &format!("c{n}"));
    let what = format!("Stage {n}: bank of lines");
    let words =
        "A bleed resistor lies across every switch, so that a capacitor that is off stays near the tank's voltage.";
    Figure { svg: pen.finish([right + 40.0, collector + 24.0], &what), title: what, words: words.into() }
}

fn multiplexer(n: usize, bank: &Bank, bleed: Option<f64>) -> Figure {
    let mut pen = Pen::default();
    let pitch = PITCH[usize::from(bleed.is_some())];
    let lines = bank.lines();
    let row = |place: usize| TOP + 30.0 + pitch * place as f64;
    let bottom = row(bank.capacitors.len() - 1) + if bleed.is_some() { 44.0 } else { 22.0 };

    pen.frame([LEFT, TOP], [RIGHT, bottom]);
    let first = bank.capacitors.iter().position(|farads| *farads > 0.0);
    let last = bank.capacitors.iter().rposition(|farads| *farads > 0.0);
    let name = first.zip(last).map_or(String::new(), |(a, b)| format!("s{n}{a:x}…s{n}{b:x}"));
    pen.text([0.5 * (LEFT + RIGHT), TOP - 10.0], Hold::Middle, Set::Name, &name);
    pen.text(
        [RIGHT + 14.0, TOP - 10.0],
        Hold::Start,
        Set::Plain,
        &format!("{} when closed", figure(bank.on, Unit::Ohm)),
    );

    let common = TOP + 24.0;
    pen.wire(&[[60.0, common], [LEFT, common]]);
    pen.terminal([56.5, common], Hold::End, &format!("c{n}"));
    pen.text([LEFT + 6.0, common + 4.5], Hold::Start, Set::Plain, "com");
    for line in 0..lines {
        let y = common + 30.0 * (line + 1) as f64;
        if y < bottom - 8.0 {
            pen.wire(&[[86.0, y], [LEFT, y]]);
            pen.terminal([82.5, y], Hold::End, &format!("line {n}.{line}"));
            pen.text([LEFT + 6.0, y + 4.5], Hold::Start, Set::Plain, &format!("worth {}", 1 << line));
        }
    }

    let mut soldered = Vec::new();
    for (place, &farads) in bank.capacitors.iter().enumerate() {
        let y = row(place);
        pen.text([RIGHT - 52.0, y + 4.5], Hold::End, Set::Plain, &place.to_string());
        pen.text([RIGHT - 8.0, y + 4.5], Hold::End, Set::Plain, &format!("{place:0lines$b}"));
        if farads <= 0.0 {
            pen.wire(&[[RIGHT, y], [RIGHT + 24.0, y]]);
            pen.text([RIGHT + 32.0, y + 4.5], Hold::Start, Set::Plain, "open: nothing soldered");
            continue;
        }
        soldered.push(y);
        pen.symbol(Symbol::Capacitor, [RIGHT, y], [RAIL, y]);
        let middle = 0.5 * (RIGHT + RAIL);
        pen.node([RIGHT + 10.0, y - 4.0], Hold::Start, &format!("w{n}{place:x}"));
        pen.text([middle - 16.0, y - 4.0], Hold::End, Set::Name, &format!("b{n}{place:x}"));
        pen.text([middle + 16.0, y - 4.0], Hold::Start, Set::Plain, &figure(farads, Unit::Farad));
        if let Some(ohms) = bleed {
            let (below, from) = (y + 24.0, RIGHT + 52.0);
            pen.dot([from, y]);
            pen.wire(&[[from, y], [from, below]]);
            let end = from + 90.0;
            pen.symbol(Symbol::Resistor, [from, below], [end, below]);
            pen.terminal([end + 3.5, below], Hold::Start, &format!("c{n}"));
            pen.text([end + 36.0, below + 4.5], Hold::Start, Set::Name, &format!("bleed{n}{place:x}"));
            pen.text([end + 104.0, below + 4.5], Hold::Start, Set::Plain, &figure(ohms, Unit::Ohm));
        }
    }
    if let (Some(top), Some(low)) = (soldered.first(), soldered.last()) {
        pen.wire(&[[RAIL, *low], [RAIL, TOP - 10.0]]);
        pen.rail([RAIL, TOP - 10.0], "vcc");
        for y in &soldered {
            if y != low || y == top {
                pen.dot([RAIL, *y]);
            }
        }
    }
    let what = format!("Stage {n}: multiplexer and its bank");
    let words = format!(
        "The lines, {n}.0 worth 1, choose one position: its capacitor goes from c{n} to the rail, all others hang free."
    );
    Figure { svg: pen.finish([RAIL + 60.0, bottom + 16.0], &what), title: what, words }
}
