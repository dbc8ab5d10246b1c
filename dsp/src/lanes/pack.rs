//! Four numbers side by side, and the exponential on them.

use super::Number;
use wide::{f64x4, u64x4};

/// Above this argument the exponential goes on as its tangent, so that no iterate can overflow; continuous in slope.
/// At 25 °C it is reached at 1.5 V on one germanium junction, far beyond any current the circuit can supply.
const TANGENT: f64 = 60.0;

/// Something to do with packs. What `run` calls on them is to be inlined into it: only there does the processor's own
/// arithmetic reach.
pub(crate) trait Task {
    type Result;
    /// `#[inline(always)]` in every implementation; a closure cannot ask for it.
    fn run(self) -> Self::Result;
}

/// Four `f64`.
pub(crate) trait Pack: Number<Lane = Self> {
    fn of(numbers: [f64; 4]) -> Self;
    fn array(self) -> [f64; 4];
    /// Does a task with all that the processor can do for these packs.
    #[inline(always)]
    fn with<T: Task>(task: T) -> T::Result {
        task.run()
    }
    /// `self·2ⁿ`, where n stands in the low bits of `shifted`, which is n + 1.5·2⁵².
    fn scaled(self, shifted: Self) -> Self;
}

/// `e^x`, to 2 units in the last place on −700 … 60; the tangent beyond 60.
///
/// Range reduction `x = n·ln 2 + r`, `|r| ≤ ½ ln 2`, then the Taylor polynomial of degree 13, whose remainder
/// `r¹⁴/14!` is below 5·10⁻¹⁸. No branch and no table, so the lanes run side by side.
#[inline(always)]
pub(crate) fn exp<P: Pack>(given: P) -> P {
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
    let inside = given.max(P::splat(-700.0)).min(P::splat(TANGENT));
    let shifted = inside.mul_add(P::splat(LOG2_E), P::splat(ROUND));
    let n = shifted - P::splat(ROUND);
    let r = n.mul_add(P::splat(-LN2_LOW), n.mul_add(P::splat(-LN2_HIGH), inside));
    // Pairs of powers side by side shorten the chain of waiting multiplications (Estrin).
    let square = r * r;
    let fourth = square * square;
    let mut pairs = [P::splat(0.0); 7];
    let mut k = 0;
    while k < 7 {
        pairs[k] = P::splat(INVERSE_FACTORIAL[2 * k + 1]).mul_add(r, P::splat(INVERSE_FACTORIAL[2 * k]));
        k += 1;
    }
    let low = pairs[3].mul_add(square, pairs[2]).mul_add(fourth, pairs[1].mul_add(square, pairs[0]));
    let high = pairs[6].mul_add(fourth, pairs[5].mul_add(square, pairs[4]));
    let value = high.mul_add(fourth * fourth, low);
    let beyond = (given - inside).max(P::splat(0.0));
    beyond.mul_add(value, value).scaled(shifted)
}

impl Pack for f64x4 {
    #[inline(always)]
    fn of(numbers: [f64; 4]) -> Self {
        Self::new(numbers)
    }
    #[inline(always)]
    fn array(self) -> [f64; 4] {
        self.to_array()
    }
    #[inline(always)]
    fn scaled(self, shifted: Self) -> Self {
        let bits: u64x4 = bytemuck::cast(shifted);
        self * bytemuck::cast::<u64x4, Self>((bits + u64x4::splat(1023)) << 52_u32)
    }
}

impl Number for f64x4 {
    type Lane = Self;

    #[inline(always)]
    fn splat(x: f64) -> Self {
        Self::splat(x)
    }
    #[inline(always)]
    fn each(x: Self) -> Self {
        x
    }
    #[inline(always)]
    fn mul_add(self, a: Self, b: Self) -> Self {
        self * a + b
    }
    #[inline(always)]
    fn max(self, other: Self) -> Self {
        self.fast_max(other)
    }
    #[inline(always)]
    fn min(self, other: Self) -> Self {
        self.fast_min(other)
    }
    #[inline(always)]
    fn abs(self) -> Self {
        f64x4::abs(self)
    }
    #[inline(always)]
    fn exp(self) -> Self {
        exp(self)
    }
    #[inline(always)]
    fn where_above(self, other: Self, yes: Self, no: Self) -> Self {
        self.simd_gt(other).bitselect(yes, no)
    }
    #[inline(always)]
    fn any_above(self, other: Self) -> bool {
        self.simd_gt(other).any()
    }
    #[inline(always)]
    fn largest(self) -> f64 {
        let [a, b, c, d] = self.to_array();
        Number::max(Number::max(a, b), Number::max(c, d))
    }
    #[inline(always)]
    fn is_finite(self) -> bool {
        let [a, b, c, d] = (self * Self::splat(0.0)).to_array();
        (a + b) + (c + d) == 0.0
    }
    #[inline(always)]
    fn rarely(args: [Self; 4], f: impl Fn([f64; 4]) -> f64) -> Self {
        let args = args.map(Self::to_array);
        Self::new(std::array::from_fn(|n| f(args.map(|x| x[n]))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check<P: Pack>() {
        let mut worst: f64 = 0.0;
        let mut x = -699.0;
        while x < 60.0 {
            let arguments = [x, 0.37 * x, -0.01 * f64::abs(x), 1e-3 * x];
            let ours = exp(P::of(arguments)).array();
            for (ours, argument) in ours.into_iter().zip(arguments) {
                worst = worst.max((ours / argument.exp() - 1.0).abs());
            }
            x += 0.0137;
        }
        assert!(worst <= 2.0 * f64::EPSILON, "{worst:e}");
        let e = 1e-7;
        let [below, at, above, far] = exp(P::of([TANGENT - e, TANGENT, TANGENT + e, 1e6])).array();
        approx::assert_relative_eq!((above - at) / (at - below), 1.0, max_relative = 1e-6);
        assert!(far.is_finite() && far > above);
        assert_eq!(exp(P::splat(-1e9)).array(), exp(P::splat(-700.0)).array());
    }

    /// Against the system's library; and the tangent continues value and slope.
    #[test]
    fn the_lanes_agree_with_the_library_to_two_units_in_the_last_place() {
        check::<f64x4>();
        #[cfg(target_arch = "x86_64")]
        if super::super::V3::is_here() {
            check::<super::super::V3>();
        }
    }
}
