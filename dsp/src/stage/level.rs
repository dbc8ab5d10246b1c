//! The maps of a group for one length of step: what its tanks and ports answer with, as the switches stand.

use super::tank::{TankStep, Tanks};
use super::{Group, PORTS};
use crate::lanes::{Course, Grid, Number, Task};
use crate::{pace, radau};

/// All that depends on the length of the step and on the switches.
#[derive(Clone, Debug)]
pub(super) struct Level<C: Course> {
    /// By stage and chain.
    pub(super) steps: Vec<Vec<TankStep>>,
    /// By stage.
    pub(super) tanks: Vec<Tanks<C>>,
    pub(super) coupling: Grid<C>,
    /// Tank voltages per current into a tank.
    pub(super) z: [[Grid<C>; 2]; 2],
    /// Port voltages per port current.
    pub(super) ports: [[Grid<C>; PORTS]; PORTS],
    /// Largest resistance that each port looks into, ohms.
    pub(super) ohms: [f64; PORTS],
    /// Volts that a constant ampere of each port moves its tank by over the step.
    pub(super) reach: [C::Lane; PORTS],
    pub(super) made: Made,
}

/// How far a level is ready.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Made {
    /// Its step has another length.
    Nothing,
    /// Its switches stand otherwise.
    Parts,
    All,
}

impl<C: Course> Group<C> {
    /// Z and the ports' maps for the present switches.
    #[cold]
    #[inline(never)]
    pub(super) fn refresh(&mut self, level: usize) {
        C::with(Refresh(self, level));
    }

    #[inline(always)]
    fn remake(&mut self, level: usize) {
        let step = self.step * pace::part(level);
        let level = &mut self.levels[level];
        if level.made == Made::Nothing {
            for (stage, tanks) in self.tanks.iter().enumerate() {
                for (ready, tank) in level.steps[stage].iter_mut().zip(tanks) {
                    *ready = TankStep::of(tank, step);
                }
                level.tanks[stage].take(tanks, &level.steps[stage]);
            }
            level.coupling = Grid::gather(|chain| radau::scaled(&radau::derivative(), self.joined_by[chain] / step));
        }
        let mut whole = [Grid::default(); 2];
        for (stage, tanks) in self.tanks.iter().enumerate() {
            let (steps, switches) = (&mut level.steps[stage], &self.switches[stage]);
            whole[stage] = Grid::gather(|chain| steps[chain].switch(&tanks[chain], &switches[chain]));
            level.tanks[stage].switch(&level.steps[stage]);
        }
        if self.tanks.len() == 2 {
            // Blocks of [[P, −Y], [−Y, Q]]⁻¹ by the Schur complement of Q.
            let y = &level.coupling;
            let q = whole[1].plus(y).inverse();
            let yq = y.times(&q);
            let first = whole[0].plus(y).minus(&yq.times(y)).inverse();
            let across = first.times(&yq);
            let back = q.times(&y.times(&first));
            level.z = [[first, across], [back, q.plus(&back.times(&yq))]];
        } else {
            level.z[0][0] = whole[0].inverse();
        }
        let into: [Grid<C>; PORTS] =
            std::array::from_fn(|q| self.ports.get(q).map_or_else(Grid::default, |port| port.into(level)));
        for (p, port) in self.ports.iter().enumerate() {
            let heard = port.heard(level);
            for (q, other) in self.ports.iter().enumerate() {
                level.ports[p][q] = heard.times(&level.z[port.stage][other.stage]).times(&into[q]);
            }
            level.ports[p][p] = level.ports[p][p].plus(&port.alone(level));
        }
        for (p, port) in self.ports.iter().enumerate() {
            level.ohms[p] = level.ports[p][p].0.iter().map(|column| column.abs().largest()).fold(0.0, f64::max);
            // The first ports are the drivers, whose own voltage is the tank's.
            level.reach[p] = level.ports[port.stage][p].apply(C::splat(1.0)).nodes()[2].abs();
        }
        level.made = Made::All;
    }
}

struct Refresh<'a, C: Course>(&'a mut Group<C>, usize);

impl<C: Course> Task for Refresh<'_, C> {
    type Result = ();
    #[inline(always)]
    fn run(self) {
        self.0.remake(self.1);
    }
}
