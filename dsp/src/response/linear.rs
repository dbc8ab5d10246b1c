//! The circuit laid straight about a point, reduced once so that each frequency costs a few hundred multiplications.
//!
//! ```text
//!   (G + sC)·x = b,   C = U·Vᵀ: one column for each capacitor and coil, scaled by the root of its value
//!   K = G + s₀C,  σ = s − s₀,  M = Vᵀ K⁻¹ U
//!   w = (1 + σM)⁻¹ Vᵀ K⁻¹ b,   y = L·K⁻¹·b − σ·L·K⁻¹·U·w
//! ```
//! M has as many rows as there are capacitors and coils, some two dozen. Its Hessenberg form M = Q H Qᵀ has one row of
//! entries below the diagonal, so a frequency costs r² multiplications. s₀ lies in the middle of the band, where K is
//! well conditioned, while G alone may be singular. The low-rank step is Woodbury's identity, the elimination that of a
//! Hessenberg matrix with row exchanges (G. H. Golub, C. F. Van Loan, Matrix Computations, sections 2.1.4 and 4.3.4,
//! from memory).

use super::nodal::{Nodal, Store, across, flow, sense};
use super::{BUSES, ResponseError, TAPS};
use crate::circuit::{Circuit, Element};
use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;
use std::f64::consts::TAU;

/// Where K is taken, 1/s.
const MIDDLE: f64 = TAU * 1000.0;

#[derive(Clone, Debug)]
pub(super) struct Linear {
    /// H, upper Hessenberg.
    h: DMatrix<f64>,
    /// Qᵀ Vᵀ K⁻¹ b for each bus.
    into: [DVector<f64>; 3],
    /// L K⁻¹ U Q for each tap.
    out: [DVector<f64>; 3],
    /// L K⁻¹ b for each bus, then each tap.
    direct: [[f64; 3]; 3],
}

impl Linear {
    /// The slopes of every law about a point; the gains named in `silent` carry nothing.
    pub(super) fn about(
        nodal: &Nodal,
        circuit: &Circuit,
        point: &DVector<f64>,
        silent: &[&str],
    ) -> Result<Self, ResponseError> {
        let size = point.len();
        let mut k = nodal.g.clone();
        for bend in &nodal.bends {
            let controls = bend.controls.map(|pair| across(point, pair));
            for ((_, slopes), way) in bend.law.at(controls).into_iter().zip(bend.flows) {
                flow(&mut k, way, bend.controls[0], slopes[0]);
                flow(&mut k, way, bend.controls[1], slopes[1]);
            }
        }
        for element in &circuit.elements {
            if let Element::Gain { name, gain, .. } = element
                && silent.contains(&name.as_str())
                && let Some((row, control)) = nodal.gain(name)
            {
                sense(&mut k, row, control, *gain);
            }
        }

        let count = nodal.stores.len();
        let mut u = DMatrix::zeros(size, count);
        let mut v = DMatrix::zeros(size, count);
        for (column, store) in nodal.stores.iter().enumerate() {
            match *store {
                Store::Capacitor { pair, farads } => {
                    for (node, sign) in pair.into_iter().zip([1.0, -1.0]) {
                        if let Some(node) = node {
                            u[(node, column)] = sign * farads.sqrt();
                            v[(node, column)] = sign * farads.sqrt();
                        }
                    }
                }
                Store::Coil { branch, henries, saturation } => {
                    let root = (henries * share_left(point[branch], saturation)).sqrt();
                    u[(branch, column)] = -root;
                    v[(branch, column)] = root;
                }
            }
        }
        k += MIDDLE * &u * v.transpose();

        let mut b = DMatrix::zeros(size, 3);
        for (column, bus) in BUSES.into_iter().enumerate() {
            b[(nodal.row(bus).ok_or(ResponseError::Missing(bus))?, column)] = 1.0;
        }
        let mut l = DMatrix::zeros(3, size);
        for (row, tap) in TAPS.into_iter().enumerate() {
            let ends = circuit.taps.get(tap).ok_or(ResponseError::Missing(tap))?;
            let [p, n] = ends.each_ref().map(|name| nodal.node(name));
            sense(&mut l, row, [p, n], 1.0);
        }

        let lu = k.lu();
        let ku = lu.solve(&u).ok_or(ResponseError::Singular)?;
        let kb = lu.solve(&b).ok_or(ResponseError::Singular)?;
        let (q, h) = (v.transpose() * &ku).hessenberg().unpack();
        let into = q.transpose() * v.transpose() * &kb;
        let out = (&l * &ku * &q).transpose();
        let direct = l * kb;
        Ok(Self {
            h,
            into: std::array::from_fn(|bus| into.column(bus).into_owned()),
            out: std::array::from_fn(|tap| out.column(tap).into_owned()),
            direct: std::array::from_fn(|bus| std::array::from_fn(|tap| direct[(tap, bus)])),
        })
    }

    /// From a bus to each tap.
    pub(super) fn at(&self, bus: usize, hertz: f64) -> [Complex64; 3] {
        let sigma = Complex64::new(-MIDDLE, TAU * hertz);
        let size = self.h.nrows();
        let mut a = self.h.map(|x| sigma * x);
        let mut w = self.into[bus].map(Complex64::from);
        for n in 0..size {
            a[(n, n)] += 1.0;
        }
        for n in 1..size {
            if a[(n, n - 1)].norm_sqr() > a[(n - 1, n - 1)].norm_sqr() {
                a.swap_rows(n - 1, n);
                w.swap_rows(n - 1, n);
            }
            let factor = a[(n, n - 1)] / a[(n - 1, n - 1)];
            for column in n..size {
                let above = a[(n - 1, column)];
                a[(n, column)] -= factor * above;
            }
            let above = w[n - 1];
            w[n] -= factor * above;
        }
        for n in (0..size).rev() {
            let known: Complex64 = (n + 1..size).map(|column| a[(n, column)] * w[column]).sum();
            w[n] = (w[n] - known) / a[(n, n)];
        }
        std::array::from_fn(|tap| {
            self.direct[bus][tap] - sigma * self.out[tap].iter().zip(&w).map(|(l, w)| l * w).sum::<Complex64>()
        })
    }
}

/// Incremental inductance of a saturable coil as a share of its value, at a current:
/// with `i = j + j³/(7·s²)`, `s = ⅞·saturation`, it is `1/(1 + 3j²/(7s²))`.
fn share_left(current: f64, saturation: Option<f64>) -> f64 {
    let Some(saturation) = saturation else { return 1.0 };
    let s = 0.875 * saturation;
    let i = current.abs();
    // Newton from above on a convex, rising law: never overshoots.
    let mut j = i;
    for _ in 0..60 {
        let r = j * j / (7.0 * s * s);
        j -= (j * (1.0 + r) - i) / (1.0 + 3.0 * r);
    }
    1.0 / (1.0 + 3.0 * j * j / (7.0 * s * s))
}
