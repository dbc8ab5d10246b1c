//! The sum of taps and samples, eight at a time.

use wide::f64x4;

/// Taps in a row.
const ROW: usize = 8;

/// A filter's taps, the one for the oldest sample first.
#[derive(Clone, Debug)]
pub(super) struct Fir(Box<[[f64x4; 2]]>);

impl Fir {
    /// As many zeros as whole rows need go before the taps.
    pub(super) fn new(taps: &[f64]) -> Self {
        let mut padded = vec![0.0; taps.len().next_multiple_of(ROW) - taps.len()];
        padded.extend_from_slice(taps);
        let (rows, _) = padded.as_chunks::<4>();
        let (rows, _) = rows.as_chunks::<2>();
        Self(rows.iter().map(|row| row.map(f64x4::new)).collect())
    }

    /// Samples that [`Fir::over`] sees: the number of taps, rounded up to whole rows.
    pub(super) fn length(&self) -> usize {
        ROW * self.0.len()
    }

    /// Over the samples of a window of this length.
    #[inline]
    pub(super) fn over(&self, window: &[f64]) -> f64 {
        let mut sums = [f64x4::ZERO; 2];
        for (taps, samples) in self.0.iter().zip(window.as_chunks::<ROW>().0) {
            let [a, b, c, d, e, f, g, h] = *samples;
            sums[0] += taps[0] * f64x4::new([a, b, c, d]);
            sums[1] += taps[1] * f64x4::new([e, f, g, h]);
        }
        (sums[0] + sums[1]).reduce_add()
    }
}
