//! A MOSFET channel with its body diode: the EKV law with n = 1, source on the rail.
//!
//! ```text
//!   i_d = 2k·V_T²·[F((v_gs − V_th)/V_T) − F((v_gs − V_th − v_ds)/V_T)]      F(x) = ln²(1 + e^{x/2})
//!       − I_D·(e^{−v_ds/V_T} − 1)                                         (body diode, rail to drain)
//! ```
//! Weak, moderate and strong inversion in one law, continuous through `v_ds` = 0. In strong inversion and saturation it is
//! the square law `k/2·(v_gs` − `V_th)²`. A channel with its gate at 0 V still conducts when the drain swings below the rail
//! by the threshold: the two ends are alike.
//!
//! C. C. Enz, F. Krummenacher, E. A. Vittoz, Analog Integrated Circuits and Signal Processing 8 (1995) 83–114 (from
//! memory).

use super::{BODY_DIODE_SATURATION, junction, thermal};
use crate::board::Sweep;

/// The law of one channel at one temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Channel {
    k: f64,
    threshold: f64,
    vt: f64,
    /// Saturation current of the body diode, zero without one.
    diode: f64,
    critical: f64,
}

impl Channel {
    /// The law of a board's sweep at a temperature.
    pub fn of(part: &Sweep, celsius: f64) -> Self {
        let vt = thermal::voltage(celsius);
        let silicon = BODY_DIODE_SATURATION * thermal::saturation_factor(celsius, thermal::SILICON_GAP);
        Self {
            k: part.transconductance,
            threshold: part.threshold,
            vt,
            diode: if part.body_diode { silicon } else { 0.0 },
            critical: vt * (vt / (std::f64::consts::SQRT_2 * silicon)).ln(),
        }
    }

    /// Drain current and its derivative by `v_ds`, amperes and siemens.
    #[inline]
    pub fn current(&self, gate: f64, vds: f64) -> (f64, f64) {
        let over = (gate - self.threshold) / self.vt;
        let (at_source, _) = soft_plus(0.5 * over);
        let (at_drain, slope) = soft_plus(0.5 * (over - vds / self.vt));
        let scale = 2.0 * self.k * self.vt * self.vt;
        let [body] = junction::exp([-vds / self.vt]);
        (
            scale * (at_source * at_source - at_drain * at_drain) - self.diode * (body - 1.0),
            scale * at_drain * slope / self.vt + self.diode * body / self.vt,
        )
    }

    /// Whether the channel carries less than a picoampere wherever `v_ds` stays above `lowest`.
    #[inline]
    pub fn is_off(&self, gate: f64, lowest: f64) -> bool {
        // F(x) ≈ eˣ here: 2k·V_T²·e^{−22} is 7·10⁻¹⁶ A at 2 mA/V².
        let end = gate - self.threshold - lowest.min(0.0);
        end < -22.0 * self.vt && (self.diode == 0.0 || lowest > -8.0 * self.vt)
    }

    /// Limits a step of `v_ds`, which turns the body diode on downwards.
    #[inline]
    pub fn limited(&self, old: f64, new: f64) -> f64 {
        if self.diode > 0.0 { -junction::limited(-old, -new, self.vt, self.critical) } else { new }
    }
}

/// `ln(1 + eᶻ)` and its derivative, without overflow.
#[inline]
fn soft_plus(z: f64) -> (f64, f64) {
    let [tail] = junction::exp([-z.abs()]);
    (z.max(0.0) + tail.ln_1p(), if z > 0.0 { 1.0 / (1.0 + tail) } else { tail / (1.0 + tail) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn channel(k: f64, threshold: f64, body_diode: bool) -> Channel {
        Channel::of(&Sweep { capacitor: 1e-7, transconductance: k, threshold, body_diode }, 25.0)
    }

    /// Textbook square law: K = 10 mA/V², `V_t` = 1.5 V, `V_gs` = 2 V: 1.25 mA in saturation, 200 Ω at `v_ds` → 0. The EKV law
    /// rounds the knee by about a thermal voltage, hence the tolerance; it vanishes with the thermal voltage.
    #[test]
    fn strong_inversion_is_the_square_law() {
        let warm = channel(10e-3, 1.5, false);
        assert_relative_eq!(warm.current(2.0, 1.0).0, 1.25e-3, max_relative = 1e-3);
        assert_relative_eq!(1.0 / warm.current(2.0, 0.0).1, 200.0, max_relative = 1e-3);
        let cold = Channel { vt: 1e-4, ..warm };
        assert_relative_eq!(cold.current(2.0, 1.0).0, 1.25e-3, max_relative = 1e-9);
        assert_relative_eq!(1.0 / cold.current(2.0, 0.0).1, 200.0, max_relative = 1e-9);
    }

    #[test]
    fn the_derivative_is_that_of_the_current_and_the_ends_are_alike() {
        let channel = channel(2e-3, 1.0, true);
        for gate in [0.0, 0.9, 1.1, 2.0] {
            for vds in [-1.5, -0.3, 0.0, 0.05, 0.7] {
                let e = 1e-7;
                let (i, slope) = channel.current(gate, vds);
                let difference = (channel.current(gate, vds + e).0 - i) / e;
                assert_relative_eq!(slope, difference, max_relative = 1e-4, epsilon = 1e-12);
            }
        }
        // Drain and source exchanged: i(v_gs, v_ds) = −i(v_gs − v_ds, −v_ds).
        let bare = Channel { diode: 0.0, ..channel };
        assert_relative_eq!(bare.current(1.3, 0.4).0, -bare.current(0.9, -0.4).0, max_relative = 1e-12);
        assert_eq!(bare.current(1.3, 0.0).0, 0.0);
    }

    #[test]
    fn off_means_off() {
        let channel = channel(2e-3, 1.0, true);
        assert!(channel.is_off(0.0, -0.05) && channel.current(0.0, -0.05).0.abs() < 1e-12);
        assert!(!channel.is_off(0.0, -0.6) && !channel.is_off(0.8, 0.0));
    }
}
