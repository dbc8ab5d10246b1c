//! What a bank may sum up to, for its peak to come so near to a target.
//!
//! ```text
//!   peak at p   ⇒   F₋(p) ≤ Σ c(p) ≤ F₊(p)        F: capacitance for which the tank peaks at p, whatever its switches lose
//!   |p − t| ≤ e ⇒   low(e) ≤ Σ c(t) ≤ high(e)     c = C/(1 + (ωRC)²): what a capacitor behind a switch counts for
//! ```
//! Nothing that comes so near lies outside: F₋ and F₊ are over every loss that the closed switches could bring, and a count changes
//! from p to t by no more than that of the largest part. So a search that keeps within them misses nothing.

use super::around::Around;
use super::tank::{KNOWN_HZ, TankAlone};
use std::f64::consts::TAU;

/// Grid of errors, cents.
const STEP: f64 = 5.0;
const STEPS: usize = 240;
/// Nothing farther off is told apart, cents.
pub(super) const FARTHEST: f64 = STEP * STEPS as f64;
/// More than straight lines between the points of the grid err by, cents.
const SLACK: f64 = 0.02;

/// Of one target.
pub(super) struct Reckoning {
    /// By error, in steps: least and most sum.
    within: Vec<[f64; 2]>,
}

impl Reckoning {
    /// `parts` are all that may stand behind a switch, ascending, farads; there are so many `lines`.
    pub(super) fn of(tank: &TankAlone, hertz: f64, parts: &[f64], lines: usize) -> Self {
        let steepest_at = |hertz: f64, whole: f64| {
            let x = |farads: &f64| TAU * hertz * tank.on() * farads;
            parts.iter().rev().map(x).find(|x| x / (1.0 + x * x) <= TAU * hertz * tank.on() * whole).unwrap_or(0.0)
        };
        let at = |cents: f64| -> [f64; 2] {
            let peak = hertz * (cents / 1200.0).exp2();
            if !KNOWN_HZ.contains(&peak) {
                return [f64::NEG_INFINITY, f64::INFINITY];
            }
            let around = tank.around(peak);
            let steepest = steepest_at(peak, Around::MOST * tank.farads(peak).max(0.0));
            let [low, high] = around.farads_within(steepest, lines as f64 / tank.off());
            // What is behind open switches is no part of the sum.
            let low = low - lines as f64 * tank.open_count(peak);
            // From the count at the peak to that at the target, at most as for the steepest.
            let x = steepest * hertz / peak;
            let turn = (1.0 + x * x) / (1.0 + (x * peak / hertz).powi(2));
            [low.max(0.0) * f64::min(1.0 / turn, 1.0), high * f64::max(1.0 / turn, 1.0)]
        };
        let mut within = Vec::with_capacity(STEPS + 1);
        let mut ends = at(0.0);
        within.push(ends);
        for step in 1..=STEPS {
            for cents in [-STEP * step as f64, STEP * step as f64] {
                let [low, high] = at(cents);
                ends = [ends[0].min(low), ends[1].max(high)];
            }
            within.push(ends);
        }
        Self { within }
    }

    /// Least and most sum, when the peak is off by no more than so many cents.
    pub(super) fn window(&self, cents: f64) -> [f64; 2] {
        let place = (cents + SLACK) / STEP;
        let first = place as usize;
        if first >= STEPS {
            return [f64::NEG_INFINITY, f64::INFINITY];
        }
        let part = place - first as f64;
        let [a, b] = [self.within[first], self.within[first + 1]];
        std::array::from_fn(|n| {
            let wider = if b[n].is_finite() { a[n] + part * (b[n] - a[n]) } else { b[n] };
            if part > 0.0 { wider } else { a[n] }
        })
    }

    /// Least error of a peak whose sum is no more than this, cents: it peaks too high.
    pub(super) fn too_high(&self, sum: f64) -> f64 {
        self.error(|[low, _]| low - sum)
    }

    /// Least error of a peak whose sum is no less than this, cents: it peaks too low.
    pub(super) fn too_low(&self, sum: f64) -> f64 {
        self.error(|[_, high]| sum - high)
    }

    /// Where `over`, which falls, comes to nothing.
    fn error(&self, over: impl Fn([f64; 2]) -> f64) -> f64 {
        let next = self.within.partition_point(|ends| over(*ends) > 0.0);
        if next == 0 {
            return 0.0;
        }
        let part = match self.within.get(next).map(|ends| over(*ends)) {
            Some(after) if after.is_finite() => {
                let before = over(self.within[next - 1]);
                before / (before - after)
            }
            _ => 0.0,
        };
        (STEP * ((next - 1) as f64 + part) - SLACK).max(0.0)
    }
}
