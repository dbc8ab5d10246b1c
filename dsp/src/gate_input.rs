//! Gate inputs: a voltage for every line, and the edges in it.
//!
//! ```text
//!    1 V ─ ─ ─ ─ ─ ─ ╱‾‾‾╲ ─ ─ ─ ─╱╲─ ─
//!    volts        ╱       ╲      ╱    ╲       a Schmitt trigger: up at 1 V, down below ½ V, and what lies between
//!   ½ V ─ ─ ─ ─ ╱ ─ ─ ─ ─ ─╲─╱‾╲╱ ─ ─ ─╲      changes nothing, so hum and slow slopes make one edge
//!                   ┌────────┐    ┌─────┐
//!    line ──────────┘        └────┘     └──
//! ```
//! `line = switch XOR keys XOR pattern XOR gate` ([`crate::lines`]); this is one `gate`.
//!
//! An edge is on the frame of the first sample beyond the threshold, as a switch that is turned on that frame. It is not
//! interpolated between two samples: most gates are made of samples to begin with, and theirs would come early.

use crate::lines::Line;

/// From here up a gate is high, volts. Logic of 3.3 and 5 V, and a sample at full scale, are.
pub const RISING_VOLTS: f32 = 1.0;
/// Below it a gate is low, volts.
pub const FALLING_VOLTS: f32 = 0.5;

/// A Schmitt trigger for each line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct GateInput {
    high: u16,
}

impl GateInput {
    /// Whether a line's gate is high.
    pub fn is_high(self, line: Line) -> bool {
        self.high >> line.index() & 1 == 1
    }

    /// Whether the gate may have an edge among these samples, volts: whoever asks first need not hear them one by one.
    #[inline]
    pub fn may_turn(self, line: Line, volts: &[f32]) -> bool {
        if self.is_high(line) {
            volts.iter().any(|volts| *volts < FALLING_VOLTS)
        } else {
            volts.iter().any(|volts| *volts >= RISING_VOLTS)
        }
    }

    /// Hears one sample of a line's gate, volts; says where an edge goes. What is no finite number changes nothing.
    #[inline]
    pub fn hear(&mut self, line: Line, volts: f32) -> Option<bool> {
        let high = self.is_high(line);
        let turns = if high { volts < FALLING_VOLTS } else { volts >= RISING_VOLTS };
        (turns && volts.is_finite()).then(|| {
            self.high ^= 1 << line.index();
            !high
        })
    }

    /// Every gate low.
    pub fn let_go(&mut self) {
        self.high = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn edges(volts: &[f32]) -> Vec<(usize, bool)> {
        let line = Line::of_stage(1, 2);
        // Dirtied: its neighbours are high, and stay so.
        let mut gates = GateInput { high: !(1 << line.index()) };
        let edges = volts.iter().enumerate().filter_map(|(n, volts)| Some((n, gates.hear(line, *volts)?))).collect();
        assert_eq!(gates.high | 1 << line.index(), u16::MAX, "a neighbour heard it");
        edges
    }

    #[test]
    fn a_gate_rises_at_one_volt_and_falls_below_half_a_volt() {
        let below = f32::from_bits(1f32.to_bits() - 1);
        let just = f32::from_bits(0.5f32.to_bits() - 1);
        assert_eq!(edges(&[0.0, below, 1.0, 0.5, 0.99, just, 0.5, below, 5.0]), [(2, true), (5, false), (8, true)]);
        assert_eq!(edges(&[-5.0, 0.7, -5.0, 0.99]), []);
    }

    /// A slope of a volt in 100 samples under 0.2 V of hum: one edge up, one down. Without hysteresis there are many.
    #[test]
    fn a_slow_slope_under_hum_makes_one_edge() {
        let slope = |n: usize| if n < 200 { n as f32 / 100.0 } else { 4.0 - n as f32 / 100.0 };
        let volts: Vec<f32> = (0..400).map(|n| slope(n) + 0.2 * (n as f32 * 0.9).sin()).collect();
        let crossings = volts.windows(2).filter(|pair| (pair[0] < 1.0) != (pair[1] < 1.0)).count();
        assert!(crossings > 4, "the waveform tests nothing");
        let edges = edges(&volts);
        assert_eq!(edges.iter().map(|edge| edge.1).collect::<Vec<_>>(), [true, false]);
        assert!((80..=100).contains(&edges[0].0) && (330..=370).contains(&edges[1].0), "{edges:?}");
    }

    #[test]
    fn what_is_no_finite_number_changes_nothing() {
        let wild = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY];
        assert_eq!(edges(&wild), []);
        assert_eq!(edges(&[&[2.0], &wild[..], &[2.0, 0.0]].concat()), [(0, true), (5, false)]);
    }

    #[test]
    fn a_block_without_an_edge_is_known_beforehand_and_none_with_one_is_missed() {
        let line = Line::HARD;
        let mut state = 1u32;
        let mut still = 0;
        for _ in 0..2000 {
            let mut gates = GateInput { high: (state >> 3) as u16 };
            let volts: [f32; 5] = std::array::from_fn(|_| {
                // A linear congruential generator (the constants of the C standard's example).
                state = state.wrapping_mul(1_103_515_245).wrapping_add(12345);
                (state >> 16 & 0xff) as f32 / 160.0 - 0.1
            });
            let may = gates.may_turn(line, &volts);
            let turned = volts.iter().filter(|volts| gates.hear(line, **volts).is_some()).count() > 0;
            assert!(may || !turned);
            assert!(turned || !may, "finite samples alone are judged exactly");
            still += usize::from(!may);
        }
        assert!((200..1800).contains(&still), "{still}");
    }
}
