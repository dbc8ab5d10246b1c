//! A germanium transistor: the transport form of Ebers and Moll, with collector–base leakage.
//!
//! ```text
//!   i_c = I_S·(E_f − 1) − (I_S·(1 + 1/β_R) + I_L)·(E_r − 1)       E_f = e^{v_be/(n_F·V_T)}
//!   i_b = I_S/β_F·(E_f − 1) + (I_S/β_R + I_L)·(E_r − 1)           E_r = e^{v_bc/V_T}
//! ```
//! With both junctions far off, `i_c` tends to `I_S/β_R + I_L`: the leakage. Cut-off on one side and collector
//! saturation on the other are the soft clip; nothing else draws it.
//!
//! | parameter | meaning | unit |
//! |---|---|---|
//! | `is` `I_S` | saturation current | A |
//! | `bf` `β_F`, `br` `β_R` | current gains | – |
//! | `nf` `n_F` | emission coefficient | – |
//! | `vt` `V_T` | thermal voltage | V |
//! | `leakage` `I_L` | leakage beyond the junctions' own, as a diode from base to collector | A |
//!
//! J. J. Ebers and J. L. Moll, "Large-signal behavior of junction transistors", Proc. IRE 42 (1954); transport form as
//! in circuit simulators.

use super::junction;
use super::thermal;
use crate::board::Transistor;
use crate::lanes::{Course, MOST_CHAINS, Number};

/// The law of one transistor at one temperature; of several, side by side, when `L` is a pack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Law<L = f64> {
    /// Saturation current, amperes.
    pub(crate) is: L,
    /// Forward current gain.
    pub(crate) bf: L,
    /// Reverse current gain.
    pub(crate) br: L,
    /// Emission coefficient, base–emitter.
    pub(crate) nf: L,
    /// Thermal voltage, volts.
    pub(crate) vt: f64,
    /// Extra collector–base leakage, amperes.
    pub(crate) leakage: L,
    /// Junction voltage below which none carries a picoampere.
    silent: f64,
    /// Voltages of greatest curvature of both junctions.
    critical: [L; 2],
    /// What every evaluation needs: `1/(n_F·V_T)`, `1/β_F`, `I_S/β_R + I_L`, and `I_S` more.
    per_be: L,
    per_bf: L,
    base_reverse: L,
    collector_reverse: L,
}

/// Currents of one transistor, with their derivatives.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Currents<X = f64> {
    /// Into the collector, amperes.
    pub(crate) collector: X,
    /// Into the base, amperes.
    pub(crate) base: X,
    /// ∂`i_c/∂v_be`, siemens.
    pub(crate) collector_by_be: X,
    /// −∂`i_c/∂v_bc`, siemens.
    pub(crate) collector_by_cb: X,
    /// ∂`i_b/∂v_be`, siemens.
    pub(crate) base_by_be: X,
    /// ∂`i_b/∂v_bc`, siemens.
    pub(crate) base_by_bc: X,
}

impl Law {
    /// The law of a board's transistor at a temperature.
    pub(crate) fn of(part: &Transistor, celsius: f64) -> Self {
        let vt = thermal::voltage(celsius);
        let is = part.saturation * thermal::saturation_factor(celsius, thermal::GERMANIUM_GAP);
        let critical = |scale: f64| scale * (scale / (std::f64::consts::SQRT_2 * is)).ln();
        Self {
            is,
            bf: part.forward_gain,
            br: part.reverse_gain,
            nf: part.emission,
            vt,
            leakage: part.leakage * thermal::leakage_factor(celsius),
            silent: 0.0,
            critical: [critical(part.emission * vt), critical(vt)],
            per_be: 0.0,
            per_bf: 0.0,
            base_reverse: 0.0,
            collector_reverse: 0.0,
        }
        .prepared()
    }

    fn prepared(self) -> Self {
        let base_reverse = self.is / self.br + self.leakage;
        let most = self.is + base_reverse;
        Self {
            silent: self.nf.max(1.0) * self.vt * (1e-12 / most).ln(),
            per_be: 1.0 / (self.nf * self.vt),
            per_bf: 1.0 / self.bf,
            base_reverse,
            collector_reverse: self.is + base_reverse,
            ..self
        }
    }

    /// Of every chain's transistor.
    pub(crate) fn gather<C: Course>(mut chain: impl FnMut(usize) -> Self) -> Law<C::Lane> {
        let all: [Self; MOST_CHAINS] = std::array::from_fn(|n| chain(n.min(C::CHAINS - 1)));
        let of = |f: fn(&Self) -> f64| C::lane(|n| f(&all[n]));
        Law {
            is: of(|l| l.is),
            bf: of(|l| l.bf),
            br: of(|l| l.br),
            nf: of(|l| l.nf),
            vt: all[0].vt,
            silent: all.iter().fold(0.0, |least, law| least.min(law.silent)),
            leakage: of(|l| l.leakage),
            critical: [of(|l| l.critical[0]), of(|l| l.critical[1])],
            per_be: of(|l| l.per_be),
            per_bf: of(|l| l.per_bf),
            base_reverse: of(|l| l.base_reverse),
            collector_reverse: of(|l| l.collector_reverse),
        }
    }
}

impl<L: Number<Lane = L>> Law<L> {
    /// Currents under the junction voltages `be` and `bc`.
    #[inline(always)]
    pub(crate) fn currents<X: Number<Lane = L>>(&self, be: X, bc: X) -> Currents<X> {
        let per_bc = X::splat(1.0 / self.vt);
        let (per_be, per_bf, is) = (X::each(self.per_be), X::each(self.per_bf), X::each(self.is));
        let f = is * (be * per_be).exp();
        let forward = f - is;
        let forward_slope = f * per_be;
        // Below −20 V_T the reverse junction adds less than 10⁻¹⁴ A to its leakage.
        let r = if bc.any_above(X::splat(-20.0 * self.vt)) { (bc * per_bc).exp() } else { X::splat(0.0) };
        let base_reverse = X::each(self.base_reverse);
        let collector_reverse = X::each(self.collector_reverse);
        let reverse = r - X::splat(1.0);
        let reverse_slope = r * per_bc;
        Currents {
            collector: forward - collector_reverse * reverse,
            base: forward.mul_add(per_bf, base_reverse * reverse),
            collector_by_be: forward_slope,
            collector_by_cb: collector_reverse * reverse_slope,
            base_by_be: forward_slope * per_bf,
            base_by_bc: base_reverse * reverse_slope,
        }
    }

    /// Limits a step of the base–emitter voltage.
    #[inline(always)]
    pub(crate) fn limited_be<X: Number<Lane = L>>(&self, old: X, new: X) -> X {
        junction::limited(old, new, X::each(self.nf) * X::splat(self.vt), X::each(self.critical[0]))
    }

    /// Limits a step of the base–collector voltage.
    #[inline(always)]
    pub(crate) fn limited_bc<X: Number<Lane = L>>(&self, old: X, new: X) -> X {
        junction::limited(old, new, X::splat(self.vt), X::each(self.critical[1]))
    }

    /// How far a junction moved, volts, where it conducts more than a picoampere.
    #[inline(always)]
    pub(crate) fn moved<X: Number>(&self, old: X, new: X) -> X {
        old.max(new).where_above(X::splat(self.silent), (new - old).abs(), X::splat(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn part(saturation: f64, forward_gain: f64, reverse_gain: f64, emission: f64) -> Transistor {
        Transistor { saturation, forward_gain, reverse_gain, emission, leakage: 0.0 }
    }

    /// B. Holmes, M. Holters, M. van Walstijn, "Comparison of germanium bipolar junction transistor models for real-time
    /// circuit simulation", DAFx-17, table 1 (second-hand): `V_be` = `N·V_t·ln(I_c/I_s` + 1) at `V_t` = 25.5 mV.
    #[test]
    fn base_emitter_voltage_of_fitted_germanium_parts() {
        for (law, amperes, millivolts) in [
            (part(1.423e-6, 307.0, 20.27, 1.022), 0.1e-3, 111.19),
            (part(1.423e-6, 307.0, 20.27, 1.022), 1.0e-3, 170.87),
            (part(20.66e-6, 229.6, 14.66, 1.133), 0.1e-3, 50.99),
            (part(20.66e-6, 229.6, 14.66, 1.133), 1.0e-3, 112.68),
        ] {
            let law = Law { vt: 25.5e-3, ..Law::of(&law, 25.0) }.prepared();
            // Collector tied to base, v_bc = 0: the reverse junction is silent and i_c is the forward law alone.
            let at = law.currents(millivolts * 1e-3, 0.0);
            assert_relative_eq!(at.collector, amperes, max_relative = 3e-4);
            assert_relative_eq!(at.base, amperes / law.bf, max_relative = 3e-4);
        }
    }

    #[test]
    fn derivatives_are_those_of_the_currents_and_the_junctions_are_symmetric_in_transport() {
        let law = Law::of(&Transistor { leakage: 0.3e-6, ..part(2e-6, 90.0, 8.0, 1.0) }, 31.0);
        let e = 1e-7;
        for (be, bc) in [(0.15, -2.0), (0.12, 0.11), (-0.5, 0.05), (-1.0, -1.0)] {
            let [here, up, right] = [(be, bc), (be + e, bc), (be, bc + e)].map(|(be, bc)| law.currents(be, bc));
            let close = |a: f64, b: f64| assert_relative_eq!(a, b, max_relative = 1e-4, epsilon = 1e-12);
            close(here.collector_by_be, (up.collector - here.collector) / e);
            close(here.base_by_be, (up.base - here.base) / e);
            close(-here.collector_by_cb, (right.collector - here.collector) / e);
            close(here.base_by_bc, (right.base - here.base) / e);
        }
        // Both junctions equally forward: the transport current vanishes and only base currents are left.
        let even = law.currents(0.1, 0.1);
        let forward = law.is * ((0.1 / law.vt).exp() - 1.0);
        assert_relative_eq!(even.collector + even.base, forward / law.bf, max_relative = 1e-9);
    }

    #[test]
    fn far_off_only_the_leakage_is_left() {
        let law = Law::of(&Transistor { leakage: 0.3e-6, ..part(2e-6, 90.0, 8.0, 1.02) }, 25.0);
        let off = law.currents(-5.0, -5.0);
        assert_relative_eq!(off.collector, 2e-6 / 8.0 + 0.3e-6, max_relative = 1e-12);
    }
}
