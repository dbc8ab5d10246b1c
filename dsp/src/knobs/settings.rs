//! Where the knobs stand, and what a unit is built for by them.

use super::{Knob, KnobError, QUALITIES};
use crate::board::Board;

/// Where every knob stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings([f64; Knob::COUNT]);

impl Settings {
    /// A new unit on this board: its supply, temperature and link levels as soldered, all else at its default.
    pub fn of(board: &Board) -> Self {
        let mut settings = Self(std::array::from_fn(|n| Knob::ALL[n].default_value()));
        settings.set(Knob::UnitSupply, board.supply);
        settings.set(Knob::UnitTemperature, board.temperature);
        settings.set(Knob::Stage2Link, board.coupling.tap1_to_driver2);
        settings.set(Knob::Stage3Link, board.coupling.follower_to_driver3);
        settings
    }

    /// Where a knob stands.
    pub fn get(&self, knob: Knob) -> f64 {
        self.0[knob as usize]
    }

    /// Whether a switch is on.
    pub fn is_on(&self, knob: Knob) -> bool {
        self.get(knob) > 0.5
    }

    /// Turns a knob, to the nearest value that it allows.
    pub fn set(&mut self, knob: Knob, value: f64) {
        self.0[knob as usize] = knob.clamped(value);
    }

    /// Reads `name=value`, as `--set` and patches write it.
    ///
    /// # Errors
    /// What was given, and what is allowed.
    pub fn assign(&mut self, id: &str, text: &str) -> Result<(), KnobError> {
        let knob = Knob::find(id)?;
        self.set(knob, knob.parse(text)?);
        Ok(())
    }

    /// Oversampling factor.
    pub fn quality(&self) -> usize {
        QUALITIES[self.get(Knob::UnitQuality) as usize]
    }

    /// What becomes of several keys that are down.
    pub fn chord(&self) -> Chord {
        Chord::ALL[self.get(Knob::ExciterChord) as usize]
    }

    /// What it takes a new unit to change.
    pub fn build(&self) -> Build {
        Build { quality: self.quality(), voices: if self.chord() == Chord::Voices { VOICES } else { 1 } }
    }
}

/// What becomes of several keys that are down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Chord {
    /// The last one is heard.
    Last,
    /// Three exciters: the low, the middle and the high one go into stages 1, 2 and 3, or as the key table says.
    Stages,
    /// Each key, up to [`VOICES`], has an exciter, lines and a chain of its own.
    Voices,
}

impl Chord {
    /// In the order of the knob's words.
    pub const ALL: [Self; 3] = [Self::Last, Self::Stages, Self::Voices];
}

/// Most chains of a unit.
pub const VOICES: usize = 4;

/// What a unit is built for and cannot change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Build {
    /// Oversampling factor.
    pub quality: usize,
    /// Chains: 1 or [`VOICES`].
    pub voices: usize,
}
