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
use crate::lanes::{Course, MOST_CHAINS, Number};

/// The law of one channel at one temperature; of several, side by side, when `L` is a pack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Channel<L = f64> {
    k: L,
    threshold: L,
    vt: f64,
    /// Saturation current of the body diode, zero without one.
    diode: L,
    critical: f64,
    /// Whether any has a body diode.
    has_diode: bool,
}

impl Channel {
    /// The law of a board's sweep at a temperature.
    pub(crate) fn of(part: &Sweep, celsius: f64) -> Self {
        let vt = thermal::voltage(celsius);
        let silicon = BODY_DIODE_SATURATION * thermal::saturation_factor(celsius, thermal::SILICON_GAP);
        Self {
            k: part.transconductance,
            threshold: part.threshold,
            vt,
            diode: if part.body_diode { silicon } else { 0.0 },
            critical: vt * (vt / (std::f64::consts::SQRT_2 * silicon)).ln(),
            has_diode: part.body_diode,
        }
    }

    /// Of every chain's channel.
    pub(crate) fn gather<C: Course>(mut chain: impl FnMut(usize) -> Self) -> Channel<C::Lane> {
        let all: [Self; MOST_CHAINS] = std::array::from_fn(|n| chain(n.min(C::CHAINS - 1)));
        Channel {
            k: C::lane(|n| all[n].k),
            threshold: C::lane(|n| all[n].threshold),
            vt: all[0].vt,
            diode: C::lane(|n| all[n].diode),
            critical: all[0].critical,
            has_diode: all.iter().any(|channel| channel.has_diode),
        }
    }
}

impl<L: Number<Lane = L>> Channel<L> {
    /// Drain current and its derivative by `v_ds`, amperes and siemens.
    #[inline(always)]
    pub(crate) fn current<X: Number<Lane = L>>(&self, gate: X, vds: X) -> (X, X) {
        let per_vt = X::splat(1.0 / self.vt);
        let half = X::splat(0.5);
        let over = (gate - X::each(self.threshold)) * per_vt;
        let (at_source, _) = soft_plus(half * over);
        let (at_drain, slope) = soft_plus(half * (over - vds * per_vt));
        let scale = X::each(self.k) * X::splat(2.0 * self.vt * self.vt);
        let current = scale * (at_source * at_source - at_drain * at_drain);
        let by_vds = scale * at_drain * slope * per_vt;
        if self.has_diode {
            let diode = X::each(self.diode);
            let body = diode * (-vds * per_vt).exp();
            (current - (body - diode), by_vds + body * per_vt)
        } else {
            (current, by_vds)
        }
    }

    /// Whether every channel carries less than a picoampere at these voltages.
    #[inline(always)]
    pub(crate) fn is_off<X: Number<Lane = L>>(&self, gate: X, vds: X) -> bool {
        // F(x) ≈ eˣ here: 2k·V_T²·e^{−22} is 7·10⁻¹⁶ A at 2 mA/V².
        let end = gate - X::each(self.threshold) - vds.min(X::splat(0.0));
        let blocks = !self.has_diode || !X::splat(-8.0 * self.vt).any_above(vds);
        blocks && !end.any_above(X::splat(-22.0 * self.vt))
    }

    /// Limits a step of `v_ds`, which turns the body diode on downwards.
    #[inline(always)]
    pub(crate) fn limited<X: Number<Lane = L>>(&self, old: X, new: X) -> X {
        if self.has_diode { -junction::limited(-old, -new, X::splat(self.vt), X::splat(self.critical)) } else { new }
    }
}

/// `ln(1 + eᶻ)` and its derivative, without overflow.
#[inline(always)]
fn soft_plus<X: Number>(z: X) -> (X, X) {
    let (zero, one) = (X::splat(0.0), X::splat(1.0));
    let tail = (-z.abs()).exp();
    let share = one / (one + tail);
    (z.max(zero) + ln_one_plus(tail), z.where_above(zero, share, tail * share))
}

/// `ln(1 + t)` for t from 0 to 1, to 4 units in the last place: `2·artanh(t/(2 + t))`, whose argument is at most a third.
#[inline(always)]
fn ln_one_plus<X: Number>(t: X) -> X {
    let y = t / (t + X::splat(2.0));
    let square = y * y;
    let mut sum = X::splat(1.0 / 33.0);
    let mut n = 31;
    while n > 0 {
        sum = sum.mul_add(square, X::splat(1.0 / f64::from(n)));
        n -= 2;
    }
    (y + y) * sum
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
    fn the_logarithm_agrees_with_the_library() {
        for n in 0..=1000 {
            for t in [f64::from(n) * 1e-3, 0.5f64.powi(n)] {
                approx::assert_relative_eq!(ln_one_plus(t), t.ln_1p(), max_relative = 4.0 * f64::EPSILON);
            }
        }
    }

    #[test]
    fn off_means_off() {
        let channel = channel(2e-3, 1.0, true);
        assert!(channel.is_off(0.0, -0.05) && channel.current(0.0, -0.05).0.abs() < 1e-12);
        assert!(!channel.is_off(0.0, -0.6) && !channel.is_off(0.8, 0.0));
    }
}
