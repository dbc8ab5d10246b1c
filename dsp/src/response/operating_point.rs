//! The DC operating point: Newton on the element list with capacitors open and coils short.
//!
//! ```text
//!   G·x + i(x) = b:   solve (G + i'(xₖ))·xₖ₊₁ = b − i(xₖ) + i'(xₖ)·xₖ   until nothing moves
//! ```
//! A junction's exponential would throw Newton far out, so its step is limited to what its own logarithm allows
//! (L. W. Nagel, SPICE2, Memorandum ERL-M520, 1975, from memory). Where that is not enough, a leak on every node is
//! lowered decade by decade, and at last the sources are raised from zero. Worst case some 10 000 factorisations of a
//! few dozen unknowns; a board that biases takes about ten.

use super::ResponseError;
use super::nodal::{Nodal, across, flow};
use nalgebra::DVector;

const MOST_ITERATIONS: usize = 100;
/// Nothing may move by more than this in the last iteration, volts; one more then reaches rounding.
const SETTLED: f64 = 1e-9;

/// Unknowns and the controlling voltages about which the bends were last laid straight.
#[derive(Clone)]
struct Point {
    x: DVector<f64>,
    controls: Vec<[f64; 2]>,
}

/// Node voltages and branch currents at DC.
pub(super) fn find(nodal: &Nodal) -> Result<DVector<f64>, ResponseError> {
    let start = Point { x: DVector::zeros(nodal.b.len()), controls: vec![[0.0; 2]; nodal.bends.len()] };
    let straight = newton(nodal, &start, 0.0, 1.0);
    let refused = match straight {
        Ok(point) => return Ok(point.x),
        Err(error) => error,
    };
    if let Some(point) = by_leak(nodal, &start).or_else(|| by_supply(nodal, &start)) {
        return Ok(point.x);
    }
    Err(refused)
}

/// A leak from every node to ground that falls by half a decade at a time, then is taken away.
fn by_leak(nodal: &Nodal, start: &Point) -> Option<Point> {
    let mut point = start.clone();
    for half_decade in 0..=26 {
        point = newton(nodal, &point, 10f64.powf(-1.0 - 0.5 * f64::from(half_decade)), 1.0).ok()?;
    }
    newton(nodal, &point, 0.0, 1.0).ok()
}

/// All sources from nothing to full, in steps that halve where Newton does not follow.
fn by_supply(nodal: &Nodal, start: &Point) -> Option<Point> {
    let (mut point, mut share, mut step) = (start.clone(), 0.0, 0.1);
    while share < 1.0 {
        let next = f64::min(share + step, 1.0);
        match newton(nodal, &point, 0.0, next) {
            Ok(reached) => (point, share, step) = (reached, next, 2.0 * step),
            Err(_) if step > 1e-4 => step *= 0.5,
            Err(_) => return None,
        }
    }
    Some(point)
}

fn newton(nodal: &Nodal, from: &Point, leak: f64, share: f64) -> Result<Point, ResponseError> {
    let mut point = from.clone();
    let (mut worst, mut moved) = (0, f64::INFINITY);
    let mut settled = false;
    for _ in 0..MOST_ITERATIONS {
        let mut g = nodal.g.clone();
        let mut b = &nodal.b * share;
        for node in 0..nodal.nodes() {
            g[(node, node)] += leak;
        }
        for (bend, controls) in nodal.bends.iter().zip(&point.controls) {
            for ((current, slopes), way) in bend.law.at(*controls).into_iter().zip(bend.flows) {
                let held = current - slopes[0] * controls[0] - slopes[1] * controls[1];
                for (node, sign) in way.into_iter().zip([1.0, -1.0]) {
                    if let Some(node) = node {
                        b[node] -= sign * held;
                    }
                }
                flow(&mut g, way, bend.controls[0], slopes[0]);
                flow(&mut g, way, bend.controls[1], slopes[1]);
            }
        }
        let x = g.lu().solve(&b).ok_or(ResponseError::Singular)?;
        (worst, moved) = (0..nodal.nodes())
            .map(|node| (node, (x[node] - point.x[node]).abs()))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((0, 0.0));
        let mut limited = false;
        for (bend, controls) in nodal.bends.iter().zip(&mut point.controls) {
            for (n, junction) in bend.law.junctions().into_iter().enumerate() {
                let asked = across(&x, bend.controls[n]);
                let given = junction.map_or(asked, |(vt, is)| limit(asked, controls[n], vt, is));
                limited |= given != asked;
                controls[n] = given;
            }
        }
        point.x = x;
        if settled && !limited {
            return Ok(point);
        }
        settled = moved < SETTLED && !limited;
    }
    Err(ResponseError::NoOperatingPoint { node: nodal.name(worst).to_owned(), volts: moved })
}

/// How far a junction may go from `last` when Newton asks for `asked`: above the knee of its law by the logarithm of
/// the asked current.
fn limit(asked: f64, last: f64, vt: f64, is: f64) -> f64 {
    let knee = vt * (vt / (std::f64::consts::SQRT_2 * is)).ln();
    if asked <= knee || (asked - last).abs() <= 2.0 * vt {
        return asked;
    }
    if last > 0.0 {
        let grown = 1.0 + (asked - last) / vt;
        if grown > 0.0 { last + vt * grown.ln() } else { knee }
    } else {
        vt * (asked / vt).ln().max(1.0)
    }
}
