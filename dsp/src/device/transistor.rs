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

/// The law of one transistor at one temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Law {
    /// Saturation current, amperes.
    pub is: f64,
    /// Forward current gain.
    pub bf: f64,
    /// Reverse current gain.
    pub br: f64,
    /// Emission coefficient, base–emitter.
    pub nf: f64,
    /// Thermal voltage, volts.
    pub vt: f64,
    /// Extra collector–base leakage, amperes.
    pub leakage: f64,
    critical: [f64; 2],
}

/// Currents of one transistor at one node, with their derivatives.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Currents {
    /// Into the collector, amperes.
    pub collector: f64,
    /// Into the base, amperes.
    pub base: f64,
    /// ∂`i_c/∂v_be`, siemens.
    pub collector_by_be: f64,
    /// −∂`i_c/∂v_bc`, siemens.
    pub collector_by_cb: f64,
    /// ∂`i_b/∂v_be`, siemens.
    pub base_by_be: f64,
    /// ∂`i_b/∂v_bc`, siemens.
    pub base_by_bc: f64,
}

impl Law {
    /// The law of a board's transistor at a temperature.
    pub fn of(part: &Transistor, celsius: f64) -> Self {
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
            critical: [critical(part.emission * vt), critical(vt)],
        }
    }

    /// Currents at several nodes at once; `be` and `bc` are the junction voltages.
    #[inline(always)]
    pub fn currents<const N: usize>(&self, be: [f64; N], bc: [f64; N]) -> [Currents; N] {
        let (per_be, per_bc) = (1.0 / (self.nf * self.vt), 1.0 / self.vt);
        let forward = junction::exp(be.map(|v| v * per_be));
        // Below −20 V_T the reverse junction adds less than 10⁻¹⁴ A to its leakage.
        let reverse =
            if bc.iter().all(|v| *v < -20.0 * self.vt) { [0.0; N] } else { junction::exp(bc.map(|v| v * per_bc)) };
        let base_reverse = self.is / self.br + self.leakage;
        let collector_reverse = self.is + base_reverse;
        let per_bf = 1.0 / self.bf;
        std::array::from_fn(|m| {
            let (f, r) = (self.is * forward[m], reverse[m]);
            Currents {
                collector: (f - self.is) - collector_reverse * (r - 1.0),
                base: (f - self.is) * per_bf + base_reverse * (r - 1.0),
                collector_by_be: f * per_be,
                collector_by_cb: collector_reverse * r * per_bc,
                base_by_be: f * per_be * per_bf,
                base_by_bc: base_reverse * r * per_bc,
            }
        })
    }

    /// Limits a step of the base–emitter voltage.
    #[inline]
    pub fn limited_be(&self, old: f64, new: f64) -> f64 {
        junction::limited(old, new, self.nf * self.vt, self.critical[0])
    }

    /// Limits a step of the base–collector voltage.
    #[inline]
    pub fn limited_bc(&self, old: f64, new: f64) -> f64 {
        junction::limited(old, new, self.vt, self.critical[1])
    }

    /// A junction below this voltage carries less than 10⁻⁵ of its saturation current, and its steps do not matter.
    #[inline]
    pub fn off_below(&self) -> f64 {
        -12.0 * self.vt
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
            let law = Law { vt: 25.5e-3, ..Law::of(&law, 25.0) };
            // Collector tied to base, v_bc = 0: the reverse junction is silent and i_c is the forward law alone.
            let [at] = law.currents([millivolts * 1e-3], [0.0]);
            assert_relative_eq!(at.collector, amperes, max_relative = 3e-4);
            assert_relative_eq!(at.base, amperes / law.bf, max_relative = 3e-4);
        }
    }

    #[test]
    fn derivatives_are_those_of_the_currents_and_the_junctions_are_symmetric_in_transport() {
        let law = Law::of(&Transistor { leakage: 0.3e-6, ..part(2e-6, 90.0, 8.0, 1.0) }, 31.0);
        let e = 1e-7;
        for (be, bc) in [(0.15, -2.0), (0.12, 0.11), (-0.5, 0.05), (-1.0, -1.0)] {
            let [here, up, right] = law.currents([be, be + e, be], [bc, bc, bc + e]);
            let close = |a: f64, b: f64| assert_relative_eq!(a, b, max_relative = 1e-4, epsilon = 1e-12);
            close(here.collector_by_be, (up.collector - here.collector) / e);
            close(here.base_by_be, (up.base - here.base) / e);
            close(-here.collector_by_cb, (right.collector - here.collector) / e);
            close(here.base_by_bc, (right.base - here.base) / e);
        }
        // Both junctions equally forward: the transport current vanishes and only base currents are left.
        let [even] = law.currents([0.1], [0.1]);
        let forward = law.is * ((0.1 / law.vt).exp() - 1.0);
        assert_relative_eq!(even.collector + even.base, forward / law.bf, max_relative = 1e-9);
    }

    #[test]
    fn far_off_only_the_leakage_is_left() {
        let law = Law::of(&Transistor { leakage: 0.3e-6, ..part(2e-6, 90.0, 8.0, 1.02) }, 25.0);
        let [off] = law.currents([-5.0], [-5.0]);
        assert_relative_eq!(off.collector, 2e-6 / 8.0 + 0.3e-6, max_relative = 1e-12);
    }
}
