//! What the signal is between two internal samples: short fractional-delay filters for the nodes of a step.
//!
//! ```text
//!   samples  ·   ·   ·   j   ·   ·   j+1   ·   ·   ·
//!   nodes                  ▲        ▲    ▲               c = (4 − √6)/10, (4 + √6)/10, 1
//! ```
//! The taps minimise the error energy over the signal's band |ω| ≤ W:
//! `R g = p`, `R(k, l) = sin(W(k − l))/(π(k − l))`, `p(k) = sin(W(k − c))/(π(k − c))`
//! (general least squares design: T. I. Laakso, V. Välimäki, M. Karjalainen, U. K. Laine, "Splitting the unit delay",
//! IEEE Signal Processing Magazine 13 (1996) 30–60; from memory). The windowed sinc of the same length is 20 to 30 dB worse.
//! The node c = 1 is the sample itself. Cost: two filters a step.

use super::NODES;
use super::fir::Fir;
use std::f64::consts::PI;

#[derive(Clone, Debug)]
pub(super) struct NodeFilter {
    /// For the two inner nodes.
    inner: [Fir; 2],
    /// Samples from the end of a step to the end of the window.
    behind: usize,
    pad: usize,
}

impl NodeFilter {
    /// `length` (even) taps for signals up to `band` (radians a sample), `pad` samples late.
    pub(super) fn new(length: usize, band: f64, pad: usize) -> Self {
        let inner = [0, 1].map(|node| Fir::new(&fractional(length, band, NODES[node])));
        Self { inner, behind: length / 2 - 1 + pad, pad }
    }

    /// Samples that it looks at.
    pub(super) fn length(&self) -> usize {
        self.inner[0].length() + self.pad
    }

    /// Of the window that ends with internal sample a: the nodes of the step that starts at sample a − pad − length/2.
    #[inline]
    pub(super) fn nodes(&self, window: &[f64]) -> [f64; 3] {
        let [first, second] = self.inner.each_ref().map(|fir| fir.over(window));
        [first, second, window[window.len() - 1 - self.behind]]
    }
}

/// Least-squares taps for the value at `c` between the two middle samples of `length`, DC exact.
pub(crate) fn fractional(length: usize, band: f64, c: f64) -> Vec<f64> {
    let sinc = |x: f64| if x == 0.0 { band / PI } else { (band * x).sin() / (PI * x) };
    let place = |k: usize| k as f64 - (length / 2 - 1) as f64;
    // Directions that the band does not excite have eigenvalues below rounding: this keeps them at rest.
    let ridge = 1e-15;
    let mut matrix: Vec<Vec<f64>> = (0..length)
        .map(|k| (0..length).map(|l| sinc(place(k) - place(l)) + if k == l { ridge } else { 0.0 }).collect())
        .collect();
    let mut taps: Vec<f64> = (0..length).map(|k| sinc(place(k) - c)).collect();
    // Gaussian elimination; the matrix is positive definite, so no pivoting is needed.
    for k in 0..length {
        for row in k + 1..length {
            let factor = matrix[row][k] / matrix[k][k];
            for l in k..length {
                matrix[row][l] -= factor * matrix[k][l];
            }
            taps[row] -= factor * taps[k];
        }
    }
    for k in (0..length).rev() {
        let known: f64 = (k + 1..length).map(|l| matrix[k][l] * taps[l]).sum();
        taps[k] = (taps[k] - known) / matrix[k][k];
    }
    let sum: f64 = taps.iter().sum();
    taps.iter().map(|tap| tap / sum).collect()
}
