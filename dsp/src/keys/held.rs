//! Keys that are down, and what they come to.
//!
//! ```text
//!   down:  36 ── 60 ── 64      36 pulls lines and has no pitch, 60 and 64 play their own
//!          lines ▲      ▲ pitch          or, a note for each stage:  60 ─► 1, 2   64 ─► 3
//! ```

use super::{Hold, KeyTable, Pitch};

/// Keys that are remembered at once; more than ten fingers. The oldest is forgotten first.
const MOST: usize = 16;

/// A key that is down.
#[derive(Clone, Copy, Debug, Default)]
struct Down {
    note: u8,
    velocity: f64,
    /// 0 to 1.
    pressure: f64,
    /// Semitones of its own.
    bend: f64,
}

/// What a stage's exciter hears of them.
#[derive(Clone, Copy, Debug)]
struct Heard {
    /// Key number.
    pitch: f64,
    key: Down,
}

/// All that are down, oldest first, and what each stage heard of them last.
#[derive(Clone, Debug)]
pub(crate) struct Held {
    down: [Down; MOST],
    count: usize,
    /// The wheel, semitones.
    pub(crate) bend: f64,
    /// Whether each stage hears a note of its own.
    by_stage: bool,
    heard: [Heard; 3],
    lines: u16,
}

/// Before any key: A3.
const UNHEARD: Heard = Heard { pitch: 57.0, key: Down { note: 57, velocity: 1.0, pressure: 0.0, bend: 0.0 } };

impl Default for Held {
    fn default() -> Self {
        Self { down: [Down::default(); MOST], count: 0, bend: 0.0, by_stage: false, heard: [UNHEARD; 3], lines: 0 }
    }
}

impl Held {
    /// A key goes down (velocity above zero) or up.
    pub(crate) fn press(&mut self, table: &KeyTable, note: u8, velocity: f64) {
        if let Some(place) = self.place(note) {
            self.down.copy_within(place + 1..self.count, place);
            self.count -= 1;
        }
        if velocity > 0.0 {
            if self.count == MOST {
                self.down.copy_within(1.., 0);
                self.count -= 1;
            }
            self.down[self.count] = Down { note, velocity: velocity.min(1.0), ..Down::default() };
            self.count += 1;
            if let Some(lines) = table.row(note).lines {
                self.lines = lines;
            }
        }
        if table.hold == Hold::Held {
            self.lines = self.newest(|key| table.row(key.note).lines).unwrap_or(0);
        }
        self.hear(table);
    }

    /// Pressure on a key that is down, or on all of them, 0 to 1.
    pub(crate) fn press_harder(&mut self, note: Option<u8>, pressure: f64) {
        self.each(note, |key| key.pressure = pressure);
    }

    /// Bend of a key of its own, semitones.
    pub(crate) fn bend_key(&mut self, table: &KeyTable, note: u8, semitones: f64) {
        self.each(Some(note), |key| key.bend = semitones);
        self.hear(table);
    }

    fn each(&mut self, note: Option<u8>, change: impl Fn(&mut Down)) {
        for key in &mut self.down[..self.count] {
            if note.is_none_or(|note| note == key.note) {
                change(key);
            }
        }
    }

    /// Lets each stage hear a note of its own, or all the same.
    pub(crate) fn part(&mut self, by_stage: bool, table: &KeyTable) {
        self.by_stage = by_stage;
        self.hear(table);
    }

    /// What was heard last is forgotten: of no key, it is as before any.
    pub(crate) fn forget_heard(&mut self, table: &KeyTable) {
        self.heard = [UNHEARD; 3];
        self.hear(table);
    }

    /// What is heard of the keys that are down; of none, what was heard last.
    fn hear(&mut self, table: &KeyTable) {
        let Some((last, row)) = self.newest(|&key| heard(table, key).map(|heard| (heard, table.row(key.note)))) else {
            return;
        };
        self.heard = [last; 3];
        if self.by_stage {
            let mut chord = [last; MOST];
            let mut count = 0;
            for sounding in self.down[..self.count].iter().filter_map(|&key| heard(table, key)) {
                chord[count] = sounding;
                count += 1;
            }
            chord[..count].sort_unstable_by(|a, b| a.pitch.total_cmp(&b.pitch));
            self.heard = row.stages.unwrap_or(table.stages).map(|place| chord[place.among(count)]);
        }
    }

    /// Whether a key is down that has a pitch.
    pub(crate) fn sounds(&self, table: &KeyTable) -> bool {
        self.newest(|&key| heard(table, key)).is_some()
    }

    /// Whether a key is down.
    pub(crate) fn holds(&self, note: u8) -> bool {
        self.place(note).is_some()
    }

    /// What a stage's exciter (0–2) plays: the pitch in key numbers, the wheel and the key's own bend in semitones.
    pub(crate) fn pitch(&self, stage: usize) -> (f64, f64) {
        let Heard { pitch, key } = self.heard[stage];
        (pitch, self.bend + key.bend)
    }

    /// Lines that are pulled.
    pub(crate) fn lines(&self) -> u16 {
        self.lines
    }

    /// Lines stay as others have left them, which is until the next key.
    pub(crate) fn take_over(&mut self, other: &Self) {
        self.lines = other.lines;
    }

    /// The part of the pulse's level that velocity leaves at each stage.
    pub(crate) fn loudness(&self, table: &KeyTable) -> [f64; 3] {
        self.heard.map(|heard| 1.0 - table.velocity * (1.0 - heard.key.velocity))
    }

    /// Pressure on the newest key.
    pub(crate) fn pressure(&self) -> f64 {
        self.newest(|key| Some(key.pressure)).unwrap_or(0.0)
    }

    /// Other rows: lines and pitch as the keys that are down have them now.
    pub(crate) fn read_again(&mut self, table: &KeyTable) {
        self.lines = self.newest(|key| table.row(key.note).lines).unwrap_or(0);
        self.hear(table);
    }

    fn newest<T>(&self, of: impl Fn(&Down) -> Option<T>) -> Option<T> {
        self.down[..self.count].iter().rev().find_map(of)
    }

    fn place(&self, note: u8) -> Option<usize> {
        self.down[..self.count].iter().position(|key| key.note == note)
    }
}

/// A key with the pitch that it plays, if it plays any.
fn heard(table: &KeyTable, key: Down) -> Option<Heard> {
    let pitch = match table.row(key.note).pitch {
        Pitch::Own => f64::from(key.note),
        Pitch::Fixed(pitch) => pitch,
        Pitch::None => return None,
    };
    Some(Heard { pitch, key })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keys::{Place, Row};

    #[test]
    fn the_last_key_pressed_sounds_and_letting_go_returns_to_the_one_before() {
        let (table, mut keys) = (KeyTable::default(), Held::default());
        for (note, velocity, sounding, down) in [
            (60, 0.5, 60.0, 1),
            (64, 0.5, 64.0, 2),
            (67, 0.5, 67.0, 3),
            (64, 0.0, 67.0, 2),
            (67, 0.0, 60.0, 1),
            (60, 0.0, 60.0, 0),
        ] {
            keys.press(&table, note, velocity);
            assert_eq!((keys.pitch(0).0, keys.count, keys.sounds(&table)), (sounding, down, down > 0));
        }
        for note in 0..100 {
            keys.press(&table, note, 1.0);
        }
        assert_eq!((keys.pitch(0).0, keys.count), (99.0, 16));
    }

    #[test]
    fn one_key_pulls_lines_while_another_plays() {
        let mut table = KeyTable::default();
        table.put(36, Row { lines: Some(0x0a5), pitch: Pitch::None, ..Row::default() });
        table.put(37, Row { lines: Some(0x111), pitch: Pitch::Fixed(57.5), ..Row::default() });
        for (hold, after) in [(Hold::Latched, 0x111), (Hold::Held, 0x0a5)] {
            table.hold = hold;
            let mut keys = Held::default();
            keys.press(&table, 60, 1.0);
            keys.press(&table, 36, 1.0);
            assert_eq!((keys.lines(), keys.pitch(0).0), (0x0a5, 60.0));
            keys.press(&table, 37, 1.0);
            assert_eq!((keys.lines(), keys.pitch(0).0), (0x111, 57.5));
            keys.press(&table, 37, 0.0);
            assert_eq!((keys.lines(), keys.pitch(0).0), (after, 60.0), "{hold:?}");
            keys.press(&table, 60, 0.0);
            assert!(!keys.sounds(&table));
            keys.press(&table, 36, 0.0);
            assert_eq!(keys.lines(), if hold == Hold::Latched { 0x111 } else { 0 });
        }
    }

    #[test]
    fn velocity_pressure_and_bend_are_those_of_the_newest_key() {
        let (mut table, mut keys) = (KeyTable::default(), Held::default());
        keys.press(&table, 60, 0.25);
        assert_eq!(keys.loudness(&table)[0], 1.0);
        table.velocity = 0.5;
        assert_eq!(keys.loudness(&table)[0], 0.625);
        keys.press(&table, 64, 1.0);
        keys.press_harder(Some(60), 0.5);
        assert_eq!(keys.pressure(), 0.0);
        keys.bend_key(&table, 64, 0.5);
        keys.bend = 1.0;
        assert_eq!(keys.pitch(0), (64.0, 1.5));
        keys.press(&table, 64, 0.0);
        assert_eq!((keys.pressure(), keys.pitch(0)), (0.5, (60.0, 1.0)));
        keys.press_harder(None, 1.0);
        assert_eq!(keys.pressure(), 1.0);
        keys.press(&table, 60, 0.0);
        assert_eq!(keys.pressure(), 0.0);
    }

    #[test]
    fn of_a_chord_each_stage_hears_the_note_that_the_last_key_or_the_table_says() {
        let (mut table, mut keys) = (KeyTable { velocity: 1.0, ..KeyTable::default() }, Held::default());
        table.put(36, Row { lines: Some(1), pitch: Pitch::None, ..Row::default() });
        table.put(72, Row { stages: Some([Place::High, Place::Low, Place::Middle]), ..Row::default() });
        keys.part(true, &table);
        let pitches = |keys: &Held| [0, 1, 2].map(|stage| keys.pitch(stage).0);
        for (note, velocity, heard) in [
            (64, 0.5, [64.0, 64.0, 64.0]),
            (36, 0.5, [64.0, 64.0, 64.0]),
            (60, 0.75, [60.0, 60.0, 64.0]),
            (67, 1.0, [60.0, 64.0, 67.0]),
            (62, 0.25, [60.0, 62.0, 67.0]),
            (72, 0.25, [72.0, 60.0, 64.0]),
            (72, 0.0, [60.0, 62.0, 67.0]),
            (62, 0.0, [60.0, 64.0, 67.0]),
        ] {
            keys.press(&table, note, velocity);
            assert_eq!(pitches(&keys), heard, "{note} {velocity}");
        }
        assert_eq!(keys.loudness(&table), [0.75, 0.5, 1.0]);
        keys.bend_key(&table, 64, 0.5);
        assert_eq!([0, 1, 2].map(|stage| keys.pitch(stage).1), [0.0, 0.5, 0.0]);
        keys.part(false, &table);
        assert_eq!(pitches(&keys), [67.0; 3]);
    }
}
