//! Where a tank peaks and how sharp, out of its parts.
//!
//! ```text
//!   Y = G + 1/(R_s + jωL) + jωC_f + Σ jωC/(1 + jωRC) + 1/(1/jωC₁₂ + 1/Y')       H = N/Y, N one number
//!   x = ln ω:   d|Y|²/dx = 2·Re(Y*·Y'),   d²|Y|²/dx² = 2·(|Y'|² + Re(Y*·Y″))      peak: Newton;  −3 dB: |Y|² = 2·|Y|²_least
//! ```
//! The driver stores no charge, so N does not depend on the frequency and the peak of the tap is the least of |Y|. About the peak
//! of a plain tank |Y|² = G² + 4C/L·sinh²(x − x₀): from far off Newton comes in cubically, three or four steps in all. Behind C12
//! stands the neighbour's tank: where the board as it is written has two peaks about as high, or its tanks stand close, the range of
//! both is looked through first.

use num_complex::Complex64;
use std::f64::consts::{LN_2, LN_10, TAU};
use tritank_dsp::board::{Board, Coil, Sweep};
use tritank_dsp::device::{BODY_DIODE_SATURATION, thermal};
use tritank_dsp::knobs::{Knob, Settings};

use super::rest::Rest;

/// Peaks are looked for between these, hertz.
const LOWEST_HZ: f64 = 5.0;
const HIGHEST_HZ: f64 = 100e3;
/// Steps of a look through the range, in ln ω.
const STEP: f64 = LN_2 / 48.0;

/// A dip of |Y|² that is no more than this above the deepest may be the deepest in another unit.
const RIVAL: f64 = 10.0;
/// So near in ln ω the neighbour's own peak may split this one; and so far beyond both a unit's peaks may lie.
const CLOSE: f64 = 0.5;
const ABOUT: f64 = 0.3;

/// A value and its first and second slope over ln ω.
#[derive(Clone, Copy, Debug)]
struct Jet([Complex64; 3]);

impl Jet {
    /// `jωC/(1 + jωRC)`.
    fn series(omega: f64, farads: f64, tau: f64) -> Self {
        let turn = Complex64::new(0.0, omega * tau);
        let plain = Complex64::new(0.0, omega * farads);
        let share = 1.0 / (1.0 + turn);
        let value = plain * share;
        Self([value, value * share, value * share * share * (1.0 - turn)])
    }

    /// `1/(R + jωL)`.
    fn coil(omega: f64, coil: &Wound) -> Self {
        let turn = Complex64::new(0.0, omega * coil.henries);
        let value = 1.0 / (coil.ohms + turn);
        let slope = -turn * value * value;
        Self([value, slope, slope * value * (coil.ohms - turn)])
    }

    fn add(&mut self, other: Self) {
        for (sum, term) in self.0.iter_mut().zip(other.0) {
            *sum += term;
        }
    }

    fn inverse(self) -> Self {
        let [value, slope, bend] = self.0;
        let one = 1.0 / value;
        let falls = -slope * one * one;
        Self([one, falls, -(bend * one + 2.0 * slope * falls) * one])
    }

    /// `|Y|²`, and its slopes.
    fn square(self) -> [f64; 3] {
        let [value, slope, bend] = self.0;
        let with = |other: Complex64| value.re * other.re + value.im * other.im;
        [value.norm_sqr(), 2.0 * with(slope), 2.0 * (slope.norm_sqr() + with(bend))]
    }
}

#[derive(Clone, Copy, Debug)]
struct Wound {
    henries: f64,
    ohms: f64,
}

/// A tank under one code.
#[derive(Clone, Debug)]
pub(super) struct Tank {
    /// Driver and core, siemens.
    conductance: f64,
    coil: Wound,
    /// Straight across, farads.
    fixed: f64,
    /// Capacitors behind a resistance: farads, and seconds of both.
    series: Vec<[f64; 2]>,
    /// How many of them are no bank's.
    always: usize,
    /// Coupling capacitor and what stands behind it.
    neighbour: Option<(f64, Box<Tank>)>,
}

/// Where a stage resonates, and how sharply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Resonance {
    pub(super) hertz: f64,
    /// Frequency over the −3 dB width; not a number where a side never falls by 3 dB.
    pub(super) q: f64,
}

/// Where a peak is to be looked for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Near {
    /// Where that of the board as it is written is.
    pub(super) hertz: f64,
    /// The same as ln ω.
    log: f64,
    /// Behind C12, where another may be as high: a range of ln ω.
    span: Option<[f64; 2]>,
}

impl Tank {
    /// Stage 0 to 2 of a unit at rest, the bank left out; with C12 the neighbour is under code 0.
    pub(super) fn of(board: &Board, settings: &Settings, rest: &Rest, stage: usize) -> Self {
        let mut tank = Self::alone(board, settings, rest, stage);
        let beside = [1, 0, 2][stage];
        if board.coupling.c12 > 0.0 && beside != stage {
            let mut neighbour = Self::alone(board, settings, rest, beside);
            neighbour.under(board, settings, beside, 0);
            tank.neighbour = Some((board.coupling.c12, Box::new(neighbour)));
        }
        tank
    }

    fn alone(board: &Board, settings: &Settings, rest: &Rest, stage: usize) -> Self {
        let part = board.stages()[stage];
        let mut series = Vec::with_capacity(18);
        if let Some(sweep) = &part.sweep {
            let gate = settings.get([Knob::Stage1Sweep, Knob::Stage2Sweep, Knob::Stage3Sweep][stage]);
            let ohms = 1.0 / channel(sweep, gate, settings.get(Knob::UnitTemperature));
            series.push([sweep.capacitor, ohms * sweep.capacitor]);
        }
        if stage == 1 {
            series.push([board.follower.coupling, board.follower.coupling / rest.follower]);
        }
        Self {
            conductance: rest.drivers[stage] + 1.0 / part.coil.core,
            coil: Wound { henries: left(&part.coil, rest.drops[stage]), ohms: part.coil.series },
            fixed: part.fixed,
            always: series.len(),
            series,
            neighbour: None,
        }
    }

    /// Puts a code on the lines.
    pub(super) fn under(&mut self, board: &Board, settings: &Settings, stage: usize, code: u8) -> &Self {
        let bank = &board.stages()[stage].bank;
        let bleed = if settings.is_on(Knob::ClickBleed) { 1.0 / board.click.bleed } else { 0.0 };
        let [on, off] = [bank.on, bank.off].map(|ohms| 1.0 / (1.0 / ohms + bleed));
        self.series.truncate(self.always);
        for (place, &farads) in bank.capacitors.iter().enumerate().filter(|(_, farads)| **farads > 0.0) {
            let ohms = if bank.closed(place, code) { on } else { off };
            self.series.push([farads, ohms * farads]);
        }
        self
    }

    /// Y at ln ω.
    fn jet(&self, log: f64) -> Jet {
        let omega = log.exp();
        let mut sum = Jet::coil(omega, &self.coil);
        sum.0[0] += self.conductance;
        let across = Complex64::new(0.0, omega * self.fixed);
        sum.add(Jet([across; 3]));
        for &[farads, tau] in &self.series {
            sum.add(Jet::series(omega, farads, tau));
        }
        if let Some((farads, neighbour)) = &self.neighbour {
            let mut apart = neighbour.jet(log).inverse();
            apart.add(Jet([Complex64::new(0.0, omega * farads); 3]).inverse());
            sum.add(apart.inverse());
        }
        sum
    }

    /// `|Y|²` and its slopes.
    fn at(&self, log: f64) -> [f64; 3] {
        self.jet(log).square()
    }

    /// Where the peak of a unit like this one is to be looked for.
    pub(super) fn near(&self) -> Near {
        let dips = self.dips(range());
        let deepest = |tank: &Self, dips: &[f64]| {
            dips.iter().copied().min_by(|a, b| tank.at(*a)[0].total_cmp(&tank.at(*b)[0])).unwrap_or(f64::NAN)
        };
        let log = deepest(self, &dips);
        let rival = |dip: &f64| self.at(*dip)[0] < RIVAL * self.at(log)[0];
        let mut ends: Vec<f64> = dips.iter().copied().filter(rival).collect();
        if let Some((_, neighbour)) = &self.neighbour {
            let beside = deepest(neighbour, &neighbour.dips(range()));
            ends.extend(((beside - log).abs() < CLOSE).then_some(beside));
        }
        let span = (ends.len() > 1).then(|| {
            let low = ends.iter().fold(f64::MAX, |low, end| low.min(*end));
            let high = ends.iter().fold(f64::MIN, |high, end| high.max(*end));
            [low - ABOUT, high + ABOUT]
        });
        Near { hertz: log.exp() / TAU, log, span }
    }

    /// Peak, hertz.
    pub(super) fn peak(&self, near: &Near) -> f64 {
        let found = match near.span {
            None => self.newton(near.log),
            Some(span) => self.look_through(span),
        };
        found.or_else(|| self.look_through(range())).map_or(f64::NAN, |log| log.exp() / TAU)
    }

    /// Peak and Q.
    pub(super) fn resonance(&self, near: &Near) -> Resonance {
        let hertz = self.peak(near);
        let log = (TAU * hertz).ln();
        let [least, _, bend] = self.at(log);
        let wide = (2.0 * least / bend).sqrt();
        let edge = |way: f64| self.edge(log, way, 2.0 * least, wide).exp() / TAU;
        Resonance { hertz, q: hertz / (edge(1.0) - edge(-1.0)) }
    }

    /// Newton alone, hertz.
    #[cfg(test)]
    pub(super) fn newton_hz(&self, near: &Near) -> Option<f64> {
        self.newton(near.log).map(|log| log.exp() / TAU)
    }

    /// Least of |Y| by Newton from near; `None` when it leads away.
    fn newton(&self, near: f64) -> Option<f64> {
        let mut log = near;
        for _ in 0..30 {
            let [_, slope, bend] = self.at(log);
            if bend <= 0.0 {
                return None;
            }
            let step = (slope / bend).clamp(-0.5, 0.5);
            log -= step;
            if step.abs() < 1e-7 {
                let [low, high] = range();
                return (low..=high).contains(&log).then_some(log);
            }
        }
        None
    }

    /// The deepest dip in a range.
    fn look_through(&self, span: [f64; 2]) -> Option<f64> {
        self.dips(span).into_iter().min_by(|a, b| self.at(*a)[0].total_cmp(&self.at(*b)[0]))
    }

    /// Every dip of |Y| in a range.
    fn dips(&self, [low, high]: [f64; 2]) -> Vec<f64> {
        let levels: Vec<f64> =
            (0..=((high - low) / STEP) as usize).map(|n| self.at(low + n as f64 * STEP)[0]).collect();
        (1..levels.len() - 1)
            .filter(|n| levels[*n] <= levels[n - 1] && levels[*n] < levels[n + 1])
            .map(|n| low + n as f64 * STEP)
            .map(|log| self.newton(log).filter(|found| (found - log).abs() < 2.0 * STEP).unwrap_or(log))
            .collect()
    }

    /// Where |Y|² reaches a level on one side of the peak, ln ω: strides outwards, then Newton between what is below and above.
    fn edge(&self, peak: f64, way: f64, level: f64, wide: f64) -> f64 {
        let stride = way * if self.neighbour.is_some() { STEP.min(wide) } else { wide };
        let [low, high] = range();
        let (mut near, mut far) = (peak, peak + stride);
        while self.at(far)[0] < level {
            if far < low - LN_10 || far > high + LN_10 || !far.is_finite() {
                return f64::NAN;
            }
            (near, far) = (far, far + stride);
        }
        let mut log = far;
        for _ in 0..60 {
            let [here, slope, _] = self.at(log);
            if here < level {
                near = log;
            } else {
                far = log;
            }
            let next = log - (here - level) / slope;
            let inside = (next - near) * (next - far) < 0.0;
            let next = if inside { next } else { 0.5 * (near + far) };
            if (next - log).abs() < 1e-9 {
                return next;
            }
            log = next;
        }
        log
    }
}

/// ln ω of the range in which peaks are looked for.
fn range() -> [f64; 2] {
    [LOWEST_HZ, HIGHEST_HZ].map(|hertz| (TAU * hertz).ln())
}

/// Henries left at the direct current under a drop: `i = j + j³/(7s²)`, `s = ⅞·saturation`, leaves `1/(1 + 3j²/(7s²))`. The cubic
/// has one root, `j = 2a·sinh(⅓·asinh(3i/(2a)))` with `a = s·√(7/3)`.
fn left(coil: &Coil, drop: f64) -> f64 {
    let Some(saturation) = coil.saturation else { return coil.inductance };
    let s = 0.875 * saturation;
    let a = s * (7.0_f64 / 3.0).sqrt();
    let current = drop.abs() / coil.series;
    let j = 2.0 * a * ((1.5 * current / a).asinh() / 3.0).sinh();
    coil.inductance / (1.0 + 3.0 * j * j / (7.0 * s * s))
}

/// Conductance of a sweep's channel and body diode at rest, without a voltage across, siemens.
fn channel(sweep: &Sweep, gate: f64, celsius: f64) -> f64 {
    let vt = thermal::voltage(celsius);
    let half = 0.5 * (gate - sweep.threshold) / vt;
    let log = half.max(0.0) + (-half.abs()).exp().ln_1p();
    let slope = log / (1.0 + (-half).exp());
    let silicon = BODY_DIODE_SATURATION * thermal::saturation_factor(celsius, thermal::SILICON_GAP);
    let diode = if sweep.body_diode { silicon / vt } else { 0.0 };
    2.0 * sweep.transconductance * vt * slope + diode
}
