//! The pulse exciter: an astable of two transistors, and its pulse over time.

use super::Figure;
use super::pen::{At, Hold, Pen, Set, Symbol};
use crate::sheet::figure;
use crate::tune::Rate;
use tritank_dsp::board::Board;
use tritank_dsp::knobs::{Knob, Settings};
use tritank_dsp::value::Unit;

pub(super) fn exciter(board: &Board, settings: &Settings) -> Figure {
    let mut pen = Pen::default();
    let part = &board.exciter;
    let (ohms, farads) = (|value| figure(value, Unit::Ohm), |value| figure(value, Unit::Farad));
    let seconds = |value| figure(value, Unit::Second);
    let supply = settings.get(Knob::UnitSupply);
    let rate = Rate::of_rate(part, settings.get(Knob::ExciterRate), supply, settings.get(Knob::UnitTemperature));

    // Bias, from the right, with the soft gate's capacitor on it.
    let (bias, middle) = (60.0, 310.0);
    pen.part(Symbol::Resistor, [middle, bias], [560.0, bias], "rgx", &ohms(part.gate_series));
    pen.terminal([563.5, bias], Hold::Start, "bias, soft gate");
    pen.wire(&[[190.0, bias], [middle, bias], [middle, 108.0]]);
    pen.part(Symbol::Capacitor, [190.0, bias], [190.0, 118.0], "cgx", &farads(part.gate_capacitor));
    pen.ground([190.0, 118.0]);
    pen.dot([middle, bias]);

    // Timing resistors, cross-coupled capacitors, transistors: the left half and its mirror.
    let (collector, base) = (230.0, 300.0);
    let [left, right] = [130.0, 490.0];
    let [near, far] = [250.0, 370.0];
    pen.wire(&[[near, 108.0], [far, 108.0]]);
    pen.dot([middle, 108.0]);
    pen.part(Symbol::Resistor, [near, 108.0], [near, collector], "rtxa", &ohms(part.timing));
    pen.part(Symbol::Resistor, [far, 108.0], [far, collector], "rtxb", &ohms(part.timing));
    for (x, load) in [(left, "rcxa"), (right, "rcxb")] {
        pen.rail([x, 130.0], if x < middle { "" } else { "vcc" });
        pen.part(Symbol::Resistor, [x, 130.0], [x, collector], load, "your own");
        pen.dot([x, collector]);
    }
    pen.node([left - 8.0, 122.0], Hold::End, "vcc");
    pen.part(Symbol::Capacitor, [left, collector], [near, collector], "cpause", &farads(part.pause));
    pen.part(Symbol::Capacitor, [far, collector], [right, collector], "cpulse", &farads(part.pulse));
    let [a, base_a, ground_a] = pen.npn([left, base], true, "qxa");
    let [b, base_b, ground_b] = pen.npn([right, base], false, "qxb");
    pen.wire(&[[left, collector], a]);
    pen.wire(&[[right, collector], b]);
    pen.wire(&[[near, collector], [far + 40.0, base], base_b]);
    pen.wire(&[[far, collector], [near - 40.0, base], base_a]);
    pen.dot([near, collector]);
    pen.dot([far, collector]);
    for ground in [ground_a, ground_b] {
        pen.ground(ground);
    }
    pen.wire(&[[right, collector], [600.0, collector]]);
    pen.terminal([603.5, collector], Hold::Start, "pulse");
    pen.text([611.0, collector + 20.0], Hold::Start, Set::Plain, "against vcc");

    pulse(&mut pen, &rate, [60.0, 440.0], supply - part.saturation);
    let title = "Exciter".to_owned();
    let at = if rate.rate_hz > 0.0 {
        format!(
            "At {} the bias is {}, the pause {}, the pulse {}.",
            figure(rate.rate_hz, Unit::Hertz),
            figure(rate.bias_volts, Unit::Volt),
            seconds(rate.pause_seconds),
            seconds(rate.pulse_seconds)
        )
    } else {
        let asked = figure(settings.get(Knob::ExciterRate), Unit::Hertz);
        format!("So slow a rate as {asked} is out of its reach: it stands still.")
    };
    let words = format!(
        "Modelled is the charging law alone: each half lasts RC·ln(1 + (V_cc − V_sat)/(V_bias − V_be)), with V_be {} at \
         25 °C, V_sat {} and a bias of at most {}; the soft gate pulls the bias down through rgx and cgx, the hard gate \
         cuts the pulse. Not modelled, and therefore your own: the collector loads rcxa and rcxb, the transistors' gains \
         and edges, and how the pulse across rcxb reaches the buses. {at}",
        figure(part.base_emitter, Unit::Volt),
        figure(part.saturation, Unit::Volt),
        figure(part.bias_limit, Unit::Volt),
    );
    Figure { svg: pen.finish([720.0, 500.0], &title), title, words }
}

/// Two periods of the pulse, to scale.
fn pulse(pen: &mut Pen, rate: &Rate, [left, low]: At, height_volts: f64) {
    const PERIOD: f64 = 240.0;
    const HIGH: f64 = 44.0;
    let period = rate.pause_seconds + rate.pulse_seconds;
    if !period.is_finite() {
        pen.text([left, low], Hold::Start, Set::Plain, "at this bias it stands still");
        return;
    }
    let wide = (PERIOD * rate.pulse_seconds / period).max(1.0);
    let mut line = vec![[left, low]];
    for n in 1..=2 {
        let end = left + PERIOD * f64::from(n);
        line.extend([[end - wide, low], [end - wide, low - HIGH], [end, low - HIGH], [end, low]]);
    }
    line.push([left + 2.0 * PERIOD + 40.0, low]);
    pen.wire(&line);
    pen.text(
        [left + 2.0 * PERIOD + 8.0, low - HIGH + 10.0],
        Hold::Start,
        Set::Plain,
        &figure(height_volts, Unit::Volt),
    );
    // From the end of one pulse to the end of the next.
    let [from, to, y] = [left + PERIOD, left + 2.0 * PERIOD, low + 16.0];
    pen.wire(&[[from, y - 5.0], [from, y + 5.0]]);
    pen.wire(&[[to, y - 5.0], [to, y + 5.0]]);
    pen.wire(&[[from, y], [to, y]]);
    let middle = 0.5 * (from + to);
    pen.text([middle, y + 16.0], Hold::Middle, Set::Plain, &format!("{} a period", figure(period, Unit::Second)));
}
