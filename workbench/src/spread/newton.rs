//! Newton on a few junction voltages.
//!
//! ```text
//!   xₖ₊₁ = xₖ − J(xₖ)⁻¹·r(xₖ),   each junction's step limited to what its own logarithm allows
//! ```
//! The limit is that of circuit simulators (L. W. Nagel, SPICE2, Memorandum ERL-M520, 1975, from memory). A unit that starts
//! from another like it takes some four iterations.

use nalgebra::{SMatrix, SVector};

const MOST_ITERATIONS: usize = 60;
/// Nothing may move by more than this in the last iteration, volts: the error left is its square over the thermal voltage.
const SETTLED: f64 = 1e-8;

/// What a junction's exponential is scaled by, volts, and its saturation current, amperes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Junction {
    pub(super) scale: f64,
    pub(super) saturation: f64,
}

impl Junction {
    /// `e^{v/scale} − 1` and its slope; far beyond any current that flows it goes on as a straight line.
    pub(super) fn exponential(&self, volts: f64) -> (f64, f64) {
        const FAR: f64 = 100.0;
        let x = volts / self.scale;
        let e = x.min(FAR).exp();
        (x.min(FAR).exp_m1() + e * (x - FAR).max(0.0), e / self.scale)
    }

    /// How far it may go when Newton asks for `asked`.
    fn limited(&self, from: f64, asked: f64) -> f64 {
        let Self { scale, saturation } = *self;
        let knee = scale * (scale / (std::f64::consts::SQRT_2 * saturation)).ln();
        if asked <= knee || (asked - from).abs() <= 2.0 * scale {
            return asked;
        }
        if from > 0.0 {
            let grown = 1.0 + (asked - from) / scale;
            if grown > 0.0 { from + scale * grown.ln() } else { knee }
        } else {
            scale * (asked / scale).ln().max(1.0)
        }
    }
}

/// Where nothing is left of the equations; `None` when it does not come to rest.
pub(super) fn settle<const N: usize>(
    from: [f64; N],
    junctions: [Junction; N],
    equations: impl Fn([f64; N]) -> (SVector<f64, N>, SMatrix<f64, N, N>),
) -> Option<[f64; N]> {
    let mut at = from;
    for _ in 0..MOST_ITERATIONS {
        let (left, slopes) = equations(at);
        let step = slopes.try_inverse()? * left;
        let (mut moved, mut limited) = (0.0_f64, false);
        for n in 0..N {
            let asked = at[n] - step[n];
            let given = junctions[n].limited(at[n], asked);
            limited |= given != asked;
            moved = moved.max((given - at[n]).abs());
            at[n] = given;
        }
        if !moved.is_finite() {
            return None;
        }
        if moved < SETTLED && !limited {
            return Some(at);
        }
    }
    None
}
