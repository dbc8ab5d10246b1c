//! Controllers of seven and of fourteen bits, and the parameters that are set by numbers.
//!
//! ```text
//!   controller n        coarse ──┐
//!   controller n + 32   fine ────┴► travel of the knob      n below 32 (MIDI 1.0, "Control Change")
//!
//!   99, 98 or 101, 100  which parameter        127, 127: none
//!   6, 38               its value, coarse and fine
//! ```

use super::KeyTable;
use super::zones::CHANNELS;

/// How many there are.
const COUNT: usize = 128;
/// Those below have a fine part, this far above.
pub(super) const FINE: u8 = 32;

/// The bend's range: registered parameter 0.
pub(super) const BEND_RANGE: u16 = 0;
/// The zone's members: registered parameter 6 (RP-053, 2.1.1).
pub(super) const MEMBERS: u16 = 6;

/// Where controllers that turn knobs stand; those that never moved are left out.
#[derive(Clone, Debug)]
pub(super) struct Controllers {
    coarse: [Option<u8>; COUNT],
    /// Of those that have told a fine part, its last value.
    fine: [Option<u8>; FINE as usize],
}

impl Default for Controllers {
    fn default() -> Self {
        Self { coarse: [None; COUNT], fine: [None; FINE as usize] }
    }
}

impl Controllers {
    /// The controller of the key table that a controller is, or whose fine part it is.
    pub(super) fn named(table: &KeyTable, number: u8) -> Option<u8> {
        if table.controller(number).is_some() {
            return Some(number);
        }
        let coarse = number.checked_sub(FINE).filter(|coarse| *coarse < FINE)?;
        table.controller(coarse).map(|_| coarse)
    }

    /// A controller of the key table moves, or its fine part does.
    pub(super) fn hear(&mut self, named: u8, number: u8, value: u8) {
        if named == number {
            self.coarse[usize::from(number)] = Some(value);
            // A coarse value puts the fine one to zero (MIDI 1.0).
            if let Some(Some(fine)) = self.fine.get_mut(usize::from(number)) {
                *fine = 0;
            }
        } else {
            self.fine[usize::from(named)] = Some(value);
        }
    }

    /// Where a controller stands, 0 to 1; none before its coarse part has moved.
    ///
    /// Without a fine part 127 is the end; with one 127 and 127 are.
    pub(super) fn travel(&self, number: u8) -> Option<f64> {
        let coarse = f64::from(self.coarse[usize::from(number)]?);
        let fine = self.fine.get(usize::from(number)).copied().flatten();
        Some(fine.map_or(coarse / 127.0, |fine| (128.0 * coarse + f64::from(fine)) / 16383.0))
    }
}

/// A value for a registered parameter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Entry {
    pub(super) parameter: u16,
    pub(super) is_fine: bool,
    pub(super) value: u8,
}

/// Which parameter each channel's next value is for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Parameters([Selected; CHANNELS]);

#[derive(Clone, Copy, Debug)]
struct Selected {
    registered: bool,
    number: [u8; 2],
}

const NONE: Selected = Selected { registered: false, number: [127; 2] };

impl Default for Parameters {
    fn default() -> Self {
        Self([NONE; CHANNELS])
    }
}

impl Parameters {
    /// Hears a controller; a value for a registered parameter comes back.
    pub(super) fn hear(&mut self, channel: u8, number: u8, value: u8) -> Option<Entry> {
        let selected = &mut self.0[usize::from(channel)];
        match number {
            // Those that are not registered are other makers' own.
            98 | 99 => *selected = NONE,
            100 | 101 => {
                selected.registered = true;
                selected.number[usize::from(101 - number)] = value;
            }
            6 | 38 if selected.registered && selected.number != NONE.number => {
                let [coarse, fine] = selected.number.map(u16::from);
                return Some(Entry { parameter: coarse << 7 | fine, is_fine: number == 38, value });
            }
            _ => {}
        }
        None
    }

    /// None again (RP-015).
    pub(super) fn forget(&mut self, channel: u8) {
        self.0[usize::from(channel)] = NONE;
    }
}

/// A bend's range after a value for it: semitones, then hundredths of one (MIDI 1.0, registered parameter 0).
pub(super) fn bend_range(before: f64, entry: Entry) -> f64 {
    let value = f64::from(entry.value);
    if entry.is_fine { before.trunc() + value.min(99.0) / 100.0 } else { value }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::knobs::Knob;

    /// MIDI 1.0, "Control Change": controller n + 32 is the low seven bits of controller n, and a new high part clears them.
    #[test]
    fn a_fine_part_adds_seven_bits_below_and_a_coarse_part_clears_them() {
        let mut table = KeyTable::default();
        table.control(1, Some(Knob::Stage1Main.into()));
        table.control(34, Some(Knob::Stage2Main.into()));
        table.control(2, Some(Knob::Stage3Main.into()));
        let named = |number| Controllers::named(&table, number);
        assert_eq!([1, 33, 34, 2, 3, 35, 65].map(named), [Some(1), Some(1), Some(34), Some(2), None, None, None]);
        let mut stands = Controllers::default();
        assert_eq!(stands.travel(1), None);
        for (number, value, travel) in [
            // Without a fine part the end of seven bits is the end.
            (1, 127, 1.0),
            (1, 64, 64.0 / 127.0),
            // 64 · 128 + 1 = 8193 of 16383.
            (33, 1, 8193.0 / 16383.0),
            (33, 127, 8319.0 / 16383.0),
            (1, 65, 8320.0 / 16383.0),
            (1, 127, 16256.0 / 16383.0),
            (33, 127, 1.0),
            (1, 0, 0.0),
        ] {
            stands.hear(1, number, value);
            assert_eq!(stands.travel(1), Some(travel), "{number} at {value}");
        }
        // A fine part alone says nothing yet.
        stands.hear(2, 34, 5);
        assert_eq!(stands.travel(2), None);
    }

    /// MIDI 1.0, "Registered Parameter Numbers": 101 and 100 choose, in any order, 6 and 38 set, 127 and 127 end it.
    #[test]
    fn a_value_is_for_the_registered_parameter_that_was_chosen_last() {
        let mut parameters = Parameters::default();
        let mut hear = |channel, number, value| parameters.hear(channel, number, value);
        assert_eq!(hear(3, 6, 12), None, "none is chosen");
        for (number, value) in [(100, 6), (101, 0)] {
            assert_eq!(hear(3, number, value), None);
        }
        assert_eq!(hear(3, 6, 12), Some(Entry { parameter: MEMBERS, is_fine: false, value: 12 }));
        assert_eq!(hear(2, 6, 12), None, "another channel has chosen none");
        hear(3, 100, 0);
        assert_eq!(hear(3, 38, 50), Some(Entry { parameter: BEND_RANGE, is_fine: true, value: 50 }));
        hear(3, 100, 127);
        assert_eq!(hear(3, 6, 1), Some(Entry { parameter: 127, is_fine: false, value: 1 }), "half a null is none");
        hear(3, 101, 127);
        assert_eq!(hear(3, 6, 1), None, "null");
        hear(3, 101, 0);
        hear(3, 100, 0);
        hear(3, 99, 0);
        assert_eq!(hear(3, 6, 1), None, "a parameter that is not registered");
    }

    #[test]
    fn a_bend_reaches_so_many_semitones_and_hundredths() {
        let entry = |is_fine, value| Entry { parameter: BEND_RANGE, is_fine, value };
        assert_eq!(bend_range(2.0, entry(false, 12)), 12.0);
        assert_eq!(bend_range(12.0, entry(true, 50)), 12.5);
        assert_eq!(bend_range(12.5, entry(true, 7)), 12.07);
        assert_eq!(bend_range(12.5, entry(false, 0)), 0.0);
    }
}
