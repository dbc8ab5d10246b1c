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

/// Channels of a feed: main and the jacks of stages 2 and 3, sweeps of stages 1 to 3, their pulses.
const CHANNELS: usize = 9;
/// Channel of the first sweep.
pub(crate) const SWEEPS: usize = 3;
/// Channel of the first stage's pulse, and of the others' as long as there is one for all.
pub(crate) const PULSES: usize = 6;
/// Most steps of the grid.
const MOST: usize = 16;

/// What reaches a chain at the nodes of a step, volts; several chains, side by side, when `C` is that of several.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Feed<C = Nodes> {
    /// Main in.
    pub(crate) main: C,
    /// Jacks of stages 2 and 3.
    pub(crate) jacks: [C; 2],
    /// Gate voltages of the sweeps.
    pub(crate) sweep: [C; 3],
    /// The exciter's pulse on each stage's bus.
    pub(crate) pulse: [C; 3],
}

impl<C: Course> Feed<C> {
    /// From every chain's feed.
    #[inline(always)]
    pub(crate) fn gather(feeds: &[Feed]) -> Self {
        Self {
            main: C::gather(|n| feeds[n].main),
            jacks: [C::gather(|n| feeds[n].jacks[0]), C::gather(|n| feeds[n].jacks[1])],
            sweep: std::array::from_fn(|stage| C::gather(|n| feeds[n].sweep[stage])),
            pulse: std::array::from_fn(|stage| C::gather(|n| feeds[n].pulse[stage])),
        }
    }
}

impl Feed {
    #[inline(always)]
    fn of(apart: bool, channel: impl Fn(usize) -> Nodes) -> Self {
        let first = channel(PULSES);
        Self {
            main: channel(0),
            jacks: [channel(1), channel(2)],
            sweep: [channel(3), channel(4), channel(5)],
            pulse: if apart { [first, channel(PULSES + 1), channel(PULSES + 2)] } else { [first; 3] },
        }
    }

    #[inline(always)]
    fn channels(&self) -> [&Nodes; CHANNELS] {
        let [b, c] = &self.jacks;
        let [d, e, f] = &self.sweep;
        let [g, h, i] = &self.pulse;
        [&self.main, b, c, d, e, f, g, h, i]
    }
}

/// What reaches the chain over one frame.
#[derive(Clone, Debug)]
pub(crate) struct Feeds {
    /// The grid has 2 to this power steps.
    level: usize,
    channels: [Channel; CHANNELS],
    /// Whether each stage has a pulse of its own.
    apart: bool,
    /// Per level below the grid's: of each node, the grid step it falls into and the cubic's weights.
    coarser: [[Place; 3]; MOST.ilog2() as usize],
}

/// One channel over the frame.
#[derive(Clone, Copy, Debug)]
struct Channel {
    /// Where the frame starts, then the nodes of each grid step: three places behind where a step starts it ends.
    nodes: [f64; 1 + 3 * MOST],
    /// Whether all of these are one value.
    held: bool,
}

/// A place in the frame: the grid step it falls into, and the weights of that step's cubic there.
type Place = (usize, [f64; 4]);

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
        Self { level, channels: [Channel { nodes: [0.0; 1 + 3 * MOST], held: true }; CHANNELS], apart: false, coarser }
    }

    /// The next frame of a channel: `write` sets the nodes of the grid, three a step, or returns false and leaves them, when
    /// the channel stays where it is.
    #[inline]
    pub(crate) fn next(&mut self, channel: usize, write: impl FnOnce(&mut [f64]) -> bool) {
        let channel = &mut self.channels[channel];
        let end = 3 << self.level;
        let start = channel.nodes[end];
        if write(&mut channel.nodes[1..=end]) {
            channel.nodes[0] = start;
            channel.held = false;
        } else if !channel.held {
            channel.nodes.fill(start);
            channel.held = true;
        }
    }

    /// From the next frame on each stage has a pulse of its own, or all have one.
    pub(crate) fn part(&mut self, apart: bool) {
        if apart && !self.apart {
            let first = self.channels[PULSES];
            self.channels[PULSES + 1..].fill(first);
        }
        self.apart = apart;
    }

    /// Whether every channel stays where it is throughout the frame; the pulses, if any is `heard`, at zero.
    #[inline]
    pub(crate) fn are_still(&self, heard: bool) -> bool {
        let (others, pulses) = self.channels.split_at(PULSES);
        let pulses = if self.apart { pulses } else { &pulses[..1] };
        others.iter().all(|channel| channel.held)
            && (!heard || pulses.iter().all(|pulse| pulse.held && pulse.nodes[0] == 0.0))
    }

    /// As if `feed` had stood in every step of the grid for ever.
    pub(crate) fn settle(&mut self, feed: &Feed) {
        for (channel, nodes) in self.channels.iter_mut().zip(feed.channels()) {
            channel.nodes[0] = nodes[2];
            channel.nodes[1..].as_chunks_mut::<3>().0.fill(*nodes);
            channel.held = *nodes == [nodes[2]; 3];
        }
    }

    /// Nodes of the step of level `level` that begins at `tick`.
    #[inline]
    pub(crate) fn at(&self, tick: usize, level: usize) -> Feed {
        let grid_step = tick >> (LEVELS - 1 - self.level);
        if level == self.level {
            return Feed::of(self.apart, |channel| {
                std::array::from_fn(|m| self.channels[channel].nodes[3 * grid_step + 1 + m])
            });
        }
        if level < self.level {
            return self.read(grid_step, &self.coarser[level]);
        }
        // Within one grid step.
        let length = pace::part(level - self.level);
        let first =
            (tick & ((1 << (LEVELS - 1 - self.level)) - 1)) as f64 / f64::from(1u32 << (LEVELS - 1 - self.level));
        self.read(grid_step, &radau::C.map(|c| (0, radau::weights_at(first + length * c))))
    }

    /// Nodes at places behind the start of a grid step.
    #[inline(always)]
    fn read(&self, grid_step: usize, places: &[Place; 3]) -> Feed {
        Feed::of(self.apart, |channel| {
            let Channel { nodes, held } = &self.channels[channel];
            if *held {
                return [nodes[0]; 3];
            }
            places.map(|(step, w)| {
                let step = 3 * (grid_step + step);
                w[0] * nodes[step] + w[1] * nodes[step + 1] + w[2] * nodes[step + 2] + w[3] * nodes[step + 3]
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
            feeds.part(true);
            for frame in [-1.0, 0.0] {
                for channel in 0..CHANNELS {
                    feeds.next(channel, |nodes| {
                        for (place, node) in nodes.iter_mut().enumerate() {
                            let t = ((place / 3) as f64 + radau::C[place % 3]) / steps as f64;
                            *node = cubic(channel, frame + t);
                        }
                        true
                    });
                }
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
