//! The sums that a builder does with a slide rule: a tank's third value, its loss, the parts that make it, and the rate of
//! the astable.
//!
//! ```text
//!   f = 1/(2π√(LC))        1/Q = r/X + X/R,   X = 2πfL = √(L/C)
//!
//!        ┌──[ r ]──( L )──┐
//!     ───┼─────[ R ]──────┼───      r: the wire, in series with the coil      R: the core, across it
//!        └──────┤├────────┘
//! ```
//! f is that of L and C alone. With r or R the impedance peaks there; r and R together lift the peak, by at most 216/Q²
//! cents for Q above 3 (2.7 cents at Q 9). The poles' decay is 2πf/(2Q) exactly.

use crate::series::Series;
use std::f64::consts::{LN_10, TAU};
use tritank_dsp::board::Exciter;
use tritank_dsp::exciter::{base_emitter_volts, bias_for_rate, half_period, rate_hz};

/// An interval in cents, 1200 to the octave, positive when `hertz` is above `than`.
pub fn cents(hertz: f64, than: f64) -> f64 {
    1200.0 * (hertz / than).log2()
}

/// Coil and capacitor, and the frequency at which their reactances are equal (Thomson's formula).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tank {
    /// Inductance, henries.
    pub henries: f64,
    /// Capacitance, farads.
    pub farads: f64,
    /// f = 1/(2π√(LC)), hertz.
    pub hertz: f64,
}

impl Tank {
    /// The frequency of a coil (henries) and a capacitor (farads).
    pub fn of_coil_and_capacitor(henries: f64, farads: f64) -> Self {
        Self { henries, farads, hertz: 1.0 / (TAU * (henries * farads).sqrt()) }
    }

    /// The capacitor that a coil (henries) takes at a frequency (hertz).
    pub fn of_coil(henries: f64, hertz: f64) -> Self {
        Self { henries, farads: 1.0 / ((TAU * hertz).powi(2) * henries), hertz }
    }

    /// The coil that a capacitor (farads) takes at a frequency (hertz).
    pub fn of_capacitor(farads: f64, hertz: f64) -> Self {
        Self { henries: 1.0 / ((TAU * hertz).powi(2) * farads), farads, hertz }
    }

    /// Reactance of either part at the tank's frequency, ohms.
    pub fn reactance_ohms(&self) -> f64 {
        (self.henries / self.farads).sqrt()
    }

    /// Q of a tank whose coil has a resistance in series, and one across it, in ohms; `None` is a loss that is not there.
    /// Without either it is infinite.
    pub fn q(&self, series_ohms: Option<f64>, core_ohms: Option<f64>) -> f64 {
        let reactance = self.reactance_ohms();
        1.0 / (series_ohms.map_or(0.0, |ohms| ohms / reactance) + core_ohms.map_or(0.0, |ohms| reactance / ohms))
    }

    /// What a Q means in this tank.
    pub fn loss(&self, q: f64) -> Loss {
        Loss {
            q,
            bandwidth_hz: self.hertz / q,
            // ln 1000 over the decay 2πf/(2Q).
            ring_60db_seconds: (q > 0.5).then(|| 3.0 * LN_10 * 2.0 * q / (TAU * self.hertz)),
            series_ohms: self.reactance_ohms() / q,
            core_ohms: self.reactance_ohms() * q,
        }
    }

    /// The nearest part, the nearest two in parallel and the nearest two in series that take the place of this tank's
    /// coil or capacitor. Pairs are taken from a hundredth to a hundred times the value, every one of them.
    pub fn fits(&self, part: Part, series: Series) -> Vec<Fit> {
        let wanted = match part {
            Part::Coil => self.henries,
            Part::Capacitor => self.farads,
        };
        let values = series.values(wanted / 100.0, wanted * 100.0);
        let fit = |wiring, parts: Vec<f64>, value: f64| {
            let hertz = match part {
                Part::Coil => Self::of_coil_and_capacitor(value, self.farads),
                Part::Capacitor => Self::of_coil_and_capacitor(self.henries, value),
            }
            .hertz;
            let (off_cents, off_percent) = (cents(hertz, self.hertz), 100.0 * (hertz / self.hertz - 1.0));
            Fit { wiring, parts, value, f_hz: hertz, off_cents, off_percent }
        };
        let one = series.nearest(wanted).map(|value| fit(Wiring::One, vec![value], value));
        let pairs = [Wiring::Parallel, Wiring::Series].into_iter().filter_map(|wiring| {
            let together = |a, b| part.together(wiring, a, b);
            nearest_pair(&values, wanted, together).map(|(a, b)| fit(wiring, vec![b, a], together(a, b)))
        });
        one.into_iter().chain(pairs).collect()
    }
}

/// What a Q means.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Loss {
    /// Q, a plain number.
    pub q: f64,
    /// Width of the peak at −3 dB, f/Q, hertz.
    pub bandwidth_hz: f64,
    /// Time in which the ring falls by 60 dB, ln(1000)·2Q/(2πf), seconds; `None` at Q 0.5 and below, where nothing rings.
    pub ring_60db_seconds: Option<f64>,
    /// Resistance in series with the coil that gives this Q by itself, ohms.
    pub series_ohms: f64,
    /// Resistance across the coil that gives this Q by itself, ohms.
    pub core_ohms: f64,
}

/// The part of a tank that is sought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The coil. Two coils are taken to stand apart: none of the field of one goes through the other.
    Coil,
    /// The capacitor.
    Capacitor,
}

impl Part {
    /// Two parts as one. Capacitors add in parallel and coils in series; the other way round their inverses add.
    fn together(self, wiring: Wiring, a: f64, b: f64) -> f64 {
        match (self, wiring) {
            (Self::Capacitor, Wiring::Series) | (Self::Coil, Wiring::Parallel) => a * b / (a + b),
            _ => a + b,
        }
    }
}

/// How parts are joined to make a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Wiring {
    /// One part.
    One,
    /// Two in parallel.
    Parallel,
    /// Two in series.
    Series,
}

/// Parts from the drawer in the place of an exact value.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Fit {
    /// How they are joined.
    pub wiring: Wiring,
    /// The parts, larger first, farads or henries.
    pub parts: Vec<f64>,
    /// What they make together, farads or henries.
    pub value: f64,
    /// Where the tank then stands, hertz.
    pub f_hz: f64,
    /// How far above the frequency asked for, cents.
    pub off_cents: f64,
    /// The same in percent of it.
    pub off_percent: f64,
}

/// The pair (smaller first, the same value twice included) whose value together is nearest in ratio. `together` rises with
/// either part and does not mind their order, so one walk from both ends of the ascending values passes the nearest of all
/// pairs: its cost is one sum a value. Of equally near pairs the more equal one: its tolerances average.
pub(crate) fn nearest_pair(values: &[f64], wanted: f64, together: impl Fn(f64, f64) -> f64) -> Option<(f64, f64)> {
    // Sums that are equal on paper differ in their last bits.
    const EQUALLY_NEAR: f64 = 1e-12;
    let (mut small, mut large) = (0, values.len().checked_sub(1)?);
    let (mut nearest, mut least) = (None, f64::INFINITY);
    loop {
        let ratio = together(values[small], values[large]) / wanted;
        let off = ratio.ln().abs();
        if off <= least + EQUALLY_NEAR {
            (nearest, least) = (Some((values[small], values[large])), off.min(least));
        }
        if small == large {
            return nearest;
        }
        if ratio < 1.0 { small += 1 } else { large -= 1 }
    }
}

/// The astable at one bias.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Rate {
    /// Rate, hertz.
    pub rate_hz: f64,
    /// Bias, volts.
    pub bias_volts: f64,
    /// Base–emitter voltage at which a half ends, volts: with no more bias than this it stands still.
    pub base_emitter_volts: f64,
    /// Supply, volts.
    pub supply_volts: f64,
    /// Temperature, °C.
    pub temperature_celsius: f64,
    /// Long half, seconds.
    pub pause_seconds: f64,
    /// Short half, seconds.
    pub pulse_seconds: f64,
    /// What one millivolt more on the bias does to the rate, cents.
    pub cents_per_millivolt: f64,
    /// What one kelvin more does, cents.
    pub cents_per_kelvin: f64,
}

impl Rate {
    /// The rate that a bias gives. With a bias that starves the astable it is zero, and the halves have no end.
    pub fn of_bias(part: &Exciter, bias_volts: f64, supply_volts: f64, celsius: f64) -> Self {
        let base_emitter = base_emitter_volts(part, celsius);
        let half = |farads| half_period(part.timing * farads, bias_volts, supply_volts, base_emitter, part.saturation);
        let rate = rate_hz(part, bias_volts, supply_volts, celsius);
        Self {
            rate_hz: rate,
            bias_volts,
            base_emitter_volts: base_emitter,
            supply_volts,
            temperature_celsius: celsius,
            pause_seconds: half(part.pause),
            pulse_seconds: half(part.pulse),
            cents_per_millivolt: cents(rate_hz(part, bias_volts + 1e-3, supply_volts, celsius), rate),
            cents_per_kelvin: cents(rate_hz(part, bias_volts, supply_volts, celsius + 1.0), rate),
        }
    }

    /// The bias that a rate (hertz) takes; a rate beyond the board's highest bias gives that bias and its rate.
    pub fn of_rate(part: &Exciter, hertz: f64, supply_volts: f64, celsius: f64) -> Self {
        Self::of_bias(part, bias_for_rate(part, hertz, supply_volts, celsius), supply_volts, celsius)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::{assert_abs_diff_eq, assert_relative_eq};
    use tritank_dsp::board::Board;

    /// Closed forms of 100 mH, 1 µF and 10 kΩ in parallel, cross-checked with a matrix exponential, an implicit
    /// Runge–Kutta solver, a network-analysis and a control library, and a general nodal solver.
    #[test]
    fn a_tank_and_its_loss_are_as_worked_out_on_paper() {
        let tank = Tank::of_coil_and_capacitor(0.1, 1e-6);
        assert_abs_diff_eq!(tank.hertz, 503.29212, epsilon = 5e-6);
        let loss = tank.loss(tank.q(None, Some(10e3)));
        assert_abs_diff_eq!(loss.q, 31.622_777, epsilon = 5e-7);
        assert_abs_diff_eq!(loss.bandwidth_hz, 15.915_494, epsilon = 5e-7);
        assert_abs_diff_eq!(loss.ring_60db_seconds.unwrap(), 138.15511e-3, epsilon = 5e-9);
        // A coil of Q 60 there, 22 kΩ across it: Rp = Q·X, 1/Q = 1/60 + X/22 kΩ (closed forms).
        let coil = tank.loss(60.0);
        assert_abs_diff_eq!(coil.core_ohms, 18_973.666, epsilon = 5e-4);
        let across = 1.0 / (1.0 / coil.core_ohms + 1.0 / 22e3);
        assert_abs_diff_eq!(tank.q(None, Some(across)), 32.21581, epsilon = 5e-6);
        assert_abs_diff_eq!(tank.q(Some(coil.series_ohms), Some(22e3)), 32.21581, epsilon = 5e-6);
    }

    #[test]
    fn any_two_give_the_third_and_back() {
        for henries in [1e-9, 4.7e-3, 0.08, 0.5, 1e3] {
            for farads in [1e-12, 4.7e-9, 100e-9, 1.0] {
                let tank = Tank::of_coil_and_capacitor(henries, farads);
                assert_relative_eq!(Tank::of_coil(henries, tank.hertz).farads, farads, max_relative = 1e-14);
                assert_relative_eq!(Tank::of_capacitor(farads, tank.hertz).henries, henries, max_relative = 1e-14);
                // Both reactances are the same there.
                assert_relative_eq!(TAU * tank.hertz * henries, tank.reactance_ohms(), max_relative = 1e-14);
                assert_relative_eq!(1.0 / (TAU * tank.hertz * farads), tank.reactance_ohms(), max_relative = 1e-14);
            }
        }
    }

    #[test]
    fn q_and_resistance_give_each_other() {
        let tank = Tank::of_coil(0.15, 1500.0);
        for q in [0.6, 9.0, 16.0, 1e4] {
            let loss = tank.loss(q);
            assert_relative_eq!(tank.q(Some(loss.series_ohms), None), q, max_relative = 1e-14);
            assert_relative_eq!(tank.q(None, Some(loss.core_ohms)), q, max_relative = 1e-14);
            // 0.4 of the loss in the wire, 0.6 in the core.
            let both = tank.q(Some(0.4 * loss.series_ohms), Some(loss.core_ohms / 0.6));
            assert_relative_eq!(both, q, max_relative = 1e-14);
        }
        assert_eq!(tank.q(None, None), f64::INFINITY);
        assert_eq!(tank.loss(0.5).ring_60db_seconds, None);
    }

    /// The tank's characteristic equation, (sC + 1/R)(r + sL) + 1 = 0, solved: its poles decay as the ring time says.
    #[test]
    fn the_ring_dies_as_the_poles_do() {
        let tank = Tank::of_coil_and_capacitor(0.5, 51e-9);
        for (r, core) in [(69.8, 23.6e3), (2e3, 1e9), (1e-3, 4e3), (1500.0, 8e3)] {
            let b = r / tank.henries + 1.0 / (core * tank.farads);
            let c = (1.0 + r / core) / (tank.henries * tank.farads);
            assert!(b * b < 4.0 * c, "it rings");
            let ring = tank.loss(tank.q(Some(r), Some(core))).ring_60db_seconds.unwrap();
            assert_relative_eq!((-0.5 * b * ring).exp(), 1e-3, max_relative = 1e-12);
        }
    }

    /// |Z| of coil, core and capacitor, searched for its top on a grid of 0.01 cent.
    #[test]
    fn losses_lift_the_peak_no_more_than_it_says() {
        let tank = Tank::of_coil_and_capacitor(0.5, 51e-9);
        for q in [3.0, 5.0, 9.0, 20.0] {
            for wire in [0.0, 0.2, 0.5, 0.8, 1.0] {
                let loss = tank.loss(q);
                let (r, core) = (wire * loss.series_ohms, loss.core_ohms / (1.0 - wire));
                let admittance = |cents: &f64| {
                    let w = TAU * tank.hertz * (cents / 1200.0).exp2();
                    let coil = num_complex::Complex64::new(r, w * tank.henries).inv();
                    (coil + 1.0 / core + num_complex::Complex64::new(0.0, w * tank.farads)).norm()
                };
                let grid = (-2000..4000).map(|step| f64::from(step) / 100.0);
                let peak = grid.min_by(|a, b| admittance(a).total_cmp(&admittance(b))).unwrap();
                let most = 216.4 / (q * q);
                assert!(peak <= most + 0.01, "Q {q}, {wire} in the wire: {peak} cents, at most {most}");
                assert!(wire != 0.5 || peak > 0.9 * most, "Q {q}: {peak} cents, said is {most}");
                if wire == 0.0 {
                    assert_abs_diff_eq!(peak, 0.0, epsilon = 0.011);
                }
            }
        }
    }

    /// A full search of every pair.
    fn best_of_all(values: &[f64], wanted: f64, together: impl Fn(f64, f64) -> f64) -> f64 {
        let pairs = values.iter().flat_map(|a| values.iter().map(move |b| (*a, *b)));
        pairs.map(|(a, b)| cents(together(a, b), wanted).abs()).fold(f64::INFINITY, f64::min)
    }

    #[test]
    fn no_pair_of_the_series_is_nearer_than_the_one_found() {
        for series in [Series::E3, Series::E12, Series::E24, Series::E96] {
            let mut wanted = 1.017e-9;
            while wanted < 1e-7 {
                let values = series.values(wanted / 100.0, wanted * 100.0);
                for (part, wiring) in [
                    (Part::Capacitor, Wiring::Parallel),
                    (Part::Capacitor, Wiring::Series),
                    (Part::Coil, Wiring::Parallel),
                    (Part::Coil, Wiring::Series),
                ] {
                    let together = |a, b| part.together(wiring, a, b);
                    let (a, b) = nearest_pair(&values, wanted, together).unwrap();
                    let best = best_of_all(&values, wanted, together);
                    assert_abs_diff_eq!(cents(together(a, b), wanted).abs(), best, epsilon = 1e-8);
                }
                wanted *= 1.73;
            }
        }
        assert_eq!(nearest_pair(&[], 1.0, |a, b| a + b), None);
        assert_eq!(nearest_pair(&[2.0], 1.0, |a, b| a + b), Some((2.0, 2.0)));
        // 43 + 51 and 47 + 47 are both 94: two of a kind.
        let values = Series::E24.values(1.0, 1000.0);
        assert_eq!(nearest_pair(&values, 94.0, |a, b| a + b), Some((47.0, 47.0)));
    }

    #[test]
    fn parts_in_a_drawer_make_the_tank_they_say() {
        let tank = Tank::of_coil(80e-3, 2600.0);
        let fits = tank.fits(Part::Capacitor, Series::E24);
        assert_eq!(
            fits.iter().map(|fit| fit.wiring).collect::<Vec<_>>(),
            [Wiring::One, Wiring::Parallel, Wiring::Series]
        );
        assert_eq!(fits[0].parts, [47e-9]);
        assert_relative_eq!(fits[1].value, fits[1].parts.iter().sum(), max_relative = 1e-15);
        let inverse: f64 = fits[2].parts.iter().map(|part| 1.0 / part).sum();
        assert_relative_eq!(fits[2].value, 1.0 / inverse, max_relative = 1e-15);
        for fit in &fits {
            assert_relative_eq!(fit.f_hz, Tank::of_coil_and_capacitor(80e-3, fit.value).hertz, max_relative = 1e-15);
            assert_relative_eq!((fit.off_cents / 1200.0).exp2(), 1.0 + fit.off_percent / 100.0, max_relative = 1e-14);
        }
        // Coils are the mirror: in series they add.
        let tank = Tank::of_capacitor(100e-9, 440.0);
        let fits = tank.fits(Part::Coil, Series::E24);
        assert_relative_eq!(fits[2].value, fits[2].parts.iter().sum(), max_relative = 1e-15);
        // A part 1 % too large: 1200·log₂(1.01)/2 = 8.6 cents too low.
        let off = cents(Tank::of_coil_and_capacitor(0.1, 1.01e-6).hertz, Tank::of_coil_and_capacitor(0.1, 1e-6).hertz);
        assert_abs_diff_eq!(off, -8.6, epsilon = 0.05);
    }

    #[test]
    fn the_astable_is_as_worked_out_on_paper() {
        let part = Exciter { timing: 47e3, pause: 10e-9, pulse: 10e-9, ..Board::built_in().exciter };
        // Closed form ln((2 V_cc − V_be − V_ces)/(V_cc − V_be)), germanium 0.2 V and 0.1 V, bias on the supply.
        for (supply, halves) in [(1.5, 0.73089), (3.0, 0.71085), (9.0, 0.69881)] {
            let rate = Rate::of_bias(&part, supply, supply, 25.0);
            assert_abs_diff_eq!(rate.pause_seconds / 470e-6, halves, epsilon = 5e-6);
            assert_relative_eq!(rate.rate_hz * 2.0 * rate.pulse_seconds, 1.0, max_relative = 1e-14);
            let back = Rate::of_rate(&part, rate.rate_hz, supply, 25.0);
            assert_relative_eq!(back.bias_volts, supply, max_relative = 1e-13);
        }
        // A kelvin takes 2 mV off V_be (common practice): as much as 2 mV on the bias.
        let rate = Rate::of_rate(&part, 1200.0, 3.0, 25.0);
        assert_relative_eq!(rate.cents_per_kelvin, 2.0 * rate.cents_per_millivolt, max_relative = 0.01);
        assert_eq!(Rate::of_bias(&part, 0.1, 3.0, 25.0).rate_hz, 0.0);
    }
}
