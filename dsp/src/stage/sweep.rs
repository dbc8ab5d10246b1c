//! A sweep's channel within one step, as a current drawn through its capacitor.

use super::Linear;
use crate::board;
use crate::device::Channel;
use crate::lanes::Course;

#[derive(Clone, Debug)]
pub(crate) struct SweepChannel<C: Course> {
    law: Channel<C::Lane>,
    parts: Vec<board::Sweep>,
    gate: C,
}

impl<C: Course> SweepChannel<C> {
    /// One part for every chain.
    pub(crate) fn new(parts: &[board::Sweep], celsius: f64) -> Self {
        Self { law: law::<C>(parts, celsius), parts: parts.to_vec(), gate: C::splat(0.0) }
    }

    pub(crate) fn heat(&mut self, celsius: f64) {
        self.law = law::<C>(&self.parts, celsius);
    }

    #[inline(always)]
    pub(crate) fn start(&mut self, gate: C) {
        self.gate = gate;
    }

    /// Limits a guess of `v_ds` as Newton's own steps are.
    #[inline(always)]
    pub(crate) fn limited(&self, from: C, to: C) -> C {
        self.law.limited(from, to)
    }

    /// At the drain–source voltages `vds`; silent while the channel is off.
    #[inline(always)]
    pub(crate) fn linearise(&self, vds: C) -> Linear<C> {
        if self.law.is_off(self.gate, vds) {
            return Linear::default();
        }
        let (current, by_own) = self.law.current(self.gate, vds);
        Linear { current, by_own, by_bus: C::splat(0.0) }
    }

    /// Takes Newton's step; returns how far it asked to move where the channel conducts, volts: a step that was held back, however
    /// short, has not arrived.
    #[inline(always)]
    pub(crate) fn advance(&self, vds: &mut C, change: C) -> C {
        let asked = *vds + change;
        let silent = self.law.is_off(self.gate, *vds) && self.law.is_off(self.gate, asked);
        let moved = if silent { C::splat(0.0) } else { change.abs() };
        *vds = self.law.limited(*vds, asked);
        moved
    }
}

fn law<C: Course>(parts: &[board::Sweep], celsius: f64) -> Channel<C::Lane> {
    Channel::gather::<C>(|n| Channel::of(&parts[n], celsius))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lanes::{Number, One};

    /// The tank falls far below the sweep capacitor: the body diode's limit holds the guess where the channel is still off, and
    /// that is not where Newton asked to go.
    #[test]
    fn a_step_that_was_held_back_has_not_arrived() {
        let part = board::Sweep { capacitor: 1e-7, transconductance: 2e-3, threshold: 1.0, body_diode: true };
        let mut channel = SweepChannel::<One<wide::f64x4>>::new(&[part], 25.0);
        channel.start(One::splat(-1.0));
        let mut vds = One::splat(1.9);
        let moved = channel.advance(&mut vds, One::splat(-6.15)).largest();
        assert!(vds.largest().abs() < 0.2, "{vds:?}");
        assert!(moved > 6.0, "{moved}");
    }
}
