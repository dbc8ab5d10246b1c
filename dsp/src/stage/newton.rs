//! Newton over the ports of a group: `(I + Z·G)·Δc = c₀ − Z·i − c` at the three nodes of every port.
//!
//! Only ports that reply to their own voltage enter the system; the voltages of the others follow from it. It is solved in
//! blocks of 3 × 3, one for each pair of ports; most often there is one block or none.

use super::port::Port;
use super::{Drive, Group, PORTS};
use crate::lanes::{Course, Grid, Task};

impl<C: Course> Group<C> {
    /// One iteration; returns the largest move of a junction, volts.
    #[inline(always)]
    pub(super) fn iterate(&mut self, drive: &Drive<'_, C>, level: usize) -> f64 {
        let joined = self.states.len() == 2;
        let first_tap = self.ports[0].own;
        for port in &mut self.ports {
            let mut bus = drive.bus[port.stage];
            if port.stage == 1 {
                bus = bus + C::splat(self.link) * first_tap;
            }
            port.linearise(bus, drive.rail);
        }
        let link = if joined { self.link } else { 0.0 };
        let level = &self.levels[level];
        let change = System { maps: &level.ports, ohms: &level.ohms, ports: &self.ports, link }.solved();
        let heard = change[0] * C::splat(link);
        let mut moved = C::splat(0.0);
        let mut sum = C::splat(0.0);
        for (port, change) in self.ports.iter_mut().zip(change) {
            // Only the second of two joined drivers hears the first tank within the group.
            let bus = if port.stage == 1 { heard } else { C::splat(0.0) };
            moved = moved.max(port.advance(change, bus));
            sum = sum + change;
        }
        // A step that is not a number would pass every comparison as if nothing had moved.
        if sum.is_finite() { moved.largest() } else { f64::INFINITY }
    }
}

/// The linearised group.
struct System<'a, C: Course> {
    maps: &'a [[Grid<C>; PORTS]; PORTS],
    ohms: &'a [f64; PORTS],
    ports: &'a [Port<C>],
    /// Level from the first tank to the second driver, when both are in the group.
    link: f64,
}

impl<C: Course> System<'_, C> {
    /// The step of every port's own voltage; not finite when the system is singular.
    #[inline(always)]
    fn solved(&self) -> [C; PORTS] {
        let mut change = [C::splat(0.0); PORTS];
        let mut live = [0usize; PORTS];
        let mut alive = 0;
        for (p, port) in self.ports.iter().enumerate() {
            change[p] = self.residual(p);
            if port.replies(self.ohms[p]) || (p == 0 && self.link != 0.0) {
                live[alive] = p;
                alive += 1;
            }
        }
        match alive {
            0 => {}
            1 => self.solve::<1>(&live, alive, &mut change),
            2 => self.solve::<2>(&live, alive, &mut change),
            _ => self.solve_many(&live, alive, &mut change),
        }
        change
    }

    /// `c₀ − Z·i − c` of port p.
    #[inline(always)]
    fn residual(&self, p: usize) -> C {
        let port = &self.ports[p];
        let mut left = port.open - port.own;
        for (q, other) in self.ports.iter().enumerate() {
            if !other.is_silent() {
                left = left - self.maps[p][q].apply(other.linear.current);
            }
        }
        left
    }

    /// Z·G: what port p feels when port q's own voltage moves.
    #[inline(always)]
    fn feel(&self, p: usize, q: usize) -> Grid<C> {
        let own = self.maps[p][q].scaled(self.ports[q].linear.by_own);
        if self.link != 0.0 && q == 0 {
            let heard = self.maps[p][1].scaled(self.ports[1].linear.by_bus * C::splat(-self.link));
            own.minus(&heard)
        } else {
            own
        }
    }

    #[inline(never)]
    fn solve_many(&self, live: &[usize; PORTS], alive: usize, change: &mut [C; PORTS]) {
        C::with(Many(self, live, alive, change));
    }

    /// The ports that reply, at most N, block by block; then those that follow them.
    #[inline(always)]
    fn solve<const N: usize>(&self, live: &[usize; PORTS], alive: usize, change: &mut [C; PORTS]) {
        let live = &live[..alive.min(N)];
        let mut system = [[Grid::<C>::default(); N]; N];
        for (a, &p) in live.iter().enumerate() {
            for (b, &q) in live.iter().enumerate() {
                system[a][b] = self.feel(p, q);
            }
            system[a][a] = system[a][a].plus_identity();
        }
        for k in 0..live.len() {
            let pivot = system[k][k].inverse();
            change[live[k]] = pivot.apply(change[live[k]]);
            for b in k + 1..live.len() {
                system[k][b] = pivot.times(&system[k][b]);
            }
            for a in k + 1..live.len() {
                let factor = system[a][k];
                change[live[a]] = change[live[a]] - factor.apply(change[live[k]]);
                for b in k + 1..live.len() {
                    system[a][b] = system[a][b].minus(&factor.times(&system[k][b]));
                }
            }
        }
        for k in (0..live.len()).rev() {
            for b in k + 1..live.len() {
                change[live[k]] = change[live[k]] - system[k][b].apply(change[live[b]]);
            }
        }
        for p in (0..self.ports.len()).filter(|p| !live.contains(p)) {
            for &q in live {
                let mut left = self.maps[p][q].apply(self.ports[q].linear.by_own * change[q]);
                if self.link != 0.0 && q == 0 {
                    let heard = self.ports[1].linear.by_bus * C::splat(self.link) * change[0];
                    left = left + self.maps[p][1].apply(heard);
                }
                change[p] = change[p] - left;
            }
        }
    }
}

struct Many<'a, 'b, C: Course>(&'a System<'b, C>, &'a [usize; PORTS], usize, &'a mut [C; PORTS]);

impl<C: Course> Task for Many<'_, '_, C> {
    type Result = ();
    #[inline(always)]
    fn run(self) {
        match self.2 {
            3 => self.0.solve::<3>(self.1, self.2, self.3),
            _ => self.0.solve::<PORTS>(self.1, self.2, self.3),
        }
    }
}
