//! What keys and touch do to one chain: lines, pitch, loudness, sweeps.
//!
//! ```text
//!   keys down ──┬─► lines of the key table ──┐
//!               ├─► pitch ──► bias           ├─ XOR ─► lines
//!               └─► touch ──► loudness       │
//!                        └──► sweeps         │
//!   switches, codes, score, patterns, gates ─┘ the same for every hand
//! ```

use crate::keys::{Held, KeyTable};
use crate::lines::{Line, Lines, Source};

/// A value within this of where it glides has arrived.
const ARRIVED: f64 = 1e-7;

/// Where velocity and pressure stand on their glides.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Touch {
    /// The part of the pulse's level that velocity leaves at each stage.
    pub(super) loudness: [f64; 3],
    /// 0 to 1.
    pub(super) pressure: f64,
}

/// One hand on one chain.
#[derive(Clone, Debug)]
pub(super) struct Hand {
    pub(super) keys: Held,
    pub(super) lines: Lines,
    /// Seconds by which the last pull on each stage's lines comes after its tick.
    pub(super) late: [f64; 3],
    pub(super) touch: Touch,
    /// Bias of each stage's exciter, volts.
    pub(super) bias: [f64; 3],
    /// Gate voltage of each sweep, all told.
    pub(super) sweeps: [f64; 3],
    /// When it last struck a key, counted over all hands.
    pub(super) struck: u64,
}

impl Default for Hand {
    fn default() -> Self {
        Self {
            keys: Held::default(),
            lines: Lines::default(),
            late: [0.0; 3],
            touch: Touch { loudness: [1.0; 3], pressure: 0.0 },
            bias: [0.0; 3],
            sweeps: [0.0; 3],
            struck: 0,
        }
    }
}

impl Hand {
    /// A key goes down.
    pub(super) fn strike(&mut self, table: &KeyTable, note: u8, velocity: f64, when: u64) {
        let sounded = self.keys.sounds(table);
        self.keys.press(table, note, velocity);
        self.struck = when;
        if !sounded {
            // Out of silence there is nothing to glide from.
            self.arrive(table);
        }
    }

    /// A key goes up.
    pub(super) fn let_go(&mut self, table: &KeyTable, note: u8) {
        self.keys.press(table, note, 0.0);
    }

    /// Pulls or releases a line, so many seconds after the tick at which it is done.
    pub(super) fn pull(&mut self, source: Source, line: Line, on: bool, late: f64) {
        self.lines.set(source, line, on);
        if let Some(stage) = line.stage() {
            self.late[stage] = late;
        }
    }

    /// The lines of the key table, but for one that is being played in.
    pub(super) fn pull_keys(&mut self, learning: bool) {
        self.lines.set_all(Source::Keys, if learning { 0 } else { self.keys.lines() });
    }

    /// The touch stands where it glides to.
    pub(super) fn arrive(&mut self, table: &KeyTable) {
        self.touch = self.aim(table);
    }

    /// A frame of the touch's glide; whether it goes on.
    pub(super) fn glide(&mut self, table: &KeyTable, coefficient: f64) -> bool {
        let (goal, touch) = (self.aim(table), &mut self.touch);
        let now = touch.loudness.iter_mut().chain([&mut touch.pressure]);
        let mut gliding = false;
        for (now, goal) in now.zip(goal.loudness.into_iter().chain([goal.pressure])) {
            if *now != goal {
                let left = goal - *now;
                let near = left.abs() <= ARRIVED;
                *now = if near { goal } else { *now + coefficient * left };
                gliding |= !near;
            }
        }
        gliding
    }

    fn aim(&self, table: &KeyTable) -> Touch {
        Touch { loudness: self.keys.loudness(table), pressure: self.keys.pressure() }
    }
}
