//! Which MIDI channels carry one note each: the zones of MIDI Polyphonic Expression 1.0 (RP-053, 2.1; numbers of its sections here
//! and in the keyboard are from memory).
//!
//! ```text
//!   channel   1      2  3  4  5  …        … 13 14 15     16
//!             master ▔▔▔▔▔▔▔▔▔▔ members ►  ◄ members ▔▔  master
//!             lower zone                             upper zone
//! ```
//! What is said on a member channel is meant for the keys on it, what is said on a master for the whole zone. Channels of
//! neither zone are as one. Here, as in every message, channels count from 0.

use super::KeyTable;

/// Channels that there are.
pub(super) const CHANNELS: usize = 16;
/// Where what is said on all channels outside the zones is kept: one place behind the channels' own.
pub(super) const PLAIN: usize = CHANNELS;
/// Most members of both zones together while both have some: sixteen channels less two masters (RP-053, 2.1.1).
const MOST_OF_BOTH: u8 = 14;
/// Most members of a zone that is alone: the other master is free to be one.
pub const MOST_MEMBERS: u8 = 15;

const LOWER: u8 = 0;
const UPPER: u8 = 15;

/// Members of each zone; 0 is no zone.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Zones {
    lower: u8,
    upper: u8,
}

impl Zones {
    /// Those of a key table: the lower one alone.
    pub(super) fn of(table: &KeyTable) -> Self {
        Self { lower: table.members.min(MOST_MEMBERS), upper: 0 }
    }

    /// The MPE Configuration Message: so many members from now on. What the new zone takes, the other loses (RP-053, 2.1.1). None on
    /// a channel that cannot be a master.
    pub(super) fn configured(self, channel: u8, members: u8) -> Option<Self> {
        let members = members.min(MOST_MEMBERS);
        let left = |other: u8| if members == 0 { other } else { other.min(MOST_OF_BOTH.saturating_sub(members)) };
        match channel {
            LOWER => Some(Self { lower: members, upper: left(self.upper) }),
            UPPER => Some(Self { lower: left(self.lower), upper: members }),
            _ => None,
        }
    }

    /// Whether there are any.
    pub(super) fn is_any(self) -> bool {
        self != Self::default()
    }

    /// The master of a member channel.
    pub(super) fn master(self, channel: u8) -> Option<usize> {
        if (1..=self.lower).contains(&channel) {
            Some(usize::from(LOWER))
        } else if channel < UPPER && channel + self.upper >= UPPER {
            Some(usize::from(UPPER))
        } else {
            None
        }
    }

    /// Whether a channel is a master.
    pub(super) fn is_master(self, channel: u8) -> bool {
        channel == LOWER && self.lower > 0 || channel == UPPER && self.upper > 0
    }

    /// Where what is said on a channel is kept.
    pub(super) fn place(self, channel: u8) -> usize {
        let own = self.is_master(channel) || self.master(channel).is_some();
        if own { usize::from(channel) } else { PLAIN }
    }

    /// Whether what is said at a place is meant for a key on a channel.
    pub(super) fn reaches(self, place: usize, channel: u8) -> bool {
        self.place(channel) == place || self.master(channel) == Some(place)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn members(zones: Zones, master: usize) -> Vec<u8> {
        (0..16).filter(|&channel| zones.master(channel) == Some(master)).collect()
    }

    /// RP-053, 2.1.1: masters 1 and 16, members from 2 upwards and from 15 downwards, the last message takes what it asks for, none
    /// ends the zone. Channels here from 0.
    #[test]
    fn zones_are_those_of_the_configuration_messages() {
        let none = Zones::default();
        let lower = none.configured(0, 15).unwrap();
        assert_eq!(members(lower, 0), (1..=15).collect::<Vec<_>>());
        assert!(lower.is_master(0) && !lower.is_master(15) && lower.place(15) == 15);
        let both = none.configured(0, 7).unwrap().configured(15, 7).unwrap();
        assert_eq!((members(both, 0), members(both, 15)), ((1..=7).collect(), (8..=14).collect()));
        let upper_takes = lower.configured(15, 4).unwrap();
        assert_eq!((members(upper_takes, 0), members(upper_takes, 15)), ((1..=10).collect(), (11..=14).collect()));
        let lower_takes_all = upper_takes.configured(0, 14).unwrap();
        assert_eq!((members(lower_takes_all, 0), members(lower_takes_all, 15)), ((1..=14).collect(), vec![]));
        assert_eq!(lower_takes_all.place(15), PLAIN);
        let ended = upper_takes.configured(0, 0).unwrap();
        assert_eq!((members(ended, 0), members(ended, 15)), (vec![], (11..=14).collect()));
        assert!(!ended.is_master(0) && ended.is_any() && ended.place(3) == PLAIN);
        assert!(!ended.configured(15, 0).unwrap().is_any());
        assert!((1..15).all(|channel| both.configured(channel, 3).is_none()));
        assert_eq!(members(none.configured(0, 127).unwrap(), 0).len(), 15);
    }

    #[test]
    fn a_member_reaches_its_keys_and_a_master_its_zone() {
        let zones = Zones::default().configured(0, 3).unwrap().configured(15, 2).unwrap();
        let reached = |channel: u8| (0..16).filter(|&key| zones.reaches(zones.place(channel), key)).collect::<Vec<_>>();
        assert_eq!(reached(2), [2]);
        assert_eq!(reached(0), [0, 1, 2, 3]);
        assert_eq!(reached(15), [13, 14, 15]);
        assert_eq!(reached(7), (4..=12).collect::<Vec<_>>());
        let none = Zones::default();
        assert!((0..16).all(|key| none.reaches(none.place(5), key)));
    }
}
