//! Rest: nothing comes in, nothing is moved, the taps stand still; then nothing need be solved.
//!
//! ```text
//!   sound ─┐                                  ┌─ sound, an edge, a knob, a pulse …
//!   taps   └~~~──────|───────────|────────────┘
//!            watched: ≤ SPREAD    │ held; once a watch one long step instead of its frames
//! ```
//! The taps are at rest when they have stayed within [`SPREAD`] for a watch of a tenth of a second. Something always goes on:
//! a capacitor behind an open switch leaks for minutes. So a step of a whole watch is solved at its end, and the taps are
//! held at what it gives; one of what is left comes at the end of the rest. Nothing that is held is ever further than
//! −180 dB re 1 V from what solving on would give.

/// Length of a watch, seconds.
const WATCH_SECONDS: f64 = 0.1;
/// How far the taps may move in a watch, volts.
const SPREAD: f64 = 3e-10;

/// Lowest and highest of nothing.
const NOTHING: [[f64; 2]; 3] = [[f64::INFINITY, f64::NEG_INFINITY]; 3];

/// Watches the taps of a chain and counts the frames of rest.
#[derive(Clone, Debug)]
pub(crate) struct Rest {
    /// Frames of a watch.
    watch: usize,
    /// Frames of this one so far.
    frames: usize,
    /// Of each tap.
    range: [[f64; 2]; 3],
    resting: bool,
    /// Frames of rest since the last reset.
    total: u64,
}

impl Rest {
    pub(crate) fn new(rate_hz: f64) -> Self {
        let watch = (WATCH_SECONDS * rate_hz) as usize;
        Self { watch, frames: 0, range: NOTHING, resting: false, total: 0 }
    }

    pub(crate) fn reset(&mut self) {
        self.end();
        self.total = 0;
    }

    pub(crate) fn is_on(&self) -> bool {
        self.resting
    }

    pub(crate) fn total(&self) -> u64 {
        self.total
    }

    /// A frame in which nothing moved was solved, and left the taps here.
    #[inline]
    pub(crate) fn watch(&mut self, taps: [f64; 3]) {
        for (tap, [low, high]) in taps.into_iter().zip(&mut self.range) {
            *low = low.min(tap);
            *high = high.max(tap);
        }
        self.frames += 1;
        if self.frames == self.watch {
            let rests = self.range.iter().all(|[low, high]| high - low <= SPREAD);
            self.end();
            self.resting = rests;
        }
    }

    /// A frame of rest has passed; the frames that one long step must make up for now, if any.
    #[inline]
    pub(crate) fn pass(&mut self) -> usize {
        self.total += 1;
        self.frames += 1;
        if self.frames == self.watch { std::mem::take(&mut self.frames) } else { 0 }
    }

    /// Something moves: the frames of rest that have not been made up for.
    #[inline]
    pub(crate) fn end(&mut self) -> usize {
        let left = if self.resting { self.frames } else { 0 };
        self.range = NOTHING;
        self.frames = 0;
        self.resting = false;
        left
    }
}
