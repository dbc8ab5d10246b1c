//! Newton over the ports of a group: `(I + Z·G)·Δc = c₀ − Z·i − c` at the three nodes of every port.
//!
//! Only ports that reply to their own voltage enter the system; the voltages of the others follow from it. With one that
//! replies, which is the common case, it is a 3 × 3 in closed form.

use super::port::Port;
use super::{Drive, Group, PORTS};
use crate::radau::{self, Map, Nodes};

impl Group {
    /// One iteration; returns the largest move of a junction, volts.
    #[inline]
    pub(super) fn iterate(&mut self, drive: &Drive<'_>, level: usize) -> f64 {
        let joined = self.tanks.len() == 2;
        let first_tap = self.ports[0].own;
        for port in &mut self.ports {
            let mut bus = drive.bus[port.stage];
            if port.stage == 1 {
                for m in 0..3 {
                    bus[m] += self.link * first_tap[m];
                }
            }
            port.linearise(&bus, drive.rail);
        }
        let link = if joined { self.link } else { 0.0 };
        let system = System { maps: &self.levels[level].ports, ports: &self.ports, link };
        let Some(change) = system.solved() else { return f64::INFINITY };
        // A step that is not a number would pass every comparison below as if nothing had moved.
        if !change.as_flattened().iter().sum::<f64>().is_finite() {
            return f64::INFINITY;
        }
        // Only the second of two joined drivers hears the first tank within the group.
        let heard = change[0].map(|v| v * link);
        let mut moved: f64 = 0.0;
        for (port, change) in self.ports.iter_mut().zip(&change) {
            let bus = if port.stage == 1 { heard } else { [0.0; 3] };
            moved = moved.max(port.advance(change, &bus));
        }
        moved
    }
}

/// The linearised group.
struct System<'a> {
    maps: &'a [[Map; PORTS]; PORTS],
    ports: &'a [Port],
    /// Level from the first tank to the second driver, when both are in the group.
    link: f64,
}

impl System<'_> {
    /// The step of every port's own voltage; `None` when the system is singular.
    #[inline]
    fn solved(&self) -> Option<[Nodes; PORTS]> {
        let mut change = [[0.0; 3]; PORTS];
        let mut live = [0usize; PORTS];
        let mut alive = 0;
        for (p, port) in self.ports.iter().enumerate() {
            change[p] = self.residual(p);
            let ohms = self.maps[p][p][0][0].abs().max(self.maps[p][p][2][2].abs());
            if port.replies(ohms) || (p == 0 && self.link != 0.0) {
                live[alive] = p;
                alive += 1;
            }
        }
        let live = &live[..alive];
        let solved = match alive {
            0 => true,
            1 if self.link == 0.0 => self.solve_one(live[0], &mut change),
            1 | 2 => self.solve::<6>(live, &mut change),
            3 => self.solve::<9>(live, &mut change),
            _ => self.solve::<{ 3 * PORTS }>(live, &mut change),
        };
        solved.then_some(change)
    }

    /// `c₀ − Z·i − c` of port p.
    #[inline]
    fn residual(&self, p: usize) -> Nodes {
        let port = &self.ports[p];
        let mut left: Nodes = std::array::from_fn(|m| port.open[m] - port.own[m]);
        for (q, other) in self.ports.iter().enumerate() {
            // A channel that is off draws exactly nothing.
            if other.linear.current != [0.0; 3] {
                let drop = radau::apply(&self.maps[p][q], &other.linear.current);
                for m in 0..3 {
                    left[m] -= drop[m];
                }
            }
        }
        left
    }

    /// Entry of Z·G: what port p feels at node m when port q's own voltage moves at node n.
    #[inline]
    fn feel(&self, p: usize, m: usize, q: usize, n: usize) -> f64 {
        let own = self.maps[p][q][m][n] * self.ports[q].linear.by_own[n];
        if self.link != 0.0 && q == 0 {
            own + self.maps[p][1][m][n] * self.ports[1].linear.by_bus[n] * self.link
        } else {
            own
        }
    }

    /// One port replies: three unknowns, in closed form; the others follow it.
    #[inline]
    fn solve_one(&self, q: usize, change: &mut [Nodes; PORTS]) -> bool {
        let slope = &self.ports[q].linear.by_own;
        let mut system = self.maps[q][q];
        for (m, row) in system.iter_mut().enumerate() {
            for n in 0..3 {
                row[n] *= slope[n];
            }
            row[m] += 1.0;
        }
        change[q] = radau::apply(&radau::inverse(&system), &change[q]);
        let drawn: Nodes = std::array::from_fn(|n| slope[n] * change[q][n]);
        for p in (0..self.ports.len()).filter(|p| *p != q) {
            let drop = radau::apply(&self.maps[p][q], &drawn);
            for m in 0..3 {
                change[p][m] -= drop[m];
            }
        }
        true
    }

    /// Several reply; R is at least three times their number.
    fn solve<const R: usize>(&self, live: &[usize], change: &mut [Nodes; PORTS]) -> bool {
        let mut system = [[0.0; 3 * PORTS + 1]; R];
        let size = 3 * live.len();
        for (a, &p) in live.iter().enumerate() {
            for m in 0..3 {
                let row = &mut system[3 * a + m];
                for (b, &q) in live.iter().enumerate() {
                    for n in 0..3 {
                        row[3 * b + n] = self.feel(p, m, q, n);
                    }
                }
                row[3 * a + m] += 1.0;
                row[size] = change[p][m];
            }
        }
        if !eliminate(&mut system, size) {
            return false;
        }
        for (a, &p) in live.iter().enumerate() {
            change[p] = std::array::from_fn(|m| system[3 * a + m][size]);
        }
        for p in (0..self.ports.len()).filter(|p| !live.contains(p)) {
            for &q in live {
                for m in 0..3 {
                    for n in 0..3 {
                        change[p][m] -= self.feel(p, m, q, n) * change[q][n];
                    }
                }
            }
        }
        true
    }
}

/// Gauss with row exchange on an augmented system; the solution ends in column `size`. False when it is singular.
fn eliminate<const R: usize, const W: usize>(system: &mut [[f64; W]; R], size: usize) -> bool {
    for k in 0..size {
        let mut pivot = k;
        for row in k + 1..size {
            if system[row][k].abs() > system[pivot][k].abs() {
                pivot = row;
            }
        }
        system.swap(k, pivot);
        let head = system[k];
        if head[k].is_nan() || head[k].abs() < 1e-30 {
            return false;
        }
        let per_pivot = 1.0 / head[k];
        for row in &mut system[k + 1..size] {
            let factor = row[k] * per_pivot;
            if factor != 0.0 {
                for column in k + 1..=size {
                    row[column] -= factor * head[column];
                }
            }
        }
    }
    for k in (0..size).rev() {
        let mut rest = system[k][size];
        for column in k + 1..size {
            rest -= system[k][column] * system[column][size];
        }
        system[k][size] = rest / system[k][k];
    }
    true
}
