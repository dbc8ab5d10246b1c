//! What an edge does to a group: the switches go over, and charge moves at once.

use super::level::Made;
use super::{Group, Switches};
use crate::lanes::Course;

impl<C: Course> Group<C> {
    /// Conductance of the switches of one chain's stage, siemens, as if they went over `late` seconds from now (before, if that
    /// is negative).
    pub(crate) fn switch(&mut self, chain: usize, stage: usize, switches: &Switches, late: f64) {
        if self.switches[stage][chain] != *switches {
            if late != 0.0 {
                self.make_late(chain, stage, switches, late);
            }
            self.switches[stage][chain] = *switches;
            self.edge = true;
            for level in &mut self.levels {
                level.made = level.made.min(Made::Parts);
            }
        }
    }

    /// An edge that comes a little later than now leaves the old conductance G₁ at work instead of the new one, G₂: to first order
    /// in that time t the capacitor behind it gets `(G₁ − G₂)·(v − u)·t` more charge from the tank. Never more than would make
    /// the two equal, however small the capacitor.
    fn make_late(&mut self, chain: usize, stage: usize, switches: &Switches, late: f64) {
        let tank = &self.tanks[stage][chain];
        let state = self.states[stage].chain::<C>(chain);
        let mut given = 0.0;
        for (n, &farads) in tank.bank.capacitors.iter().enumerate() {
            let siemens = self.switches[stage][chain][n] - switches[n];
            if farads > 0.0 && siemens != 0.0 {
                let both = farads * tank.fixed / (farads + tank.fixed);
                let share = -(-(siemens * late).abs() / both).exp_m1();
                let coulombs = both * (state.volts - state.bank[n]) * share * (siemens * late).signum();
                C::set(&mut self.states[stage].bank[n], chain, state.bank[n] + coulombs / farads);
                given += coulombs;
            }
        }
        self.inject(chain, stage, -given);
    }

    /// Charge that an edge pushes into one chain's tank, coulombs: at once onto all that is capacitor alone.
    pub(crate) fn inject(&mut self, chain: usize, stage: usize, coulombs: f64) {
        let fixed = |stage: usize| self.tanks[stage][chain].fixed;
        let mut volts = [0.0; 2];
        if self.tanks.len() == 2 {
            // [[C₁ + C₁₂, −C₁₂], [−C₁₂, C₂ + C₁₂]]·Δv = q
            let (join, other) = (self.joined_by[chain], fixed(1 - stage));
            let determinant = fixed(stage) * other + join * (fixed(stage) + other);
            volts[stage] = coulombs * (other + join) / determinant;
            volts[1 - stage] = coulombs * join / determinant;
        } else {
            volts[0] = coulombs / fixed(0);
        }
        for (state, volts) in self.states.iter_mut().zip(volts) {
            let raised = C::chain(state.volts, chain) + volts;
            C::set(&mut state.volts, chain, raised);
        }
        self.edge = true;
    }
}
