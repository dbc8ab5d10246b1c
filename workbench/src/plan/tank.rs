//! Everything that is soldered about a bank, as one admittance and one drive.
//!
//! ```text
//!   H(f) = N/(Y + j2πf·C)        tap per bus volt, C across the tank
//!   two C, two H  ─►  Y and N at f; nothing else about the circuit has to be known
//! ```
//! The operating point does not depend on the tank's capacitors: a coil holds the collector at the rail. So one Y and one N, at
//! frequencies that stand close, serve every bank. With C12 the neighbour's tank is in Y, under the code on its lines.

use super::around::{Around, Part};
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
/// Where all of it is known, hertz.
pub(super) const KNOWN_HZ: std::ops::RangeInclusive<f64> = 1.05 * LOWEST_HZ..=HIGHEST_HZ / 1.05;
/// Slopes are taken so many times as densely: straight lines between them err by some thousandths of a cent.
const FINER: usize = 16;

/// The nth frequency that Y and N are taken at.
fn grid_hertz(n: usize) -> f64 {
    LOWEST_HZ * (n as f64 / PER_OCTAVE as f64).exp2()
}

/// A stage without its bank and its fixed capacitor.
#[derive(Clone, Debug)]
pub struct TankAlone {
    /// Y and N by frequency.
    rest: Vec<[Complex64; 2]>,
    /// Their slopes, on a finer grid.
    slopes: Vec<Around>,
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
        let mut tank = Self { rest: rest.collect(), slopes: Vec::new(), on, off };
        let last = (tank.rest.len() - 3) * FINER;
        tank.slopes = (FINER..=last).map(|n| tank.slope_at(n as f64 / (PER_OCTAVE * FINER) as f64)).collect();
        Ok(tank)
    }

    /// Resistance of an open switch, ohms.
    pub fn off(&self) -> f64 {
        self.off
    }

    /// The same with pins and wiring across the tank, farads: they are there whatever is soldered.
    pub fn with_wiring(mut self, farads: f64) -> Self {
        for (n, [admittance, _]) in self.rest.iter_mut().enumerate() {
            *admittance += Complex64::new(0.0, TAU * grid_hertz(n) * farads);
        }
        for around in &mut self.slopes {
            around.b += around.omega * farads;
            around.b_slope += farads;
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

    /// What a capacitor behind a closed switch counts for across the tank at a frequency, farads.
    pub fn count(&self, hertz: f64, farads: f64) -> f64 {
        Part::of(TAU * hertz, farads, self.on).count
    }

    /// The most that a capacitor behind an open switch counts for at a frequency, farads: where its reactance is the resistance.
    pub(super) fn open_count(&self, hertz: f64) -> f64 {
        0.5 / (TAU * hertz * self.off)
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

    /// The same peak where it is known to lie near `guess`, hertz, from the slope alone: a tenth of the work.
    pub fn peak_near(&self, guess: f64, fixed: f64, bank: &[(f64, bool)]) -> f64 {
        let slope = |octave: f64| self.around_octave(octave).slope(fixed, bank.iter().copied(), self.on, self.off);
        let near = (guess / LOWEST_HZ).log2();
        let (mut left, mut right, mut step) = (near, near, 0.02);
        let (mut below, mut above) = (slope(near), slope(near));
        while below > 0.0 && left > 0.0 {
            (right, above) = (left, below);
            left -= step;
            (below, step) = (slope(left), 2.0 * step);
        }
        step = 0.02;
        let top = (self.rest.len() - 3) as f64 / PER_OCTAVE as f64;
        while above < 0.0 && right < top {
            (left, below) = (right, above);
            right += step;
            (above, step) = (slope(right), 2.0 * step);
        }
        // False position, the end that stays weighed down (Dowell and Jarratt, BIT 11 (1971) 168-174, from memory).
        for _ in 0..40 {
            if right - left < 1e-7 || above <= below {
                break;
            }
            let middle = (left * above - right * below) / (above - below);
            let here = slope(middle);
            if here.abs() < 1e-12 * (above - below) {
                return LOWEST_HZ * middle.exp2();
            }
            if here > 0.0 {
                (right, above) = (middle, here);
                below *= 0.5;
            } else {
                (left, below) = (middle, here);
                above *= 0.5;
            }
        }
        LOWEST_HZ * (0.5 * (left + right)).exp2()
    }

    /// Loaded Q at a peak, with these capacitors behind closed switches: ω·b'/2g.
    pub(super) fn q(&self, hertz: f64, fixed: f64, closed: &[f64]) -> f64 {
        let around = self.around(hertz);
        let (mut g, mut b_slope) = (around.g, around.b_slope + fixed);
        for farads in closed {
            let part = Part::of(around.omega, *farads, self.on);
            g += around.omega * part.x * part.count;
            b_slope += part.count * (1.0 - 2.0 * part.x * part.x * part.share);
        }
        0.5 * around.omega * b_slope / g
    }

    /// What slopes there are at a frequency.
    pub fn around(&self, hertz: f64) -> Around {
        self.around_octave((hertz / LOWEST_HZ).log2())
    }

    /// At a frequency in octaves above the lowest.
    #[inline]
    fn around_octave(&self, octave: f64) -> Around {
        let place = octave * (PER_OCTAVE * FINER) as f64 - FINER as f64;
        let place = place.clamp(0.0, (self.slopes.len() - 2) as f64);
        let part = place - place.floor();
        let [a, b] = [0, 1].map(|n| &self.slopes[place as usize + n]);
        let mix = |a: f64, b: f64| a + part * (b - a);
        Around {
            omega: TAU * LOWEST_HZ * octave.exp2(),
            g: mix(a.g, b.g),
            g_slope: mix(a.g_slope, b.g_slope),
            b: mix(a.b, b.b),
            b_slope: mix(a.b_slope, b.b_slope),
            ratio: mix(a.ratio, b.ratio),
        }
    }

    fn slope_at(&self, octave: f64) -> Around {
        let omega = TAU * LOWEST_HZ * octave.exp2();
        // Slopes over ω by differences: dω = ω·ln 2·d(octave).
        let step = 1e-3;
        let slope = 2.0 * step * omega * LN_2;
        let ([before, drive_before], [here, drive], [after, drive_after]) =
            (self.at(octave - step), self.at(octave), self.at(octave + step));
        let per_drive = |n: Complex64| 1.0 / n.norm_sqr();
        let drives = (per_drive(drive_after) - per_drive(drive_before)) / slope;
        Around {
            omega,
            g: here.re,
            g_slope: (after.re - before.re) / slope,
            b: here.im,
            b_slope: (after.im - before.im) / slope,
            ratio: 0.5 * drives / per_drive(drive),
        }
    }

    /// Capacitance across the tank, without any loss of its own, for which it peaks at `hertz`, farads. Not positive when none does.
    pub fn farads(&self, hertz: f64) -> f64 {
        let around = self.around(hertz);
        around.farads(around.conductances(0.0, 0.0), 0.0)
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
                    let closed: Vec<f64> =
                        bank.iter().filter(|(_, closed)| *closed).map(|(farads, _)| *farads).collect();
                    let q = Response::of(&board, &settings, codes).unwrap().peak(stage).q;
                    assert!((alone.q(whole, part.fixed, &closed) / q - 1.0).abs() < 0.05, "stage {}, {q}", stage + 1);
                    for guess in [0.7, 1.001, 1.3] {
                        let off = cents(whole, alone.peak_near(guess * whole, part.fixed, &bank));
                        assert!(off.abs() < 0.02, "C12 {c12}, stage {}, code {code}: {off} cents", stage + 1);
                    }
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
