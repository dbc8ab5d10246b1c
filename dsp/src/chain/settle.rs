//! The way to the operating point.

use super::{Chain, Counts, Levels, of_chain};
use crate::feed::Feed;
use crate::lanes::{Course, MOST_CHAINS};
use crate::pace::Pace;

/// Steps on the way to the operating point, seconds: the first, and one that is as good as for ever.
const SHORTEST: f64 = 1e-11;
const FOR_EVER: f64 = 1e6;
/// Steps at the end of that way, which leave only rounding.
const AT_REST: usize = 3;
/// Most steps on that way; without trouble it takes 32.
const MOST_SETTLING: usize = 200;

impl<C: Course> Chain<C> {
    /// Lets everything come to rest at the operating point, by steps as long as Newton settles in; `feeds` are what rests on the
    /// inputs, one for every chain or one for all, as are levels.
    pub(crate) fn settle(&mut self, feeds: &[Feed], levels: &[Levels]) {
        let each: [Feed; MOST_CHAINS] = std::array::from_fn(|n| *of_chain(feeds, n));
        let feed = Feed::gather(&each);
        let step = self.step;
        let (mut seconds, mut at_rest) = (SHORTEST, 0);
        self.groups.iter_mut().chain([&mut self.input]).for_each(|group| group.be_patient(true));
        for _ in 0..MOST_SETTLING {
            self.set_step(seconds);
            // The overdriven input rests at its own point whether it is switched in or not.
            let settles = [true, levels[0].overdriven].into_iter().all(|overdriven| {
                let each: [Levels; MOST_CHAINS] =
                    std::array::from_fn(|n| Levels { overdriven, ..*of_chain(levels, n) });
                let settles = self.solve(&feed, &each, 0).is_some();
                if settles {
                    self.keep(&each, 0);
                }
                settles
            });
            match settles {
                true if seconds < FOR_EVER => seconds *= 4.0,
                true => at_rest += 1,
                false => seconds *= 0.1,
            }
            if at_rest == AT_REST {
                break;
            }
        }
        // A sweep capacitor behind a channel that is off has no current: its drain rests on the rail.
        for stage in 0..3 {
            let (group, place) = self.place(stage);
            let state = self.groups[group].state_mut(place);
            state.sweep = state.volts;
        }
        self.set_step(step);
        self.pace = Pace::new(self.pace.accuracy());
        for group in self.groups.iter_mut().chain([&mut self.input]) {
            group.be_patient(false);
            group.forget();
        }
        self.counts = Counts::default();
    }
}
