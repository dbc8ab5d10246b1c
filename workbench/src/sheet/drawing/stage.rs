//! One stage: its driver below, its tank between collector and rail.
//!
//! ```text
//!   rail ──┬─────┬─────┬─────┬───┬─────┐
//!         core  wire  fixed  b  b    channel
//!          │    coil   │     s  s    sweep C
//!   c ─────┴─────┴─────┴─────┴───┴─────┴──── tap
//!                │
//!   bus ─[ rb ]─ q ─[ re ]─ ground
//! ```

use super::Figure;
use super::bank;
use super::pen::{Hold, Pen, Set, Symbol};
use crate::sheet::figure;
use std::fmt::Write as _;
use tritank_dsp::board::{BankKind, Stage};
use tritank_dsp::knobs::{Knob, Settings};
use tritank_dsp::value::Unit;

const RAIL: f64 = 60.0;
const COLLECTOR: f64 = 262.0;
/// Where coil (and below it the transistor) and fixed capacitor stand.
const CORE: f64 = 190.0;
const COIL: f64 = 275.0;
const FIXED: f64 = 380.0;
const BANK: f64 = 482.0;

pub(super) fn stage(n: usize, part: &Stage, bleed: Option<f64>, settings: &Settings) -> Figure {
    let mut pen = Pen::default();
    let named = |letters: &str| format!("{letters}{n}");
    let ohms = |value| figure(value, Unit::Ohm);

    // The coil: wire and winding in line, the core across both.
    pen.part(Symbol::Resistor, [CORE, RAIL], [CORE, COLLECTOR], &named("rp"), &ohms(part.coil.core));
    pen.part(Symbol::Resistor, [COIL, RAIL], [COIL, 152.0], &named("rs"), &ohms(part.coil.series));
    let henries = figure(part.coil.inductance, Unit::Henry);
    pen.part(Symbol::Coil, [COIL, 152.0], [COIL, COLLECTOR], &named("l"), &henries);
    pen.node([COIL + 6.0, 156.0], Hold::Start, &named("m"));
    let [left, right, top, bottom] = [CORE - 20.0, FIXED - 22.0, RAIL + 14.0, COLLECTOR - 12.0];
    pen.dashes(&[[left, top], [right, top], [right, bottom], [left, bottom], [left, top]]);
    pen.text([left - 6.0, top + 12.0], Hold::End, Set::Plain, "one coil,");
    pen.text([left - 6.0, top + 28.0], Hold::End, Set::Plain, "with its losses");

    pen.part(Symbol::Capacitor, [FIXED, RAIL], [FIXED, COLLECTOR], &named("cf"), &figure(part.fixed, Unit::Farad));
    let mut end = bank(&mut pen, n, part, bleed);
    if let Some(sweep) = &part.sweep {
        let x = end + 74.0;
        let [drain, gate, source] = pen.nmos([x, 112.0], sweep.body_diode, &named("m"));
        pen.wire(&[source, [x, RAIL]]);
        pen.part(Symbol::Capacitor, drain, [x, COLLECTOR], &named("cs"), &figure(sweep.capacitor, Unit::Farad));
        pen.node([x - 6.0, 160.0], Hold::End, &named("x"));
        pen.terminal([gate[0] - 3.5, gate[1]], Hold::Middle, &named("g"));
        for x in [RAIL, COLLECTOR] {
            pen.dot([end + 74.0, x]);
        }
        end = x + 84.0;
    }

    // Rail and collector.
    let last = if part.sweep.is_some() { end - 84.0 } else { (end - 86.0).max(FIXED) };
    pen.wire(&[[CORE, RAIL], [last, RAIL]]);
    pen.rail([CORE, RAIL], &format!("vcc, {}", figure(settings.get(Knob::UnitSupply), Unit::Volt)));
    let right = end.max(FIXED + 90.0);
    pen.wire(&[[CORE, COLLECTOR], [right, COLLECTOR]]);
    pen.terminal([right + 3.5, COLLECTOR], Hold::Start, &named("tap"));
    for x in [COIL, FIXED] {
        pen.dot([x, RAIL]);
        pen.dot([x, COLLECTOR]);
    }
    pen.node([COIL + 8.0, COLLECTOR + 16.0], Hold::Start, &named("c"));

    // The driver.
    let [collector, base, emitter] = pen.npn([COIL, 316.0], false, &named("q"));
    pen.wire(&[[COIL, COLLECTOR], collector]);
    pen.part(Symbol::Resistor, [96.0, 316.0], base, &named("rb"), &ohms(part.driver.base));
    pen.node([base[0] + 2.0, base[1] + 16.0], Hold::Middle, &named("b"));
    pen.terminal([92.5, 316.0], Hold::End, &format!("bus {n}"));
    pen.part(Symbol::Resistor, emitter, [COIL, 410.0], &named("re"), &ohms(part.driver.emitter));
    pen.node([COIL - 8.0, 352.0], Hold::End, &named("e"));
    pen.ground([COIL, 410.0]);
    let bias = figure(part.driver.bias * settings.get(Knob::UnitSupply), Unit::Volt);
    pen.text([20.0, 372.0], Hold::Start, Set::Plain, &format!("bias on bus {n}: {bias},"));
    pen.text([20.0, 389.0], Hold::Start, Set::Plain, &format!("{:.4} of the supply", part.driver.bias));

    let what = format!("Stage {n}: driver and tank");
    let mut words = format!(
        "rs{n} and rp{n} are the coil's own wire and core, no parts to buy. tap{n} is read between c{n} and the rail, and carries DC."
    );
    if part.sweep.is_some_and(|sweep| sweep.body_diode) {
        let _ = write!(words, " The diode at m{n} is its own body; the sweep voltage on g{n} is against the rail.");
    } else if part.sweep.is_some() {
        let _ = write!(words, " The body of m{n} is not on its source; the sweep voltage on g{n} is against the rail.");
    }
    Figure { svg: pen.finish([right + 60.0, 440.0], &what), title: what, words }
}

/// The bank between rail and collector, or a box where it has a drawing of its own; how far it reaches to the right.
fn bank(pen: &mut Pen, n: usize, part: &Stage, bleed: Option<f64>) -> f64 {
    let bank = &part.bank;
    if bank.capacitors.is_empty() {
        return BANK;
    }
    if !bank::has_own_drawing(bank, bleed) {
        return bank::columns(pen, [BANK, RAIL, COLLECTOR], n, bank, bleed);
    }
    let x = BANK + 60.0;
    let (what, how) = match bank.kind {
        BankKind::Parallel => ("bank", format!("{} lines", bank.capacitors.len())),
        BankKind::Select => ("multiplexer", format!("1 of {}", bank.capacitors.len())),
    };
    pen.frame([BANK, 120.0], [BANK + 120.0, 202.0]);
    pen.text([x, 150.0], Hold::Middle, Set::Name, what);
    pen.text([x, 167.0], Hold::Middle, Set::Plain, &how);
    pen.text([x, 184.0], Hold::Middle, Set::Plain, "next drawing");
    pen.wire(&[[x, RAIL], [x, 120.0]]);
    pen.wire(&[[x, 202.0], [x, COLLECTOR]]);
    pen.dot([x, RAIL]);
    pen.dot([x, COLLECTOR]);
    x + 86.0
}
