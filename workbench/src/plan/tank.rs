//! Everything that is soldered about a bank, as one admittance and one drive.
//!
//! ```text
//!   H(f) = N/(Y + j2πf·C)        tap per bus volt, C across the tank
//!   two C, two H  ─►  Y and N at f; nothing else about the circuit has to be known
//! ```
//! The operating point does not depend on the tank's capacitors: a coil holds the collector at the rail. So one Y and one N, at
//! frequencies that stand close, serve every bank. With C12 the neighbour's tank is in Y, under the code on its lines.

use crate::fault::Fault;
use num_complex::Complex64;
use std::f64::consts::{LN_2, TAU};
use tritank_dsp::board::{Bank, Board};
use tritank_dsp::knobs::Settings;
use tritank_dsp::response::Response;

/// Y and N are taken between these, hertz, so many to the octave.
const LOWEST_HZ: f64 = 40.0;
const HIGHEST_HZ: f64 = 16e3;
const PER_OCTAVE: usize = 48;

/// The nth frequency that Y and N are taken at.
fn grid_hertz(n: usize) -> f64 {
    LOWEST_HZ * (n as f64 / PER_OCTAVE as f64).exp2()
}

/// A stage without its bank and its fixed capacitor.
#[derive(Clone, Debug)]
pub struct TankAlone {
    /// Y and N by frequency.
    rest: Vec<[Complex64; 2]>,
    /// Resistance of a closed and of an open switch, ohms.
    on: f64,
    off: f64,
}

impl TankAlone {
    /// Of stage 0 to 2 of a board, the other two under `codes`.
    ///
    /// # Errors
    /// When the board finds no operating point.
    pub fn of(board: &Board, settings: &Settings, codes: [u8; 3], stage: usize) -> Result<Self, Fault> {
        let fixed = board.stages()[stage].fixed;
        let with = |farads: f64| {
            let mut board = board.clone();
            let place = &mut *board.stages_mut()[stage];
            place.fixed = farads;
            place.bank.capacitors.fill(0.0);
            Response::of(&board, settings, codes).map_err(Fault::new)
        };
        let (one, two) = (with(fixed)?, with(2.0 * fixed)?);
        let octaves = (HIGHEST_HZ / LOWEST_HZ).log2();
        let rest = (0..=(octaves * PER_OCTAVE as f64).ceil() as usize + 1).map(|n| {
            let hertz = grid_hertz(n);
            let (a, b) = (one.stage(stage, hertz), two.stage(stage, hertz));
            let added = Complex64::new(0.0, TAU * hertz * fixed);
            // a = N/(Y + added), b = N/(Y + 2·added)
            let whole = added * b / (a - b);
            [whole - added, a * whole]
        });
        let Bank { on, off, .. } = board.stages()[stage].bank;
        Ok(Self { rest: rest.collect(), on, off })
    }

    /// The same with pins and wiring across the tank, farads: they are there whatever is soldered.
    pub fn with_wiring(mut self, farads: f64) -> Self {
        for (n, [admittance, _]) in self.rest.iter_mut().enumerate() {
            *admittance += Complex64::new(0.0, TAU * grid_hertz(n) * farads);
        }
        self
    }

    /// The same with other switches: resistance of a closed one, ohms.
    pub fn with_on(mut self, ohms: f64) -> Self {
        self.on = ohms;
        self
    }

    /// Resistance of a closed switch, ohms.
    pub fn on(&self) -> f64 {
        self.on
    }

    /// Y and N at a frequency in octaves above the lowest: the cubic through the four that are nearest.
    fn at(&self, octave: f64) -> [Complex64; 2] {
        let place = (octave * PER_OCTAVE as f64).clamp(1.0, self.rest.len() as f64 - 3.0);
        let first = place as usize - 1;
        let x = place - (first + 1) as f64;
        let weights = [
            -x * (x - 1.0) * (x - 2.0) / 6.0,
            (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
            -(x + 1.0) * x * (x - 2.0) / 2.0,
            (x + 1.0) * x * (x - 1.0) / 6.0,
        ];
        let sum = |k: usize| (0..4).map(|n| self.rest[first + n][k] * weights[n]).sum();
        [sum(0), sum(1)]
    }

    /// Level of the tap per bus volt, nepers, with a fixed capacitor and a bank, a pair (farads, closed) for each position.
    fn level(&self, octave: f64, fixed: f64, bank: &[(f64, bool)]) -> f64 {
        let omega = TAU * LOWEST_HZ * octave.exp2();
        let [mut admittance, drive] = self.at(octave);
        admittance += Complex64::new(0.0, omega * fixed);
        for &(farads, closed) in bank {
            let ohms = if closed { self.on } else { self.off };
            // jωC/(1 + jωRC)
            let turn = omega * farads;
            admittance += Complex64::new(turn * turn * ohms, turn) / (1.0 + (turn * ohms).powi(2));
        }
        0.5 * (drive.norm_sqr() / admittance.norm_sqr()).ln()
    }

    /// Frequency at which the stage peaks, hertz: a scan in eighths of an octave, then golden sections and a parabola.
    pub fn peak(&self, fixed: f64, bank: &[(f64, bool)]) -> f64 {
        let at = |octave: f64| self.level(octave, fixed, bank);
        let octaves = (self.rest.len() - 3) as f64 / PER_OCTAVE as f64;
        let top = (0..=(8.0 * octaves) as usize)
            .map(|n| n as f64 / 8.0)
            .max_by(|a, b| at(*a).total_cmp(&at(*b)))
            .unwrap_or_default();
        let golden = (5f64.sqrt() - 1.0) / 2.0;
        let (mut left, mut right) = (top - 0.125, top + 0.125);
        let (mut a, mut b) = (right - golden * (right - left), left + golden * (right - left));
        let (mut level_a, mut level_b) = (at(a), at(b));
        while right - left > 2e-3 {
            if level_a > level_b {
                (right, b, level_b) = (b, a, level_a);
                a = right - golden * (right - left);
                level_a = at(a);
            } else {
                (left, a, level_a) = (a, b, level_b);
                b = left + golden * (right - left);
                level_b = at(b);
            }
        }
        let (middle, step) = (0.5 * (left + right), 1e-3);
        let [before, here, after] = [middle - step, middle, middle + step].map(at);
        let off = 0.5 * step * (before - after) / (before - 2.0 * here + after);
        LOWEST_HZ * (middle + off.clamp(-step, step)).exp2()
    }

    /// Capacitance across the tank, without any loss of its own, for which it peaks at `hertz`, farads: where
    /// `|Y + jωC|²/|N|²` stands still over ω, a quadratic in C. Not positive when none does.
    pub fn farads(&self, hertz: f64) -> f64 {
        let octave = (hertz / LOWEST_HZ).log2();
        let omega = TAU * hertz;
        // Slopes over ω by differences: dω = ω·ln 2·d(octave).
        let step = 1e-3;
        let slope = 2.0 * step * omega * LN_2;
        let ([before, drive_before], [here, drive], [after, drive_after]) =
            (self.at(octave - step), self.at(octave), self.at(octave + step));
        let per_drive = |n: Complex64| 1.0 / n.norm_sqr();
        let (q, dq) = (per_drive(drive), (per_drive(drive_after) - per_drive(drive_before)) / slope);
        let square = (after.norm_sqr() - before.norm_sqr()) / slope;
        let (b, db) = (here.im, (after.im - before.im) / slope);
        // q'(|Y|² + 2ωCb + ω²C²) + q(|Y|²' + 2C(b + ωb') + 2ωC²) = 0
        let two = dq * omega * omega + 2.0 * q * omega;
        let one = 2.0 * (dq * omega * b + q * (b + omega * db));
        let none = dq * here.norm_sqr() + q * square;
        (-one + (one * one - 4.0 * two * none).max(0.0).sqrt()) / (2.0 * two)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::cents;

    /// The peaks are those of the whole circuit, for every code of every stage: a twentieth of a cent.
    #[test]
    fn a_peak_is_that_of_the_whole_circuit() {
        let mut board = Board::built_in();
        let settings = Settings::of(&board);
        for c12 in [0.0, 1e-9] {
            board.coupling.c12 = c12;
            for stage in 0..3 {
                let alone = TankAlone::of(&board, &settings, [0; 3], stage).unwrap();
                let part = board.stages()[stage];
                for code in 0..16 {
                    let bank: Vec<_> =
                        part.bank.capacitors.iter().enumerate().map(|(n, &c)| (c, part.bank.closed(n, code))).collect();
                    let mut codes = [0; 3];
                    codes[stage] = code;
                    let whole = Response::of(&board, &settings, codes).unwrap().peak(stage).frequency;
                    let off = cents(whole, alone.peak(part.fixed, &bank));
                    assert!(off.abs() < 0.05, "C12 {c12}, stage {}, code {code}: {off} cents", stage + 1);
                }
            }
        }
    }

    /// 30 pF at a multiplexer's common pin and 10 pF at each of eight channels (data sheet SCHS047) are so much less to solder.
    #[test]
    fn pins_and_wiring_count_as_a_capacitor_that_is_soldered() {
        let board = Board::built_in();
        let settings = Settings::of(&board);
        let alone = TankAlone::of(&board, &settings, [0; 3], 2).unwrap();
        let wired = alone.clone().with_wiring(110e-12);
        for (fixed, bank) in [(1e-9, vec![]), (27e-9, vec![(10e-9, true), (6.8e-9, false)])] {
            let off = cents(alone.peak(fixed + 110e-12, &bank), wired.peak(fixed, &bank));
            assert!(off.abs() < 1e-4, "{off} cents");
        }
        let less = alone.farads(2000.0) - wired.farads(2000.0);
        assert!((less / 110e-12 - 1.0).abs() < 1e-6, "{less}");
    }

    #[test]
    fn the_capacitance_for_a_peak_gives_that_peak() {
        let board = Board::built_in();
        for (stage, hertz) in [(0, 250.0), (0, 900.0), (1, 800.0), (1, 2700.0), (2, 1700.0), (2, 3400.0)] {
            let alone = TankAlone::of(&board, &Settings::of(&board), [0; 3], stage).unwrap();
            let off = cents(hertz, alone.peak(alone.farads(hertz), &[]));
            assert!(off.abs() < 0.1, "stage {}, {hertz} Hz: {off} cents", stage + 1);
        }
    }
}
