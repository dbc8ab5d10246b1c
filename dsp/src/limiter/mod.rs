//! The safety limiter: no true peak above the ceiling, nothing touched below it.
//!
//! ```text
//!   in ─┬───────────────────────── delay ───────────────────────×─► out
//!       └─► true peak ─► least gain ─► held ─► let go ─► smoothed ┘
//! ```
//! Both sides get the same gain. It is `ceiling/peak`, less a tenth of a decibel, where the peak exceeds the ceiling,
//! and exactly 1 elsewhere; the least over a window that reaches past the peak on both sides is held, comes back with a
//! time constant of 80 ms, and is smoothed by two moving averages that together are as long as the look-ahead. So it
//! has arrived before the peak does. Gains are whole numbers of 2⁻⁴⁰: the averages never drift, a gain of 1 stays
//! exactly 1, and what needs no limiting comes out bit for bit, only late. (Strong content beyond 0.46 fs counts for
//! more than its samples show, see `peak.rs`: such a signal may be limited a little before its true peak is there.)
//! The delay is 1.4 ms (50 frames at least), on or off; switching only sets the gain to strive for, so it glides.
//! What is not a number, or infinite, is silence; beyond ±1 MV it is cut.
//! Cost: two 48-tap filters a side, constant but for the wedges (bounded by the look-ahead, constant on average); next to
//! nothing while all is far below the ceiling. After such a rest 24 frames of the filters are made up for at once.

mod peak;
mod wedge;

use peak::Peak;
use wedge::Wedge;

/// Look-ahead and detection together, seconds.
const DELAY_SECONDS: f64 = 1.4e-3;

/// Time constant of the gain's way back, seconds.
const RELEASE_SECONDS: f64 = 80e-3;

/// Frames before and after a peak for which its gain holds: the filter that a listener's converter runs over the
/// product of gain and signal then sees one gain around the peak.
const HOLD: usize = 4;

/// Least frames of smoothing.
const LEAST_SMOOTHING: usize = 12;

/// What a peak over the ceiling is brought down to, as a part of the ceiling: −0.1 dB.
const MARGIN: f64 = 0.988_553;

/// Highest ceiling, dB re 1 V.
const CEILING_MOST_DB: f64 = -1.0;

/// Highest level in, volts.
const LEVEL_MOST: f64 = 1e6;

/// A gain of 1.
const UNITY: u64 = 1 << 40;

/// A moving average, kept as its sum: exact.
#[derive(Clone, Debug)]
struct Average {
    last: Box<[u64]>,
    oldest: usize,
    sum: u64,
}

impl Average {
    fn new(length: usize) -> Self {
        Self { last: vec![0; length].into(), oldest: 0, sum: 0 }
    }

    fn fill(&mut self, value: u64) {
        self.last.fill(value);
        self.sum = value * self.last.len() as u64;
    }

    #[inline]
    fn push(&mut self, value: u64) -> u64 {
        self.sum = self.sum + value - std::mem::replace(&mut self.last[self.oldest], value);
        self.oldest = if self.oldest + 1 == self.last.len() { 0 } else { self.oldest + 1 };
        self.sum
    }
}

/// Stereo-linked look-ahead limiter at host rate.
#[derive(Clone, Debug)]
pub struct Limiter {
    on: bool,
    ceiling: f64,
    peak: Peak,
    least: Wedge,
    /// Part of the way back to 1 in a frame.
    release: f64,
    held: u64,
    averages: [Average; 2],
    /// Frames for which the gain wanted has been 1 and held; when it is 1 throughout the averages they stand still.
    untouched: usize,
    delay: Box<[[f64; 2]]>,
    oldest: usize,
    gain: f64,
}

impl Limiter {
    /// At `rate_hz` frames a second, on, ceiling −1 dB re 1 V. Allocates; nothing after it does.
    pub fn new(rate_hz: f64) -> Self {
        let known = Peak::LATENCY + HOLD - 2;
        let latency = ((DELAY_SECONDS * rate_hz).round() as usize).max(known + LEAST_SMOOTHING);
        let smoothing = latency - known;
        // Two averages of lengths a and b make one of a + b − 1.
        let first = usize::midpoint(smoothing, 1);
        let mut limiter = Self {
            on: true,
            ceiling: 0.0,
            peak: Peak::new(),
            least: Wedge::new(smoothing + 2 * HOLD - 1),
            release: -(-1.0 / (RELEASE_SECONDS * rate_hz)).exp_m1(),
            held: UNITY,
            averages: [Average::new(first), Average::new(smoothing + 1 - first)],
            untouched: 0,
            delay: vec![[0.0; 2]; latency].into(),
            oldest: 0,
            gain: 1.0,
        };
        limiter.set(true, CEILING_MOST_DB);
        limiter.reset();
        limiter
    }

    /// Frames by which everything comes out late, on or off.
    pub fn latency_frames(&self) -> usize {
        self.delay.len()
    }

    /// From the next frame on: on or off, and the ceiling in dB re 1 V (at most −1).
    pub fn set(&mut self, on: bool, ceiling_db: f64) {
        self.on = on;
        self.ceiling = decibel(ceiling_db.min(CEILING_MOST_DB));
        self.peak.ignore(self.ceiling);
    }

    /// One frame.
    #[inline]
    pub fn tick(&mut self, frame: [f64; 2]) -> [f64; 2] {
        let frame = frame.map(|x| if x.is_finite() { x.clamp(-LEVEL_MOST, LEVEL_MOST) } else { 0.0 });
        let level = self.peak.push(frame);
        let wanted = if self.on && level > self.ceiling { MARGIN * self.ceiling / level } else { 1.0 };
        if wanted < 1.0 {
            self.untouched = 0;
        }
        if self.untouched <= self.delay.len() {
            self.follow(wanted);
        }

        let delayed = std::mem::replace(&mut self.delay[self.oldest], frame);
        self.oldest = if self.oldest + 1 == self.delay.len() { 0 } else { self.oldest + 1 };
        delayed.map(|x| x * self.gain)
    }

    /// The gain goes on towards the one wanted.
    #[inline]
    fn follow(&mut self, wanted: f64) {
        let least = (self.least.push(wanted) * UNITY as f64) as u64;
        let back = ((UNITY - self.held) as f64 * self.release) as u64 + 1;
        self.held = least.min(self.held + back);
        self.untouched = if self.held == UNITY { self.untouched + 1 } else { 0 };
        let sum = self.averages[0].push(self.held);
        let sum = self.averages[1].push(sum);
        let whole = UNITY * (self.averages[0].last.len() * self.averages[1].last.len()) as u64;
        self.gain = sum as f64 / whole as f64;
    }

    /// Gain now, 0 to 1.
    pub fn gain(&self) -> f64 {
        self.gain
    }

    /// As new, switch and ceiling as they stand.
    pub fn reset(&mut self) {
        self.peak.reset();
        self.least.reset();
        self.held = UNITY;
        self.untouched = 0;
        self.averages[0].fill(UNITY);
        self.averages[1].fill(UNITY * self.averages[0].last.len() as u64);
        self.delay.fill([0.0; 2]);
        self.gain = 1.0;
    }
}

fn decibel(level: f64) -> f64 {
    10_f64.powf(level / 20.0)
}

#[cfg(test)]
mod tests;
