//! Temperature: the thermal voltage, saturation current and leakage.
//!
//! ```text
//!   V_T   = k·T/q
//!   I_S   = I_S,25 · (T/T₂₅)³ · exp(E_g/V_T25 − E_g/V_T)     (the saturation current law of circuit simulators)
//!   I_leak = I_leak,25 · 2^((T − T₂₅)/10 K)                   (doubles about every 10 K: common practice)
//! ```
//! | band gap | value | source |
//! |---|---|---|
//! | germanium | 0.67 eV | textbook value, from memory |
//! | silicon | 1.11 eV | textbook value, from memory |

/// Boltzmann's constant, J/K, and the elementary charge, C: exact in the SI of 2019.
const BOLTZMANN: f64 = 1.380_649e-23;
const CHARGE: f64 = 1.602_176_634e-19;

const KELVIN_AT_0_C: f64 = 273.15;
/// Board values hold at this temperature, °C.
pub const NOMINAL_CELSIUS: f64 = 25.0;

/// Band gap of germanium, volts.
pub const GERMANIUM_GAP: f64 = 0.67;
/// Band gap of silicon, volts.
pub const SILICON_GAP: f64 = 1.11;

/// Thermal voltage kT/q, volts.
pub fn voltage(celsius: f64) -> f64 {
    BOLTZMANN / CHARGE * (celsius + KELVIN_AT_0_C)
}

/// Factor on a saturation current that was measured at 25 °C.
pub fn saturation_factor(celsius: f64, gap: f64) -> f64 {
    let ratio = (celsius + KELVIN_AT_0_C) / (NOMINAL_CELSIUS + KELVIN_AT_0_C);
    ratio.powi(3) * (gap / voltage(NOMINAL_CELSIUS) - gap / voltage(celsius)).exp()
}

/// Factor on a leakage current that was measured at 25 °C.
pub fn leakage_factor(celsius: f64) -> f64 {
    ((celsius - NOMINAL_CELSIUS) / 10.0).exp2()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Exact 2019 SI values of k and q (CODATA 2018 defining constants).
    #[test]
    fn the_thermal_voltage_is_that_of_the_si() {
        for (celsius, millivolts) in
            [(0.0, 23.53825), (20.0, 25.26171), (25.0, 25.69258), (27.0, 25.86493), (40.0, 26.98518)]
        {
            approx::assert_abs_diff_eq!(voltage(celsius) * 1e3, millivolts, epsilon = 6e-6);
        }
    }

    /// A germanium junction at constant current loses about 2 mV/K (common practice).
    #[test]
    fn a_germanium_junction_falls_two_millivolts_a_kelvin() {
        let at = |celsius: f64| voltage(celsius) * (1e-3 / (2e-6 * saturation_factor(celsius, GERMANIUM_GAP))).ln();
        let slope = (at(30.0) - at(20.0)) / 10.0;
        assert!((-2.3e-3..-1.7e-3).contains(&slope), "{slope}");
        approx::assert_relative_eq!(leakage_factor(45.0), 4.0, max_relative = 1e-12);
        approx::assert_relative_eq!(saturation_factor(25.0, GERMANIUM_GAP), 1.0, max_relative = 1e-12);
    }
}
