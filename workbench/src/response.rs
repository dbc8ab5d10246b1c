//! Small-signal response of a unit, as curves and peaks ready to be printed or drawn.

use crate::fault::Fault;
use crate::picture::Picture;
use crate::picture::response::{Curve, board, families};
use crate::unit;
use num_complex::Complex64;
use std::collections::BTreeMap;
use tritank_dsp::knobs::Knob;
use tritank_dsp::patch::Patch;
use tritank_dsp::response::{Peak, Response};

/// One stage alone under one code, from its bus to its tap.
#[derive(Clone, Debug)]
pub struct StageResponse {
    /// Stage, 1 to 3.
    pub stage: usize,
    /// Code on its lines.
    pub code: u8,
    /// Where it resonates.
    pub peak: Peak,
    /// V/V at each frequency.
    pub curve: Vec<Complex64>,
}

/// The response of a unit under one code, or of its stages under every code.
#[derive(Clone, Debug)]
pub struct UnitResponse {
    /// Name of the board.
    pub board: String,
    /// Codes on the lines; for every code: those of the stages that are not being looked at.
    pub codes: [u8; 3],
    /// Supply.
    pub supply_volts: f64,
    /// Temperature of the transistors.
    pub temperature_celsius: f64,
    /// DC volts by node under [`Self::codes`].
    pub operating_point: BTreeMap<String, f64>,
    /// Frequencies of all curves, hertz.
    pub frequencies: Vec<f64>,
    /// Each stage alone: three, or as many as there are codes.
    pub stages: Vec<StageResponse>,
    /// Through the chain to each tap, per volt of main in on bus 1; `None` for every code.
    pub taps: Option<[Vec<Complex64>; 3]>,
}

/// So many frequencies, even in ratio, ends included.
///
/// # Errors
/// Ends that are not positive and rising, or fewer than two points.
pub fn frequencies(from_hz: f64, to_hz: f64, points: usize) -> Result<Vec<f64>, Fault> {
    if !(from_hz >= 0.1 && to_hz <= 1e6 && from_hz < to_hz) {
        let given = format!("given {from_hz} Hz to {to_hz} Hz");
        return Err(Fault::new(format!("--from, --to: {given}, allowed is 0.1 Hz to 1 MHz, the lower first")));
    }
    if !(2..=100_000).contains(&points) {
        return Err(Fault::new(format!("--points: given {points}, allowed is 2 to 100000")));
    }
    let ratio = (to_hz / from_hz).ln() / (points - 1) as f64;
    Ok((0..points).map(|n| from_hz * (ratio * n as f64).exp()).collect())
}

impl UnitResponse {
    /// Under the codes on the lines.
    ///
    /// # Errors
    /// When the board finds no operating point.
    pub fn of(patch: &Patch, frequencies: Vec<f64>) -> Result<Self, Fault> {
        let codes = unit::codes(&patch.settings);
        let response = Response::of(&patch.board, &patch.settings, codes).map_err(Fault::new)?;
        let mut alone: [Vec<Complex64>; 3] = std::array::from_fn(|_| Vec::with_capacity(frequencies.len()));
        let mut taps = alone.clone();
        for &hertz in &frequencies {
            for (curve, value) in alone.iter_mut().zip(response.stages(hertz)) {
                curve.push(value);
            }
            for (curve, value) in taps.iter_mut().zip(response.taps(hertz)) {
                curve.push(value);
            }
        }
        let stages = (1..)
            .zip(codes)
            .zip(response.peaks())
            .zip(alone)
            .map(|(((stage, code), peak), curve)| StageResponse { stage, code, peak, curve })
            .collect();
        Ok(Self::about(patch, codes, &response, frequencies, stages, Some(taps)))
    }

    /// Each stage under each code that its bank knows, the other stages under the codes on their lines.
    ///
    /// # Errors
    /// When the board finds no operating point.
    pub fn of_every_code(patch: &Patch, frequencies: Vec<f64>) -> Result<Self, Fault> {
        let codes = unit::codes(&patch.settings);
        let mut stages = Vec::new();
        for (n, part) in patch.board.stages().into_iter().enumerate() {
            for code in 0..1u8 << part.bank.lines() {
                let mut codes = codes;
                codes[n] = code;
                let response = Response::of(&patch.board, &patch.settings, codes).map_err(Fault::new)?;
                let curve = frequencies.iter().map(|&hertz| response.stage(n, hertz)).collect();
                stages.push(StageResponse { stage: n + 1, code, peak: response.peak(n), curve });
            }
        }
        let here = Response::of(&patch.board, &patch.settings, codes).map_err(Fault::new)?;
        Ok(Self::about(patch, codes, &here, frequencies, stages, None))
    }

    fn about(
        patch: &Patch,
        codes: [u8; 3],
        response: &Response,
        frequencies: Vec<f64>,
        stages: Vec<StageResponse>,
        taps: Option<[Vec<Complex64>; 3]>,
    ) -> Self {
        Self {
            board: patch.board.name.clone(),
            codes,
            supply_volts: patch.settings.get(Knob::UnitSupply),
            temperature_celsius: patch.settings.get(Knob::UnitTemperature),
            operating_point: response.operating_point().clone(),
            frequencies,
            stages,
            taps,
        }
    }

    /// The picture: stages and taps under one code, or every code of every stage.
    pub fn picture(&self) -> Picture {
        let curve = |name: String, values: &[Complex64], peak| Curve {
            name,
            points: self.frequencies.iter().copied().zip(values.iter().copied()).collect(),
            peak,
        };
        let [a, b, c] = self.codes;
        let at = format!("{} V, {} °C", self.supply_volts, self.temperature_celsius);
        if let Some(taps) = &self.taps {
            let stages: Vec<_> =
                self.stages.iter().map(|s| curve(format!("stage {}", s.stage), &s.curve, Some(s.peak))).collect();
            let taps: Vec<_> = (1..).zip(taps).map(|(n, values)| curve(format!("tap {n}"), values, None)).collect();
            return board(&format!("{}: codes {a}, {b}, {c}; {at}", self.board), &stages, &taps);
        }
        let panes: Vec<_> = (1..=3)
            .map(|stage| {
                let curves = self
                    .stages
                    .iter()
                    .filter(|s| s.stage == stage)
                    .map(|s| curve(format!("code {}", s.code), &s.curve, Some(s.peak)))
                    .collect();
                (format!("Stage {stage}"), curves)
            })
            .collect();
        families(&format!("{}: every code; {at}", self.board), &panes)
    }
}
