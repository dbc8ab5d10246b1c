//! Small-signal response about the operating point.
//!
//! ```text
//!   element list ──► DC operating point ──► linearised (G + sC)·x = b ──► taps, stages, peaks
//! ```
//! The whole list of [`crate::circuit`] is taken: nothing here knows what a tank is. Capacitors are open and coils are
//! short for the operating point; about it every law is replaced by its slope.

mod linear;
mod nodal;
mod operating_point;

use crate::board::Board;
use crate::circuit::Circuit;
use crate::knobs::Settings;
use linear::Linear;
use nodal::Nodal;
use num_complex::Complex64;
use std::collections::BTreeMap;

/// The follower's and tap 1's buffered ways into the next bus.
const LINKS: [&str; 2] = ["g12", "g23"];
/// The source of each stage's bus, which carries the bias and everything that is added to it.
const BUSES: [&str; 3] = ["bus1", "bus2", "bus3"];
const TAPS: [&str; 3] = ["tap1", "tap2", "tap3"];

/// Peaks are looked for between these, hertz; their −3 dB points a decade beyond on either side.
const LOWEST_HZ: f64 = 5.0;
const HIGHEST_HZ: f64 = 100e3;

/// Where a stage resonates.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// Frequency of the greatest magnitude, hertz.
    pub frequency: f64,
    /// Loaded Q: frequency over the −3 dB width; not a number where a side never falls by 3 dB.
    pub q: f64,
    /// Magnitude at the peak, V/V.
    pub gain: f64,
}

/// Why there is no response.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ResponseError {
    /// Newton did not settle, neither straight nor by raising the supply or the leakage step by step.
    #[error("DC operating point: not found, node \"{node}\" still moved by {volts:.3e} V; allowed is less than 1e-9 V")]
    NoOperatingPoint {
        /// The node that moved most.
        node: String,
        /// By how much.
        volts: f64,
    },
    /// The list is no circuit: a loop of sources, or a node that nothing holds.
    #[error("the element list has no single solution: a loop of voltage sources, or a node that nothing holds")]
    Singular,
    /// The list names an element that is not there.
    #[error("the element list has no {0}")]
    Missing(&'static str),
}

/// The linear circuit about its operating point, ready to be asked at any frequency.
#[derive(Clone, Debug)]
pub struct Response {
    chain: Linear,
    alone: Linear,
    volts: BTreeMap<String, f64>,
}

impl Response {
    /// Linearises a board about its DC operating point under a code.
    ///
    /// # Errors
    /// When no operating point is found; see [`ResponseError`].
    pub fn of(board: &Board, settings: &Settings, codes: [u8; 3]) -> Result<Self, ResponseError> {
        Self::of_circuit(&Circuit::of(board, settings, codes))
    }

    /// The same for a list that is at hand.
    ///
    /// # Errors
    /// When no operating point is found, or when a bus or a tap is missing; see [`ResponseError`].
    pub fn of_circuit(circuit: &Circuit) -> Result<Self, ResponseError> {
        let nodal = Nodal::of(circuit);
        if let Some(bus) = BUSES.into_iter().find(|bus| nodal.row(bus).is_none()) {
            return Err(ResponseError::Missing(bus));
        }
        let point = operating_point::find(&nodal)?;
        let chain = Linear::about(&nodal, circuit, &point, &[])?;
        let alone = Linear::about(&nodal, circuit, &point, &LINKS)?;
        Ok(Self { chain, alone, volts: nodal.volts(&point) })
    }

    /// Through the chain to each tap at `hertz`, V/V: per volt that main in, after its level, adds on the bus of
    /// stage 1. What the panel gives main in on stages 2 and 3 is not in it, nor is the overdriven input.
    pub fn taps(&self, hertz: f64) -> [Complex64; 3] {
        self.chain.at(0, hertz)
    }

    /// Each stage alone, from its own bus to its own tap, V/V: with the buffered links from tap 1 and from the
    /// follower silent, while C12 and the follower's load stay where they are soldered.
    pub fn stages(&self, hertz: f64) -> [Complex64; 3] {
        std::array::from_fn(|stage| self.stage(stage, hertz))
    }

    /// One of [`Self::stages`]: stage 0 to 2.
    pub fn stage(&self, stage: usize, hertz: f64) -> Complex64 {
        self.alone.at(stage, hertz)[stage]
    }

    /// Peak of each stage alone, to better than 0.01 cent.
    pub fn peaks(&self) -> [Peak; 3] {
        std::array::from_fn(|stage| self.peak(stage))
    }

    /// One of [`Self::peaks`]: stage 0 to 2.
    pub fn peak(&self, stage: usize) -> Peak {
        peak(|hertz| self.stage(stage, hertz).norm())
    }

    /// The DC operating point: volts against ground, by node.
    pub fn operating_point(&self) -> &BTreeMap<String, f64> {
        &self.volts
    }
}

/// The greatest peak of a magnitude curve: a scan in 48 steps an octave, narrowed by
/// golden sections of the logarithm of frequency, and the −3 dB points on either side by halving.
fn peak(magnitude: impl Fn(f64) -> f64) -> Peak {
    const STEP: f64 = std::f64::consts::LN_2 / 48.0;
    let at = |log: f64| magnitude(log.exp());
    let (low, high) = (LOWEST_HZ.ln(), HIGHEST_HZ.ln());
    let steps = ((high - low) / STEP).ceil() as usize;
    let top = (0..=steps).map(|n| low + n as f64 * STEP).max_by(|a, b| at(*a).total_cmp(&at(*b))).unwrap_or(low);

    let golden = (5f64.sqrt() - 1.0) / 2.0;
    let (mut left, mut right) = (top - STEP, top + STEP);
    // A hundredth of a hundredth of a cent; the curve is flat to double precision below that.
    while right - left > 1e-4 * std::f64::consts::LN_2 / 1200.0 {
        let span = golden * (right - left);
        if at(right - span) > at(left + span) { right = left + span } else { left = right - span }
    }
    let centre = 0.5 * (left + right);
    let gain = at(centre);

    let edge = |direction: f64| {
        let floor = gain * std::f64::consts::FRAC_1_SQRT_2;
        let decade = std::f64::consts::LN_10;
        let limit = if direction < 0.0 { low - decade } else { high + decade };
        let mut near = centre;
        loop {
            let far = near + direction * STEP;
            if (far - limit) * direction > 0.0 {
                return f64::NAN;
            }
            if at(far) < floor {
                let (mut above, mut below) = (near, far);
                for _ in 0..60 {
                    let middle = 0.5 * (above + below);
                    if at(middle) < floor { below = middle } else { above = middle }
                }
                return below.exp();
            }
            near = far;
        }
    };
    let frequency = centre.exp();
    Peak { frequency, q: frequency / (edge(1.0) - edge(-1.0)), gain }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::Element;
    use crate::knobs::Knob;
    use nalgebra::{DMatrix, DVector};
    use std::f64::consts::TAU;

    /// Henries, farads and ohms of three plain tanks, each fed through a resistor.
    const TANKS: [(f64, f64, f64, f64); 3] =
        [(0.5, 51e-9, 30e3, 47e3), (0.15, 22e-9, 40e3, 47e3), (80e-3, 27e-9, 45e3, 47e3)];

    fn plain_tanks() -> Circuit {
        let text = |s: &str, n: usize| format!("{s}{n}");
        let mut elements = Vec::new();
        for (n, (henries, farads, core, feed)) in (1..).zip(TANKS) {
            let (bus, tap) = (text("i", n), text("c", n));
            let ground = || "0".to_owned();
            elements.extend([
                Element::Source {
                    name: text("bus", n),
                    p: bus.clone(),
                    n: ground(),
                    volts: 0.0,
                    input: None,
                    scale: None,
                },
                Element::Resistor { name: text("rb", n), a: bus, b: tap.clone(), ohms: feed },
                Element::Resistor { name: text("rp", n), a: tap.clone(), b: ground(), ohms: core },
                Element::Capacitor { name: text("cf", n), a: tap.clone(), b: ground(), farads },
                Element::Inductor { name: text("l", n), a: tap, b: ground(), henries, saturation: None },
            ]);
        }
        let taps = (1..=3).map(|n| (text("tap", n), [text("c", n), "0".to_owned()])).collect();
        Circuit { elements, taps }
    }

    /// A parallel tank behind a resistor peaks at 1/(2π√LC), with Q = R∥/(ω₀L) and gain R/(R + `R_feed`) (closed form).
    #[test]
    fn a_tank_peaks_at_its_closed_form_frequency_q_and_gain() {
        let response = Response::of_circuit(&plain_tanks()).unwrap();
        for (peak, (henries, farads, core, feed)) in response.peaks().into_iter().zip(TANKS) {
            let omega = 1.0 / f64::sqrt(henries * farads);
            let cents = 1200.0 * (peak.frequency / (omega / TAU)).log2();
            assert!(cents.abs() < 0.01, "{cents} cents");
            approx::assert_relative_eq!(peak.gain, core / (core + feed), max_relative = 1e-9);
            let loaded = 1.0 / (1.0 / core + 1.0 / feed);
            approx::assert_relative_eq!(peak.q, loaded / (omega * henries), max_relative = 1e-6);
        }
    }

    /// Design values of the built-in board, found with a general nodal solver.
    #[test]
    fn the_built_in_board_biases_and_resonates_where_its_design_says() {
        let board = Board::built_in();
        let settings = Settings::of(&board);
        let open = Response::of(&board, &settings, [0; 3]).unwrap();
        let full = Response::of(&board, &settings, [15; 3]).unwrap();
        for stage in 1..=3 {
            let volts = open.operating_point()[&format!("e{stage}")];
            approx::assert_relative_eq!(volts / board.stage1.driver.emitter, 0.4e-3, max_relative = 0.05);
        }
        for (stage, (low, high)) in [(260.0, 1000.0), (1270.0, 2800.0), (1970.0, 3400.0)].into_iter().enumerate() {
            approx::assert_relative_eq!(full.peaks()[stage].frequency, low, max_relative = 0.02);
            approx::assert_relative_eq!(open.peaks()[stage].frequency, high, max_relative = 0.02);
        }
    }

    /// The same list, assembled in the same rows but solved whole at each frequency by complex elimination.
    #[test]
    fn the_reduced_circuit_is_the_whole_one() {
        let mut board = Board::built_in();
        board.coupling.c12 = 2e-9;
        board.stage2.coil.saturation = Some(3e-3);
        let mut settings = Settings::of(&board);
        settings.set(Knob::Stage1Sweep, 1.2);
        let circuit = Circuit::of(&board, &settings, [5, 9, 2]);
        let response = Response::of_circuit(&circuit).unwrap();

        let nodal = Nodal::of(&circuit);
        let point = operating_point::find(&nodal).unwrap();
        let mut slopes = nodal.g.clone();
        for bend in &nodal.bends {
            let controls = bend.controls.map(|pair| nodal::across(&point, pair));
            for ((_, slope), way) in bend.law.at(controls).into_iter().zip(bend.flows) {
                nodal::flow(&mut slopes, way, bend.controls[0], slope[0]);
                nodal::flow(&mut slopes, way, bend.controls[1], slope[1]);
            }
        }
        let size = point.len();
        let tap = |x: &DVector<Complex64>, name: &str| {
            let [p, n] = circuit.taps[name].each_ref().map(|name| nodal.node(name).unwrap());
            x[p] - x[n]
        };
        for hertz in [30.0, 261.0, 700.0, 1500.0, 2803.0, 9000.0, 40e3] {
            let s = Complex64::new(0.0, TAU * hertz);
            let mut a = slopes.map(|x| Complex64::new(x, 0.0));
            for store in &nodal.stores {
                match *store {
                    nodal::Store::Capacitor { pair, farads } => {
                        let mut unit = DMatrix::zeros(size, size);
                        nodal::flow(&mut unit, pair, pair, farads);
                        a += unit.map(|x| s * x);
                    }
                    nodal::Store::Coil { branch, henries, saturation } => {
                        // A saturable coil has lost (di/dφ)·L = 1 + 3j²/(7s²) at i = j + j³/(7s²).
                        let share = saturation.map_or(1.0, |saturation| {
                            let s = 0.875 * saturation;
                            let i = |j: f64| j + j.powi(3) / (7.0 * s * s);
                            let (mut low, mut high) = (0.0, point[branch].abs());
                            for _ in 0..100 {
                                let j = 0.5 * (low + high);
                                if i(j) < point[branch].abs() { low = j } else { high = j }
                            }
                            1.0 / (1.0 + 3.0 * low * low / (7.0 * s * s))
                        });
                        a[(branch, branch)] -= s * henries * share;
                    }
                }
            }
            let mut b = DVector::zeros(size);
            b[nodal.row("bus1").unwrap()] = Complex64::new(1.0, 0.0);
            let x = a.lu().solve(&b).unwrap();
            for (tap, reduced) in TAPS.map(|name| tap(&x, name)).into_iter().zip(response.taps(hertz)) {
                assert!((tap - reduced).norm() < 1e-9 * tap.norm(), "{hertz} Hz: {tap} against {reduced}");
            }
        }
    }

    #[test]
    fn a_link_is_silent_for_a_stage_alone_and_heard_in_the_chain() {
        let board = Board::built_in();
        let settings = Settings::of(&board);
        let response = Response::of(&board, &settings, [0; 3]).unwrap();
        let (taps, stages) = (response.taps(1500.0), response.stages(1500.0));
        approx::assert_relative_eq!(taps[0].norm(), stages[0].norm(), max_relative = 1e-9);
        let through = board.coupling.tap1_to_driver2 * (stages[0] * stages[1]).norm();
        approx::assert_relative_eq!(taps[1].norm(), through, max_relative = 1e-6);
    }

    #[test]
    fn every_supply_temperature_and_sweep_finds_its_operating_point() {
        let board = Board::built_in();
        for supply in [1.2, 1.5, 3.0, 6.0, 9.0] {
            for celsius in [-20.0, 25.0, 70.0] {
                for (sweep, overdriven) in [(0.0, 0.0), (1.0, 1.0), (9.0, 0.0)] {
                    let mut settings = Settings::of(&board);
                    settings.set(Knob::UnitSupply, supply);
                    settings.set(Knob::UnitTemperature, celsius);
                    settings.set(Knob::InputOverdriven, overdriven);
                    for knob in [Knob::Stage1Sweep, Knob::Stage2Sweep, Knob::Stage3Sweep] {
                        settings.set(knob, sweep);
                    }
                    let response = Response::of(&board, &settings, [3, 7, 11]);
                    let response = response.unwrap_or_else(|e| panic!("{supply} V {celsius} °C sweep {sweep} V: {e}"));
                    for (node, volts) in response.operating_point() {
                        let above = if node.starts_with('g') { sweep } else { 0.0 };
                        assert!((-0.1..=supply + above + 0.1).contains(volts), "{node} at {volts} V of {supply} V");
                    }
                    assert!(response.peaks().iter().all(|peak| peak.gain.is_finite() && peak.frequency > 100.0));
                }
            }
        }
    }

    /// A saturated stage is asked from far away: every junction far forward at the first step.
    #[test]
    fn a_stage_driven_into_saturation_is_found_by_limiting_the_junctions() {
        let mut board = Board::built_in();
        for stage in board.stages_mut() {
            stage.driver.bias = 1.0;
            stage.driver.emitter = 0.1;
            stage.driver.base = 1.0;
            stage.coil.series = 1e5;
        }
        let mut settings = Settings::of(&board);
        settings.set(Knob::UnitSupply, 9.0);
        let response = Response::of(&board, &settings, [0; 3]).unwrap();
        let collector = response.operating_point()["c1"];
        assert!(collector < response.operating_point()["b1"], "collector at {collector} V is not saturated");
    }

    /// e^x − 1 = (x − V/vt)/0.9 has no real solution for V = 1 V: a diode behind a negative resistor.
    #[test]
    fn a_list_without_an_operating_point_is_refused_by_name() {
        let (is, vt) = (1e-6, 0.025);
        let mut circuit = plain_tanks();
        let name = |s: &str| s.to_owned();
        circuit.elements.extend([
            Element::Source { name: name("v"), p: name("s"), n: name("0"), volts: 1.0, input: None, scale: None },
            Element::Resistor { name: name("neg"), a: name("s"), b: name("lost"), ohms: -0.9 * vt / is },
            Element::Diode { name: name("d"), a: name("lost"), k: name("0"), is, n: 1.0, vt },
        ]);
        let error = Response::of_circuit(&circuit).unwrap_err();
        assert!(error.to_string().contains("\"lost\""), "{error}");

        let mut circuit = plain_tanks();
        let short =
            Element::Source { name: name("v"), p: name("i1"), n: name("0"), volts: 1.0, input: None, scale: None };
        circuit.elements.push(short);
        assert_eq!(Response::of_circuit(&circuit).unwrap_err(), ResponseError::Singular);
        circuit.elements.clear();
        assert_eq!(Response::of_circuit(&circuit).unwrap_err(), ResponseError::Missing("bus1"));
    }
}
