//! A sweep's channel within one step, as a current drawn through its capacitor.

use super::Linear;
use crate::board;
use crate::device::Channel;
use crate::radau::Nodes;

#[derive(Clone, Debug)]
pub(crate) struct SweepChannel {
    law: Channel,
    part: board::Sweep,
    gate: Nodes,
}

impl SweepChannel {
    pub(crate) fn new(part: &board::Sweep, celsius: f64) -> Self {
        Self { law: Channel::of(part, celsius), part: *part, gate: [0.0; 3] }
    }

    pub(crate) fn heat(&mut self, celsius: f64) {
        self.law = Channel::of(&self.part, celsius);
    }

    #[inline]
    pub(crate) fn start(&mut self, gate: Nodes) {
        self.gate = gate;
    }

    /// Limits a guess of `v_ds` as Newton's own steps are.
    #[inline]
    pub(crate) fn limited(&self, from: f64, to: f64) -> f64 {
        self.law.limited(from, to)
    }

    /// At the drain–source voltages `vds`; silent while the channel is off.
    #[inline]
    pub(crate) fn linearise(&self, vds: &Nodes) -> Linear {
        let mut linear = Linear::default();
        for m in 0..3 {
            if !self.law.is_off(self.gate[m], vds[m]) {
                (linear.current[m], linear.by_own[m]) = self.law.current(self.gate[m], vds[m]);
            }
        }
        linear
    }

    /// Takes Newton's step; returns its largest change where the channel conducts, volts.
    #[inline]
    pub(crate) fn advance(&self, vds: &mut Nodes, change: &Nodes) -> f64 {
        let mut moved: f64 = 0.0;
        for m in 0..3 {
            let new = self.law.limited(vds[m], vds[m] + change[m]);
            if !(self.law.is_off(self.gate[m], vds[m]) && self.law.is_off(self.gate[m], new)) {
                moved = moved.max((new - vds[m]).abs());
            }
            vds[m] = new;
        }
        moved
    }
}
