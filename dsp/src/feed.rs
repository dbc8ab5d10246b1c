//! What reaches the chain over one frame, at the nodes of whatever steps the chain takes.
//!
//! ```text
//!   grid of M steps   |··●·····●··|··●·····●··|     given: the nodes of each, and where the frame starts
//!   a longer step     |·····▲···············▲··     read off the cubic through a grid step's start and nodes
//!   a shorter one     |·▲·▲·|
//! ```

use crate::lanes::Course;
use crate::pace::{self, LEVELS};
use crate::radau::{self, Nodes};

/// Channels of a feed: main, jacks of stages 2 and 3, pulse, sweeps of stages 1 to 3.
const CHANNELS: usize = 7;
/// Most steps of the grid.
pub(crate) const MOST: usize = 16;

/// What reaches a chain at the nodes of a step, volts; several chains, side by side, when `C` is that of several.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Feed<C = Nodes> {
    /// Main in.
    pub(crate) main: C,
    /// Jacks of stages 2 and 3.
    pub(crate) jacks: [C; 2],
    /// The exciter's pulse.
    pub(crate) pulse: C,
    /// Gate voltages of the sweeps.
    pub(crate) sweep: [C; 3],
}

impl<C: Course> Feed<C> {
    /// From every chain's feed.
    #[inline(always)]
    pub(crate) fn gather(feeds: &[Feed]) -> Self {
        Self {
            main: C::gather(|n| feeds[n].main),
            jacks: [C::gather(|n| feeds[n].jacks[0]), C::gather(|n| feeds[n].jacks[1])],
            pulse: C::gather(|n| feeds[n].pulse),
            sweep: std::array::from_fn(|stage| C::gather(|n| feeds[n].sweep[stage])),
        }
    }
}

impl Feed {
    #[inline(always)]
    fn of(channel: impl Fn(usize) -> Nodes) -> Self {
        Self {
            main: channel(0),
            jacks: [channel(1), channel(2)],
            pulse: channel(3),
            sweep: [channel(4), channel(5), channel(6)],
        }
    }

    #[inline(always)]
    fn channels(&self) -> [&Nodes; CHANNELS] {
        let [b, c] = &self.jacks;
        let [e, f, g] = &self.sweep;
        [&self.main, b, c, &self.pulse, e, f, g]
    }
}

/// What reaches the chain over one frame.
#[derive(Clone, Debug)]
pub(crate) struct Feeds {
    /// The grid has 2 to this power steps.
    level: usize,
    steps: [Feed; MOST],
    /// Channels at the frame's start.
    start: [f64; CHANNELS],
    /// Per level below the grid's: of each node, the grid step it falls into and the cubic's weights.
    coarser: [[(usize, [f64; 4]); 3]; MOST.ilog2() as usize],
}

impl Feeds {
    /// A grid of 1, 2, 4, 8 or 16 steps, silent.
    pub(crate) fn new(steps: usize) -> Self {
        let level = steps.trailing_zeros() as usize;
        let coarser = std::array::from_fn(|of| {
            std::array::from_fn(|m| {
                let place = radau::C[m] * f64::from(1u32 << level.saturating_sub(of));
                // The end of a step belongs to the grid step that ends there.
                let step = (place.ceil() - 1.0).max(0.0);
                (step as usize, radau::weights_at(place - step))
            })
        });
        Self { level, steps: [Feed::default(); MOST], start: [0.0; CHANNELS], coarser }
    }

    /// The next frame: the nodes of each grid step.
    #[inline]
    pub(crate) fn next(&mut self, step: impl FnMut(usize) -> Feed) {
        let count = 1 << self.level;
        self.start = self.steps[count - 1].channels().map(|nodes| nodes[2]);
        self.steps.iter_mut().take(count).zip((0..).map(step)).for_each(|(place, feed)| *place = feed);
    }

    /// As if `feed` had stood for ever.
    pub(crate) fn settle(&mut self, feed: &Feed) {
        self.steps = [*feed; MOST];
    }

    /// Nodes of the step of level `level` that begins at `tick`.
    #[inline]
    pub(crate) fn at(&self, tick: usize, level: usize) -> Feed {
        let grid_step = tick >> (LEVELS - 1 - self.level);
        if level == self.level {
            return self.steps[grid_step];
        }
        if level < self.level {
            let places = &self.coarser[level];
            return self.read(|m| (grid_step + places[m].0, places[m].1));
        }
        // Within one grid step.
        let length = pace::part(level - self.level);
        let first =
            (tick & ((1 << (LEVELS - 1 - self.level)) - 1)) as f64 / f64::from(1u32 << (LEVELS - 1 - self.level));
        let weights: [[f64; 4]; 3] = std::array::from_fn(|m| radau::weights_at(first + length * radau::C[m]));
        self.read(|m| (grid_step, weights[m]))
    }

    #[inline(always)]
    fn read(&self, place: impl Fn(usize) -> (usize, [f64; 4])) -> Feed {
        let places: [_; 3] = std::array::from_fn(place);
        let steps = places.map(|(step, _)| self.steps[step].channels());
        let starts = places.map(|(step, _)| step.checked_sub(1).map(|before| self.steps[before].channels()));
        Feed::of(|channel| {
            std::array::from_fn(|m| {
                let w = &places[m].1;
                let nodes = steps[m][channel];
                let start = starts[m].map_or(self.start[channel], |before| before[channel][2]);
                w[0] * start + w[1] * nodes[0] + w[2] * nodes[1] + w[3] * nodes[2]
            })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pace::TICKS;
    use approx::assert_abs_diff_eq;

    /// A cubic over every grid step is read exactly at the nodes of steps of every level.
    #[test]
    fn a_cubic_is_read_exactly_at_every_level() {
        let cubic = |channel: usize, t: f64| (channel as f64 + 1.0) * (1.0 + t * (2.0 + t * (0.5 - t)));
        for steps in [1, 2, 4, 8, 16] {
            let mut feeds = Feeds::new(steps);
            for frame in [-1.0, 0.0] {
                feeds.next(|k| {
                    let nodes = radau::C.map(|c| frame + (k as f64 + c) / steps as f64);
                    Feed::of(|channel| nodes.map(|t| cubic(channel, t)))
                });
            }
            for level in 0..8 {
                for n in 0..1usize << level {
                    let tick = n * (TICKS >> level);
                    let feed = feeds.at(tick, level);
                    for (channel, nodes) in feed.channels().into_iter().enumerate() {
                        for m in 0..3 {
                            let t = (n as f64 + radau::C[m]) / f64::from(1u32 << level);
                            assert_abs_diff_eq!(nodes[m], cubic(channel, t), epsilon = 1e-11);
                        }
                    }
                }
            }
        }
    }
}
