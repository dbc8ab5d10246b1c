//! Half-band filters: every second tap is zero, so doubling or halving a rate costs half a filter.
//!
//! ```text
//!   in        x₀      x₁      x₂      x₃          h₀(x₁ + x₂) + h₁(x₀ + x₃) + …
//!   out   ·   x₀  ·   x₁  ▲   x₂  ·   x₃          ▲ = the sample half way between x₁ and x₂
//! ```
//! Taps: `h(n) = ½ sinc(n/2)·w(n)`, w a Kaiser window `I₀(β√(1 − (n/2K)²))/I₀(β)`, β = 0.1102(A − 8.7) for A dB
//! (J. F. Kaiser, "Nonrecursive digital filter design using the I₀-sinh window function", Proc. IEEE ISCAS 1974, 20–23;
//! formula from memory). The K tap pairs off the centre are scaled so that DC passes exactly.
//! Cost per output pair: 2K multiplications.

use super::fir::Fir;
use std::f64::consts::PI;

/// Modified Bessel function of the first kind, order 0, by its power series (Abramowitz and Stegun 9.6.12).
pub(super) fn bessel_i0(x: f64) -> f64 {
    let quarter = 0.25 * x * x;
    let mut term = 1.0;
    let mut sum = 1.0;
    for k in 1..200 {
        term *= quarter / f64::from(k * k);
        sum += term;
        if term < 1e-17 * sum {
            break;
        }
    }
    sum
}

/// Taps at the distances 1, 3, 5 … from the centre, doubled: they sum to ½, a pair to 1.
fn taps(pairs: usize, attenuation_db: f64) -> Vec<f64> {
    let beta = 0.1102 * (attenuation_db - 8.7);
    let tap = |k: usize| {
        let n = (2 * k + 1) as f64;
        let place = n / (2 * pairs) as f64;
        (0.5 * PI * n).sin() / (0.5 * PI * n) * bessel_i0(beta * (1.0 - place * place).sqrt())
    };
    let sum: f64 = (0..pairs).map(tap).sum();
    (0..pairs).map(|k| 0.5 * tap(k) / sum).collect()
}

/// Doubles a rate.
#[derive(Clone, Debug)]
pub(super) struct Doubler {
    pairs: usize,
    between: Fir,
}

impl Doubler {
    pub(super) fn new(pairs: usize, attenuation_db: f64) -> Self {
        let after = taps(pairs, attenuation_db);
        let all: Vec<f64> = after.iter().rev().chain(&after).copied().collect();
        Self { pairs, between: Fir::new(&all) }
    }

    /// Samples that it looks at.
    pub(super) fn length(&self) -> usize {
        self.between.length()
    }

    /// Of the window that ends with sample i: the outputs at i − K and i − K + ½.
    #[inline]
    pub(super) fn double(&self, window: &[f64]) -> [f64; 2] {
        [window[window.len() - 1 - self.pairs], self.between.over(window)]
    }
}

#[cfg(test)]
mod tests {
    use super::bessel_i0;

    #[test]
    fn the_kaiser_window_s_bessel_function_agrees_with_scipy() {
        // e^−x I₀(x): scipy.special.i0e.
        for (x, scaled) in [
            (0.0, 1.0),
            (1.0, 0.465_759_607_593_640_43),
            (5.0, 0.183_540_812_609_328_34),
            (10.0, 0.127_833_337_163_428_6),
        ] {
            approx::assert_abs_diff_eq!(f64::exp(-x) * bessel_i0(x), scaled, epsilon = 1e-15);
        }
    }
}
