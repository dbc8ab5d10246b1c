//! What stands before, between and behind the stages: input stage, follower, links.

use super::Figure;
use super::pen::{Hold, Pen, Set, Symbol};
use crate::sheet::figure;
use tritank_dsp::board::Board;
use tritank_dsp::knobs::{Knob, Settings};
use tritank_dsp::value::Unit;

fn rail(settings: &Settings) -> String {
    format!("vcc, {}", figure(settings.get(Knob::UnitSupply), Unit::Volt))
}

/// The overdriven input stage.
pub(super) fn input(board: &Board, settings: &Settings) -> Figure {
    let mut pen = Pen::default();
    let part = &board.input;
    let (ohms, farads) = (|value| figure(value, Unit::Ohm), |value| figure(value, Unit::Farad));
    let [top, line, x] = [60.0, 180.0, 290.0];

    pen.rail([x, top], &rail(settings));
    pen.wire(&[[x, top], [560.0, top], [560.0, 84.0]]);
    pen.part(Symbol::Resistor, [x, top], [x, line], "rl0", &ohms(part.load));
    pen.part(Symbol::Capacitor, [390.0, top], [390.0, line], "cf0", &farads(part.treble_cut));
    pen.part(Symbol::Resistor, [560.0, 84.0], [560.0, line], "ro0", &ohms(part.output));
    pen.wire(&[[x, line], [390.0, line]]);
    pen.part(Symbol::Capacitor, [390.0, line], [560.0, line], "co0", &farads(part.coupling));
    pen.wire(&[[560.0, line], [620.0, line]]);
    pen.terminal([623.5, line], Hold::Start, "o0, to main in");
    for place in [[x, top], [390.0, top], [x, line], [390.0, line], [560.0, line]] {
        pen.dot(place);
    }
    pen.node([x + 8.0, line + 16.0], Hold::Start, "c0");
    pen.node([566.0, line + 16.0], Hold::Start, "o0");

    let [collector, base, emitter] = pen.npn([x, 236.0], false, "q0");
    pen.wire(&[[x, line], collector]);
    pen.part(Symbol::Resistor, [106.0, 236.0], base, "rb0", &ohms(part.driver.base));
    pen.node([base[0] + 2.0, base[1] + 16.0], Hold::Middle, "b0");
    pen.terminal([102.5, 236.0], Hold::End, "bus 0");
    pen.part(Symbol::Resistor, emitter, [x, 330.0], "re0", &ohms(part.driver.emitter));
    pen.node([x - 8.0, 272.0], Hold::End, "e0");
    pen.ground([x, 330.0]);
    let bias = figure(part.driver.bias * settings.get(Knob::UnitSupply), Unit::Volt);
    pen.text([30.0, 294.0], Hold::Start, Set::Plain, &format!("bias on bus 0: {bias},"));
    pen.text([30.0, 311.0], Hold::Start, Set::Plain, &format!("{:.4} of the supply", part.driver.bias));

    let words = "Main in goes through its drive control to bus 0, or past this stage straight to the level controls of \
                 the three buses.";
    let title = "Overdriven input stage".to_owned();
    Figure { svg: pen.finish([740.0, 360.0], &title), title, words: words.into() }
}

/// The Darlington follower.
pub(super) fn follower(board: &Board, settings: &Settings) -> Figure {
    let mut pen = Pen::default();
    let part = &board.follower;
    let (ohms, farads) = (|value| figure(value, Unit::Ohm), |value| figure(value, Unit::Farad));
    let [top, line] = [60.0, 210.0];

    // Divider.
    let x = 210.0;
    pen.rail([x, top], &rail(settings));
    pen.terminal([66.5, line], Hold::End, "c2");
    pen.part(Symbol::Capacitor, [70.0, line], [x, line], "ccf", &farads(part.coupling));
    pen.part(Symbol::Resistor, [x, top], [x, line], "ruf", &ohms(part.upper));
    pen.part(Symbol::Resistor, [x, line], [x, 340.0], "rlf", &ohms(part.lower));
    pen.ground([x, 340.0]);
    pen.node([x - 8.0, line - 8.0], Hold::End, "fn");

    // The pair.
    let [a, b] = [390.0, 470.0];
    let [collector, base, emitter] = pen.npn([a, line], false, "qfa");
    pen.part(Symbol::Resistor, [x, line], base, "rbf", &ohms(part.base));
    pen.node([base[0] - 4.0, base[1] - 8.0], Hold::Middle, "fb");
    let low = 270.0;
    let [collector_b, base_b, emitter_b] = pen.npn([b, low], false, "qfb");
    pen.wire(&[emitter, [a, low], base_b]);
    pen.node([a - 8.0, low + 4.0], Hold::End, "fe");
    pen.wire(&[collector, [a, top], [x, top]]);
    pen.wire(&[collector_b, [b, top], [a, top]]);
    for place in [[x, top], [a, top], [x, line]] {
        pen.dot(place);
    }
    let out = 320.0;
    pen.wire(&[emitter_b, [b, out]]);
    pen.part(Symbol::Resistor, [b, out], [b, 400.0], "ref", &ohms(part.load));
    pen.ground([b, 400.0]);
    pen.dot([b, out]);
    pen.node([b - 8.0, out + 4.0], Hold::End, "fo");

    // Buffer, output capacitor, level resistor.
    pen.buffer([b, out], [610.0, out], "gf", "× 1");
    pen.node([606.0, out - 8.0], Hold::Start, "fx");
    pen.part(Symbol::Capacitor, [610.0, out], [720.0, out], "cof", &farads(part.output));
    pen.dot([720.0, out]);
    pen.node([726.0, out - 8.0], Hold::Start, "fy");
    pen.part(Symbol::Resistor, [720.0, out], [720.0, 400.0], "rvf", &ohms(part.level));
    pen.ground([720.0, 400.0]);
    pen.wire(&[[720.0, out], [790.0, out]]);
    pen.terminal([793.5, out], Hold::Start, "fy");

    let words = "gf is an ideal buffer in the model: rvf does not load the emitter of qfb. Build one, or take ref and rvf \
                 as one load.";
    let title = "Darlington follower, from tank 2 to driver 3".to_owned();
    Figure { svg: pen.finish([840.0, 432.0], &title), title, words: words.into() }
}

/// C12 and the two buffered links.
pub(super) fn links(board: &Board, settings: &Settings) -> Figure {
    let mut pen = Pen::default();
    let level = |knob| format!("× {}", crate::sheet::rounded(settings.get(knob)));
    let y = [50.0, 130.0, 220.0];
    if board.coupling.c12 > 0.0 {
        pen.terminal([96.5, y[0]], Hold::End, "c1");
        pen.part(Symbol::Capacitor, [100.0, y[0]], [300.0, y[0]], "c12", &figure(board.coupling.c12, Unit::Farad));
        pen.terminal([303.5, y[0]], Hold::Start, "c2");
    } else {
        pen.text([100.0, y[0] + 4.5], Hold::Start, Set::Plain, "c12: none on this board");
    }
    for (y, name, from, to, knob) in
        [(y[1], "g12", "tap1", "bus 2", Knob::Stage2Link), (y[2], "g23", "fy", "bus 3", Knob::Stage3Link)]
    {
        pen.terminal([96.5, y], Hold::End, from);
        pen.buffer([100.0, y], [300.0, y], name, &level(knob));
        pen.terminal([303.5, y], Hold::Start, to);
    }
    let words = "The buses are ideal sums in the model: bias, jack, pulse and link add, and only rb loads them. A link is \
                 a buffer and a level control; the level shown is where its knob stands.";
    let title = "Between the stages: C12 and the links".to_owned();
    Figure { svg: pen.finish([480.0, 270.0], &title), title, words: words.into() }
}
