//! The exact circuit that is solved, as a list of elements that any outside solver can assemble.
//!
//! Node `"0"` is ground, `"vcc"` the rail; `c1 b1 e1` are collector, base and emitter of driver 1, `w10` the far end of
//! line 1.0's switch, `x1` the drain of sweep 1, `f…` the follower, stage 0 the overdriven input.
//! Every approximation that the solver makes is against this list.

use crate::board::{Board, Driver, Stage, Transistor};
use crate::device::thermal;
use crate::device::{BODY_DIODE_SATURATION, Law};
use crate::knobs::{Knob, Settings};
use serde::Serialize;
use std::collections::BTreeMap;

/// One element of the list. Nodes are names; all values in base units.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
#[allow(missing_docs, reason = "the fields are the JSON keys; each variant's doc gives the law in them")]
pub enum Element {
    /// `v(a, b) = ohms·i`.
    Resistor { name: String, a: String, b: String, ohms: f64 },
    /// `i = farads·dv/dt`.
    Capacitor { name: String, a: String, b: String, farads: f64 },
    /// `v(a, b) = henries·dj/dt`, `i = j`; with `saturation`, `i = j + j³/(7s²)`, `s = ⅞·saturation`.
    Inductor {
        name: String,
        a: String,
        b: String,
        henries: f64,
        #[serde(skip_serializing_if = "Option::is_none")]
        saturation: Option<f64>,
    },
    /// `v(p, n) = volts + scale·input`; without `input` a constant.
    Source {
        name: String,
        p: String,
        n: String,
        volts: f64,
        #[serde(skip_serializing_if = "Option::is_none")]
        input: Option<String>,
        #[serde(skip_serializing_if = "Option::is_none")]
        scale: Option<f64>,
    },
    /// `v(p, n) = gain·v(cp, cn)`; draws nothing from `cp` and `cn`.
    Gain { name: String, p: String, n: String, cp: String, cn: String, gain: f64 },
    /// Transport Ebers–Moll: `i_c = is(E(vbe, nf·vt) − 1) − is(1 + 1/br)(E(vbc, vt) − 1)`,
    /// `i_b = is/bf(E(vbe, nf·vt) − 1) + is/br(E(vbc, vt) − 1)`, `E(v, u) = e^{v/u}`.
    Npn { name: String, c: String, b: String, e: String, is: f64, bf: f64, br: f64, nf: f64, vt: f64 },
    /// EKV with n = 1 referred to the source node: `i_d = 2k·vt²[F((vgs − vth)/vt) − F((vgs − vth − vds)/vt)]`,
    /// `F(x) = ln²(1 + e^{x/2})`.
    Nmos { name: String, d: String, g: String, s: String, k: f64, vth: f64, vt: f64 },
    /// `i = is(e^{v/(n·vt)} − 1)` from anode `a` to cathode `k`.
    Diode { name: String, a: String, k: String, is: f64, n: f64, vt: f64 },
    /// `ron` when closed, `roff` when open. `line` is `stage.line`, or `stage=code` on a multiplexer.
    Switch { name: String, a: String, b: String, ron: f64, roff: f64, line: String, closed: bool },
    /// At every edge of `line` the charge `coulombs` flows from `a` into `b`: plus when it closes, minus when it opens.
    Charge { name: String, a: String, b: String, coulombs: f64, line: String },
}

/// The list, with the nodes between which each tap is read.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Circuit {
    /// Every element.
    pub elements: Vec<Element>,
    /// Tap name to the nodes between which it is read.
    pub taps: BTreeMap<String, [String; 2]>,
}

const GROUND: &str = "0";
const RAIL: &str = "vcc";

impl Circuit {
    /// The circuit of a board with its knobs under three codes (bit n of a code is line n).
    pub fn of(board: &Board, settings: &Settings, codes: [u8; 3]) -> Self {
        let mut list = List { elements: Vec::new(), celsius: settings.get(Knob::UnitTemperature) };
        let supply = settings.get(Knob::UnitSupply);
        list.source("supply", RAIL, GROUND, supply, None, 0.0);

        let overdriven = settings.is_on(Knob::InputOverdriven);
        if overdriven {
            list.input_stage(board, supply, settings.get(Knob::InputDrive));
        }
        for (stage, part) in board.stages().into_iter().enumerate() {
            let bus = list.bus(stage, part.driver.bias * supply, settings, overdriven);
            list.driver(stage + 1, &bus, &part.driver);
            list.tank(stage, part, board, settings, codes[stage]);
        }
        if board.coupling.c12 > 0.0 {
            list.capacitor("c12", "c1", "c2", board.coupling.c12);
        }
        list.follower(board);

        let taps = (1..=3).map(|n| (format!("tap{n}"), [format!("c{n}"), RAIL.into()])).collect();
        Self { elements: list.elements, taps }
    }
}

/// The list while it grows.
struct List {
    elements: Vec<Element>,
    celsius: f64,
}

impl List {
    fn resistor(&mut self, name: &str, a: &str, b: &str, ohms: f64) {
        self.elements.push(Element::Resistor { name: name.into(), a: a.into(), b: b.into(), ohms });
    }

    fn capacitor(&mut self, name: &str, a: &str, b: &str, farads: f64) {
        self.elements.push(Element::Capacitor { name: name.into(), a: a.into(), b: b.into(), farads });
    }

    fn source(&mut self, name: &str, p: &str, n: &str, volts: f64, input: Option<&str>, scale: f64) {
        let scale = input.map(|_| scale);
        let input = input.map(str::to_owned);
        self.elements.push(Element::Source { name: name.into(), p: p.into(), n: n.into(), volts, input, scale });
    }

    fn gain(&mut self, name: &str, [p, n]: [&str; 2], [cp, cn]: [&str; 2], gain: f64) {
        let [p, n, cp, cn] = [p, n, cp, cn].map(str::to_owned);
        self.elements.push(Element::Gain { name: name.into(), p, n, cp, cn, gain });
    }

    fn transistor(&mut self, name: &str, [c, b, e]: [&str; 3], part: &Transistor) {
        let law = Law::of(part, self.celsius);
        let [c, b, e] = [c, b, e].map(str::to_owned);
        if law.leakage > 0.0 {
            let (name, a, k) = (format!("leak_{name}"), b.clone(), c.clone());
            self.elements.push(Element::Diode { name, a, k, is: law.leakage, n: 1.0, vt: law.vt });
        }
        let Law { is, bf, br, nf, vt, .. } = law;
        self.elements.push(Element::Npn { name: name.into(), c, b, e, is, bf, br, nf, vt });
    }

    /// The summing bus of stage `stage` (0–2): bias, then everything that is turned up, in series;
    /// returns its node.
    fn bus(&mut self, stage: usize, bias: f64, settings: &Settings, overdriven: bool) -> String {
        use Knob::{
            Stage1Main, Stage1Pulse, Stage2In, Stage2Link, Stage2Main, Stage2Pulse, Stage3In, Stage3Link, Stage3Main,
            Stage3Pulse,
        };
        let n = stage + 1;
        let level = |knob: [Option<Knob>; 3]| knob[stage].map_or(0.0, |knob| settings.get(knob));
        let main = level([Some(Stage1Main), Some(Stage2Main), Some(Stage3Main)]);
        let own = level([None, Some(Stage2In), Some(Stage3In)]);
        let pulse = level([Some(Stage1Pulse), Some(Stage2Pulse), Some(Stage3Pulse)]) * settings.get(Knob::ExciterLevel);
        let link = level([None, Some(Stage2Link), Some(Stage3Link)]);

        // The first source carries the bias and the stage's own jack; whatever else is turned up stacks on it.
        let (jack, first) = match (stage, overdriven) {
            (0, false) => (Some("in1"), main),
            (0, true) => (None, 0.0),
            _ => (Some(if stage == 1 { "in2" } else { "in3" }), own),
        };
        let mut top = format!("j{n}");
        self.source(&format!("bus{n}"), &top, GROUND, bias, jack, first);
        let mut above = |letter: char| {
            let below = top.clone();
            top.push(letter);
            (format!("{letter}{n}"), top.clone(), below)
        };
        if overdriven && main != 0.0 {
            let (name, p, n) = above('o');
            self.gain(&name, [&p, &n], ["o0", RAIL], main);
        } else if stage > 0 && main != 0.0 {
            let (name, p, n) = above('m');
            self.source(&name, &p, &n, 0.0, Some("in1"), main);
        }
        if pulse != 0.0 {
            let (name, p, n) = above('p');
            self.source(&name, &p, &n, 0.0, Some("pulse"), pulse);
        }
        if stage > 0 {
            let (_, p, n) = above('i');
            let (name, from) = if stage == 1 { ("g12", ["c1", RAIL]) } else { ("g23", ["fy", GROUND]) };
            self.gain(name, [&p, &n], from, link);
        }
        top
    }

    fn driver(&mut self, n: usize, bus: &str, part: &Driver) {
        let [b, c, e] = ["b", "c", "e"].map(|node| format!("{node}{n}"));
        self.resistor(&format!("rb{n}"), bus, &b, part.base);
        self.resistor(&format!("re{n}"), &e, GROUND, part.emitter);
        self.transistor(&format!("q{n}"), [&c, &b, &e], &part.transistor);
    }

    fn tank(&mut self, stage: usize, part: &Stage, board: &Board, settings: &Settings, code: u8) {
        let n = stage + 1;
        let c = format!("c{n}");
        self.resistor(&format!("rs{n}"), &format!("m{n}"), RAIL, part.coil.series);
        self.elements.push(Element::Inductor {
            name: format!("l{n}"),
            a: c.clone(),
            b: format!("m{n}"),
            henries: part.coil.inductance,
            saturation: part.coil.saturation,
        });
        self.resistor(&format!("rp{n}"), &c, RAIL, part.coil.core);
        self.capacitor(&format!("cf{n}"), &c, RAIL, part.fixed);

        for (position, &farads) in part.bank.capacitors.iter().enumerate().filter(|(_, farads)| **farads > 0.0) {
            let w = format!("w{n}{position:x}");
            let line = match part.bank.kind {
                crate::board::BankKind::Parallel => format!("{n}.{position}"),
                crate::board::BankKind::Select => format!("{n}={position}"),
            };
            self.elements.push(Element::Switch {
                name: format!("s{n}{position:x}"),
                a: c.clone(),
                b: w.clone(),
                ron: part.bank.on,
                roff: part.bank.off,
                line: line.clone(),
                closed: part.bank.closed(position, code),
            });
            self.capacitor(&format!("b{n}{position:x}"), &w, RAIL, farads);
            if settings.is_on(Knob::ClickBleed) {
                self.resistor(&format!("bleed{n}{position:x}"), &c, &w, board.click.bleed);
            }
            if part.bank.charge != 0.0 {
                let (name, coulombs) = (format!("k{n}{position:x}"), part.bank.charge);
                self.elements.push(Element::Charge { name, a: RAIL.into(), b: c.clone(), coulombs, line });
            }
        }

        if let Some(sweep) = &part.sweep {
            let [x, g] = ["x", "g"].map(|node| format!("{node}{n}"));
            let knob = [Knob::Stage1Sweep, Knob::Stage2Sweep, Knob::Stage3Sweep][stage];
            let vt = thermal::voltage(self.celsius);
            self.capacitor(&format!("cs{n}"), &c, &x, sweep.capacitor);
            let name = format!("sweep{n}");
            self.source(&name, &g, RAIL, settings.get(knob), Some(name.as_str()), 1.0);
            self.elements.push(Element::Nmos {
                name: format!("m{n}"),
                d: x.clone(),
                g,
                s: RAIL.into(),
                k: sweep.transconductance,
                vth: sweep.threshold,
                vt,
            });
            if sweep.body_diode {
                let is = BODY_DIODE_SATURATION * thermal::saturation_factor(self.celsius, thermal::SILICON_GAP);
                self.elements.push(Element::Diode { name: format!("d{n}"), a: RAIL.into(), k: x, is, n: 1.0, vt });
            }
        }
    }

    /// Overdriven input: driver 0 on a resistor, coupled out to `o0`.
    fn input_stage(&mut self, board: &Board, supply: f64, drive: f64) {
        let input = &board.input;
        self.source("bus0", "j0", GROUND, input.driver.bias * supply, Some("in1"), drive);
        self.driver(0, "j0", &input.driver);
        self.resistor("rl0", "c0", RAIL, input.load);
        self.capacitor("cf0", "c0", RAIL, input.treble_cut);
        self.capacitor("co0", "c0", "o0", input.coupling);
        self.resistor("ro0", "o0", RAIL, input.output);
    }

    /// Coupling capacitor, divider, stopper, Darlington pair, load; then a buffered output capacitor and level resistor.
    fn follower(&mut self, board: &Board) {
        let part = &board.follower;
        self.capacitor("ccf", "c2", "fn", part.coupling);
        self.resistor("ruf", "fn", RAIL, part.upper);
        self.resistor("rlf", "fn", GROUND, part.lower);
        self.resistor("rbf", "fn", "fb", part.base);
        self.transistor("qfa", [RAIL, "fb", "fe"], &part.transistor);
        self.transistor("qfb", [RAIL, "fe", "fo"], &part.transistor);
        self.resistor("ref", "fo", GROUND, part.load);
        self.gain("gf", ["fx", GROUND], ["fo", GROUND], 1.0);
        self.capacitor("cof", "fx", "fy", part.output);
        self.resistor("rvf", "fy", GROUND, part.level);
    }
}
