//! The step: Radau IIA with three nodes, order 5, stiffly accurate and L-stable.
//!
//! ```text
//!   c = ( (4−√6)/10, (4+√6)/10, 1 )        x(cᵢ) = x₀ + h Σⱼ aᵢⱼ·x'(cⱼ)
//!
//!   0 ────●───────────────●───────────────●      nodes inside one step; the last one is its end
//!        c₁              c₂              c₃
//! ```
//! A capacitor is `i = C·u'`; with `D = A⁻¹` and `d = D·(1 1 1)ᵀ` its current at the nodes is
//! `i = C/h·(D·u − d·u₀)`: a resistor network with one 3 × 3 matrix for every branch. A one-step method: nothing has to
//! be restarted at an edge, and a step may be cut into parts at any time. An L-stable step damps what is too fast for it,
//! so nothing rings after an edge.
//!
//! E. Hairer and G. Wanner, Solving Ordinary Differential Equations II, section IV.5 (coefficients from memory, checked
//! below against the order conditions).

/// Values at the three nodes of a step.
pub type Nodes = [f64; 3];
/// A linear map from nodes to nodes.
pub type Map = [[f64; 3]; 3];

const SQRT_6: f64 = 2.449_489_742_783_178;

/// Where the nodes lie in a step.
pub const C: Nodes = [(4.0 - SQRT_6) / 10.0, (4.0 + SQRT_6) / 10.0, 1.0];

/// The method's coefficients `a_ij`.
pub const A: Map = [
    [(88.0 - 7.0 * SQRT_6) / 360.0, (296.0 - 169.0 * SQRT_6) / 1800.0, (-2.0 + 3.0 * SQRT_6) / 225.0],
    [(296.0 + 169.0 * SQRT_6) / 1800.0, (88.0 + 7.0 * SQRT_6) / 360.0, (-2.0 - 3.0 * SQRT_6) / 225.0],
    [(16.0 - SQRT_6) / 36.0, (16.0 + SQRT_6) / 36.0, 1.0 / 9.0],
];

/// The identity.
pub const IDENTITY: Map = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
/// The zero map.
pub const ZERO: Map = [[0.0; 3]; 3];

/// `D = A⁻¹`: derivative at the nodes, times h, of what is zero at the start.
pub fn derivative() -> Map {
    inverse(&A)
}

/// `x·m`.
#[inline(always)]
pub fn scaled(m: &Map, x: f64) -> Map {
    m.map(|row| row.map(|v| v * x))
}

/// `a + b`.
#[inline(always)]
pub fn sum(a: &Map, b: &Map) -> Map {
    std::array::from_fn(|i| std::array::from_fn(|j| a[i][j] + b[i][j]))
}

/// `a − b`.
#[inline(always)]
pub fn difference(a: &Map, b: &Map) -> Map {
    std::array::from_fn(|i| std::array::from_fn(|j| a[i][j] - b[i][j]))
}

/// `a·b`.
#[inline(always)]
pub fn product(a: &Map, b: &Map) -> Map {
    std::array::from_fn(|i| std::array::from_fn(|j| a[i][0] * b[0][j] + a[i][1] * b[1][j] + a[i][2] * b[2][j]))
}

/// `m·x`.
#[inline(always)]
pub fn apply(m: &Map, x: &Nodes) -> Nodes {
    std::array::from_fn(|i| m[i][0] * x[0] + m[i][1] * x[1] + m[i][2] * x[2])
}

/// `m⁻¹` by cofactors; the maps of passive branches are well away from singular.
#[inline(always)]
pub fn inverse(m: &Map) -> Map {
    let minor = |i: usize, j: usize| {
        let (r, c) = ([(i + 1) % 3, (i + 2) % 3], [(j + 1) % 3, (j + 2) % 3]);
        m[r[0]][c[0]] * m[r[1]][c[1]] - m[r[0]][c[1]] * m[r[1]][c[0]]
    };
    let per_determinant = 1.0 / (m[0][0] * minor(0, 0) + m[0][1] * minor(0, 1) + m[0][2] * minor(0, 2));
    std::array::from_fn(|i| std::array::from_fn(|j| minor(j, i) * per_determinant))
}

/// The polynomial through a step's start and its three nodes, at position `s` in the step (0 to 1): its weights.
pub fn weights_at(s: f64) -> [f64; 4] {
    let at = [0.0, C[0], C[1], C[2]];
    std::array::from_fn(|i| (0..4).filter(|&j| j != i).map(|j| (s - at[j]) / (at[i] - at[j])).product())
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Collocation: Σⱼ aᵢⱼ·cⱼᵏ⁻¹ = cᵢᵏ/k for k = 1, 2, 3, and for the last row (the quadrature) up to k = 5.
    #[test]
    fn the_coefficients_meet_their_order_conditions() {
        for i in 0..3 {
            for k in 1..=if i == 2 { 5 } else { 3 } {
                let left: f64 = (0..3).map(|j| A[i][j] * C[j].powi(k - 1)).sum();
                assert_abs_diff_eq!(left, C[i].powi(k) / f64::from(k), epsilon = 1e-15);
            }
        }
    }

    #[test]
    fn an_inverse_undoes_its_map() {
        let both = product(&derivative(), &A);
        for i in 0..3 {
            for j in 0..3 {
                assert_abs_diff_eq!(both[i][j], IDENTITY[i][j], epsilon = 1e-13);
            }
        }
    }

    /// x' = λx: R(z) → 0 as z → −∞ (L-stable), and |R(iω)| ≤ 1.
    #[test]
    fn the_step_damps_what_is_too_fast_and_never_amplifies_a_tank() {
        // Real λ: (I − zA)x = 1.
        let end = |z: f64| {
            let m = difference(&IDENTITY, &scaled(&A, z));
            apply(&inverse(&m), &[1.0; 3])[2]
        };
        assert!(end(-1e6).abs() < 1e-5 && end(-30.0).abs() < 0.1);
        assert_abs_diff_eq!(end(-0.1), (-0.1f64).exp(), epsilon = 1e-9);
        // Imaginary λ: |R|² from the characteristic fraction R(z) = (1 + 2z/5 + z²/20)/(1 − 3z/5 + 3z²/20 − z³/60).
        for n in 0..400 {
            let y = 10f64.powf(f64::from(n) / 100.0 - 2.0);
            let up = (1.0 - y * y / 20.0).powi(2) + (0.4 * y).powi(2);
            let down = (1.0 - 0.15 * y * y).powi(2) + (-0.6 * y + y.powi(3) / 60.0).powi(2);
            assert!(up <= down * (1.0 + 1e-14));
        }
    }

    #[test]
    fn the_polynomial_through_the_nodes_is_exact_for_cubics() {
        let cubic = |s: f64| 1.0 + s * (2.0 + s * (-3.0 + s * 0.5));
        for s in [0.1, 0.25, 0.5, 0.9] {
            let w = weights_at(s);
            let read = w[0] * cubic(0.0) + (0..3).map(|i| w[i + 1] * cubic(C[i])).sum::<f64>();
            assert_abs_diff_eq!(read, cubic(s), epsilon = 1e-14);
        }
    }
}
