//! A unit at rest: where its transistors stand at DC, and what they are to small signals.
//!
//! ```text
//!   driver     i_b, i_c by (v_be, v_bc):   v_be = v_bus − (R_b + R_e)·i_b − R_e·i_c
//!                                          v_bc = v_bus − R_b·i_b − V_cc + R_s∥R_p·i_c
//!   follower   (V_t − v_b)/R_t = i_b,a     i_e,a = i_b,b     i_e,b = v_o/R_l
//! ```
//! The same circuit as the element list, without what does not count at DC: capacitors are open, a coil is its wire. So each
//! transistor stands by itself, only driver 2 hears the drop over coil 1 by its link, and Newton has two or three unknowns, all
//! of them junction voltages. The laws are those of the list (transport Ebers–Moll, leakage from base to collector).
//! Neither driver nor follower stores charge: to small signals each is one conductance.

use super::newton::{Junction, settle};
use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};
use std::collections::BTreeMap;
use tritank_dsp::board::{self, Board, Transistor};
use tritank_dsp::device::thermal;
use tritank_dsp::knobs::{Knob, Settings};

/// Base–emitter and base–collector voltage of a driver.
type Driven = [f64; 2];

/// Where junctions stand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Standing {
    /// Input stage, then drivers 1 to 3.
    drivers: [Driven; 4],
    /// Both base–emitter voltages, and the first base–collector voltage.
    follower: [f64; 3],
}

impl Standing {
    /// Out of a list of node voltages as the whole circuit names them.
    pub(super) fn of(volts: &BTreeMap<String, f64>) -> Self {
        let at = |node: &str| volts.get(node).copied().unwrap_or_default();
        let driver = |n: usize| {
            let [b, c, e] = ["b", "c", "e"].map(|node| at(&format!("{node}{n}")));
            [b - e, b - c]
        };
        let [first, second, out] = ["fb", "fe", "fo"].map(at);
        Self { drivers: [0, 1, 2, 3].map(driver), follower: [first - second, second - out, first - at("vcc")] }
    }
}

/// A unit about its operating point.
#[derive(Clone, Debug)]
pub(super) struct Rest {
    /// Where its junctions stand.
    pub(super) standing: Standing,
    /// What each driver's collector is to small signals, siemens.
    pub(super) drivers: [f64; 3],
    /// What the follower is behind its coupling capacitor, siemens.
    pub(super) follower: f64,
    /// Collector voltages below the rail: what drops over each coil, volts.
    pub(super) drops: [f64; 3],
    /// Node voltages in the order of [`nodes`].
    pub(super) volts: Vec<f64>,
}

/// The nodes whose voltage is told, as the element list names them.
pub(super) fn nodes(settings: &Settings) -> Vec<String> {
    let stages = (1..=3).flat_map(|n| ["b", "c", "e", "j"].map(|node| format!("{node}{n}")));
    let follower = ["fn", "fb", "fe", "fo"].map(str::to_owned);
    let input = settings.is_on(Knob::InputOverdriven).then(|| ["b0", "c0", "e0", "j0"].map(str::to_owned));
    stages.chain(follower).chain(input.into_iter().flatten()).collect()
}

impl Rest {
    /// Of a board with its knobs, from where a unit like it stands. `None` when Newton does not settle.
    pub(super) fn of(board: &Board, settings: &Settings, from: &Standing) -> Option<Self> {
        let (rail, celsius) = (settings.get(Knob::UnitSupply), settings.get(Knob::UnitTemperature));
        let mut standing = *from;
        let (mut drivers, mut drops) = ([0.0; 3], [0.0; 3]);
        let mut volts = Vec::with_capacity(16);
        let mut link = 0.0;
        for (n, stage) in board.stages().into_iter().enumerate() {
            let load = 1.0 / (1.0 / stage.coil.series + 1.0 / stage.coil.core);
            let bus = stage.driver.bias * rail + link;
            let driver = Driver::at_rest(&stage.driver, celsius, bus, rail, load, &mut standing.drivers[n + 1])?;
            drivers[n] = driver.conductance;
            drops[n] = rail - driver.volts[1];
            volts.extend(driver.volts);
            volts.push(stage.driver.bias * rail);
            // The link from tap 1; that to driver 3 comes through a capacitor.
            link = if n == 0 { settings.get(Knob::Stage2Link) * -drops[0] } else { 0.0 };
        }
        let (follower, nodes) = follower(&board.follower, celsius, rail, &mut standing.follower)?;
        volts.extend(nodes);
        if settings.is_on(Knob::InputOverdriven) {
            let part = &board.input;
            let bus = part.driver.bias * rail;
            volts.extend(Driver::at_rest(&part.driver, celsius, bus, rail, part.load, &mut standing.drivers[0])?.volts);
            volts.push(bus);
        }
        Some(Self { standing, drivers, follower, drops, volts })
    }
}

/// A transistor at a temperature.
#[derive(Clone, Copy)]
struct Law {
    is: f64,
    bf: f64,
    br: f64,
    leakage: f64,
    base_emitter: Junction,
    base_collector: Junction,
}

/// Currents into base and collector, and their slopes by `v_be` and `v_bc`.
struct Currents {
    base: f64,
    collector: f64,
    base_by: [f64; 2],
    collector_by: [f64; 2],
}

impl Law {
    fn of(part: &Transistor, celsius: f64) -> Self {
        let vt = thermal::voltage(celsius);
        let is = part.saturation * thermal::saturation_factor(celsius, thermal::GERMANIUM_GAP);
        Self {
            is,
            bf: part.forward_gain,
            br: part.reverse_gain,
            leakage: part.leakage * thermal::leakage_factor(celsius),
            base_emitter: Junction { scale: part.emission * vt, saturation: is },
            base_collector: Junction { scale: vt, saturation: is },
        }
    }

    fn at(&self, be: f64, bc: f64) -> Currents {
        let (f, df) = self.base_emitter.exponential(be);
        let (r, dr) = self.base_collector.exponential(bc);
        let (into_base, through) = (self.is / self.br + self.leakage, self.is * (1.0 + 1.0 / self.br) + self.leakage);
        Currents {
            base: self.is / self.bf * f + into_base * r,
            collector: self.is * f - through * r,
            base_by: [self.is / self.bf * df, into_base * dr],
            collector_by: [self.is * df, -through * dr],
        }
    }
}

/// A driver at rest.
struct Driver {
    /// Small-signal conductance of the collector, siemens.
    conductance: f64,
    /// Base, collector, emitter.
    volts: [f64; 3],
}

impl Driver {
    fn at_rest(
        part: &board::Driver,
        celsius: f64,
        bus: f64,
        rail: f64,
        load: f64,
        standing: &mut Driven,
    ) -> Option<Self> {
        let law = Law::of(&part.transistor, celsius);
        let (rb, re) = (part.base, part.emitter);
        // What is left of both equations, and their slopes by the two junction voltages.
        let equations = |[be, bc]: [f64; 2], load: f64| {
            let i = law.at(be, bc);
            let left = Vector2::new(
                bus - (rb + re) * i.base - re * i.collector - be,
                bus - rb * i.base - rail + load * i.collector - bc,
            );
            let slope = |n: usize| {
                let unit = [f64::from(n == 0), f64::from(n == 1)];
                [
                    -(rb + re) * i.base_by[n] - re * i.collector_by[n] - unit[0],
                    -rb * i.base_by[n] + load * i.collector_by[n] - unit[1],
                ]
            };
            let ([a, b], [c, d]) = (slope(0), slope(1));
            (left, Matrix2::new(a, c, b, d))
        };
        *standing = settle(*standing, [law.base_emitter, law.base_collector], |at| equations(at, load))?;
        let [be, bc] = *standing;
        let i = law.at(be, bc);
        let collector = rail - load * i.collector;
        // A volt more on the collector with the bus held: the second equation by one less, no load.
        let by_collector = equations(*standing, 0.0).1.try_inverse()? * Vector2::new(0.0, 1.0);
        let conductance = i.collector_by[0] * by_collector[0] + i.collector_by[1] * by_collector[1];
        Some(Self { conductance, volts: [collector + bc, collector, collector + bc - be] })
    }
}

/// Conductance of the follower at `fn`, and the voltages of `fn`, `fb`, `fe` and `fo`.
fn follower(part: &board::Follower, celsius: f64, rail: f64, standing: &mut [f64; 3]) -> Option<(f64, [f64; 4])> {
    let law = Law::of(&part.transistor, celsius);
    let divider = 1.0 / part.upper + 1.0 / part.lower;
    let (open, stopper) = (rail / part.upper / divider, 1.0 / divider + part.base);
    let volts = |[first, second, high]: [f64; 3]| {
        let base = rail + high;
        [base, base - first, base - first - second]
    };
    // Unknowns: v_be of both, v_bc of the first. Through the stopper from `open` behind `ohms`.
    let equations = |at: [f64; 3], ohms: f64| {
        let [first, second, high] = at;
        let [base, _, out] = volts(at);
        let (a, b) = (law.at(first, high), law.at(second, high - first));
        let left = Vector3::new(
            (open - base) / ohms - a.base,
            a.base + a.collector - b.base,
            b.base + b.collector - out / part.load,
        );
        let emitter = |i: &Currents, n: usize| i.base_by[n] + i.collector_by[n];
        let load = 1.0 / part.load;
        let slopes = Matrix3::new(
            -a.base_by[0],
            0.0,
            -1.0 / ohms - a.base_by[1],
            emitter(&a, 0) + b.base_by[1],
            -b.base_by[0],
            emitter(&a, 1) - b.base_by[1],
            -emitter(&b, 1) + load,
            emitter(&b, 0) + load,
            emitter(&b, 1) - load,
        );
        (left, slopes)
    };
    let junctions = [law.base_emitter, law.base_emitter, law.base_collector];
    *standing = settle(*standing, junctions, |at| equations(at, stopper))?;
    // A volt more at `fn`, behind the stopper alone: the base rises by so much.
    let base_by = -(equations(*standing, part.base).1.try_inverse()? * Vector3::new(1.0 / part.base, 0.0, 0.0))[2];
    let [base, middle, out] = volts(*standing);
    let divided = base + (open - base) * part.base / stopper;
    Some((divider + (1.0 - base_by) / part.base, [divided, base, middle, out]))
}
