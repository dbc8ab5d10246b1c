//! The exponential of a junction, on several nodes at once, and the limit on its steps.

use wide::f64x4;

/// Above this argument the exponential goes on as its tangent, so that no iterate can overflow; continuous in slope.
/// At 25 °C it is reached at 1.5 V on one germanium junction, far beyond any current the circuit can supply.
const TANGENT: f64 = 60.0;

/// `e^x` for every lane, to 2 units in the last place on −700 … 60; the tangent beyond 60.
///
/// Range reduction `x = n·ln 2 + r`, `|r| ≤ ½ ln 2`, then the Taylor polynomial of degree 13, whose remainder
/// `r¹⁴/14!` is below 5·10⁻¹⁸. No branch and no table, so the lanes run side by side.
#[inline(always)]
pub fn exp<const N: usize>(x: [f64; N]) -> [f64; N] {
    const LOG2_E: f64 = std::f64::consts::LOG2_E;
    // ln 2 in two parts, the first with enough trailing zeros that n·LN2_HIGH is exact (Cody and Waite).
    const LN2_HIGH: f64 = f64::from_bits(0x3fe6_2e42_fee0_0000);
    const LN2_LOW: f64 = 1.908_214_929_270_587_7e-10;
    // Adding and taking away 1.5·2⁵² rounds to the nearest whole number.
    const ROUND: f64 = 6_755_399_441_055_744.0;
    const INVERSE_FACTORIAL: [f64; 14] = {
        let mut table = [1.0; 14];
        let mut n = 1;
        while n < 14 {
            table[n] = table[n - 1] / n as f64;
            n += 1;
        }
        table
    };
    let mut out = [0.0; N];
    for (x, out) in x.chunks(4).zip(out.chunks_mut(4)) {
        let mut given = [0.0; 4];
        given[..x.len()].copy_from_slice(x);
        let given = f64x4::new(given);
        let inside = given.fast_max(f64x4::splat(-700.0)).fast_min(f64x4::splat(TANGENT));
        let shifted = inside * f64x4::splat(LOG2_E) + f64x4::splat(ROUND);
        let n = shifted - f64x4::splat(ROUND);
        let r = (inside - n * f64x4::splat(LN2_HIGH)) - n * f64x4::splat(LN2_LOW);
        // Even and odd powers side by side halve the chain of waiting multiplications.
        let square = r * r;
        let mut even = f64x4::splat(INVERSE_FACTORIAL[12]);
        let mut odd = f64x4::splat(INVERSE_FACTORIAL[13]);
        for k in (0..6).rev() {
            even = even * square + f64x4::splat(INVERSE_FACTORIAL[2 * k]);
            odd = odd * square + f64x4::splat(INVERSE_FACTORIAL[2 * k + 1]);
        }
        let beyond = (given - inside).fast_max(f64x4::splat(0.0));
        let value = ((even + odd * r) * (f64x4::splat(1.0) + beyond)).to_array();
        let shifted = shifted.to_array();
        for lane in 0..out.len() {
            // 2ⁿ: n sits in the low bits of `shifted`.
            out[lane] = value[lane] * f64::from_bits((shifted[lane].to_bits().wrapping_add(1023)) << 52);
        }
    }
    out
}

/// Limits the step of a junction voltage so that Newton neither overflows upwards nor crawls: the rule of circuit
/// simulators (Nagel, `SPICE2`, 1975, from memory). `scale` is `n·V_T`, `critical` the voltage of greatest curvature.
#[inline]
pub fn limited(old: f64, new: f64, scale: f64, critical: f64) -> f64 {
    if new <= critical || (new - old).abs() <= 2.0 * scale {
        return new;
    }
    if old > 0.0 {
        let stretch = 1.0 + (new - old) / scale;
        if stretch > 0.0 { old + scale * stretch.ln() } else { critical }
    } else {
        scale * (new / scale).ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the system's library.
    #[test]
    fn the_lanes_agree_with_the_library_to_two_units_in_the_last_place() {
        let mut worst: f64 = 0.0;
        let mut x = -699.0;
        while x < 60.0 {
            let ours = exp([x, 0.37 * x, -x.abs() * 0.01]);
            for (lane, argument) in [x, 0.37 * x, -x.abs() * 0.01].into_iter().enumerate() {
                worst = worst.max((ours[lane] / argument.exp() - 1.0).abs());
            }
            x += 0.0137;
        }
        assert!(worst < 2.0 * f64::EPSILON, "{worst:e}");
    }

    #[test]
    fn the_tangent_continues_value_and_slope() {
        let e = 1e-7;
        let [below, at, above, far] = exp([TANGENT - e, TANGENT, TANGENT + e, 1e6]);
        approx::assert_relative_eq!((above - at) / (at - below), 1.0, max_relative = 1e-6);
        assert!(far.is_finite() && far > above);
        assert_eq!(exp([-1e9])[0], exp([-700.0])[0]);
    }

    #[test]
    fn a_limited_step_keeps_its_sign_and_small_steps_pass() {
        let (scale, critical) = (0.026, 0.25);
        assert_eq!(limited(0.2, 0.21, scale, critical), 0.21);
        assert_eq!(limited(0.3, -4.0, scale, critical), -4.0);
        let up = limited(0.2, 5.0, scale, critical);
        assert!(up > 0.2 && up < 0.4, "{up}");
        let start = limited(-1.0, 5.0, scale, critical);
        assert!(start > 0.0 && start < 0.3, "{start}");
    }
}
