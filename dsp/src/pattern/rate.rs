//! How long a step is: a note value, or so many steps a second.
//!
//! ```text
//!   1/16     a sixteenth                    ¼ of a quarter
//!   1/16.    dotted: half as long again     ⅜
//!   1/16t    triplet: three in the time of two   ⅙
//!   7.5 Hz   by the clock on the wall, whatever the tempo
//! ```

use crate::value::{self, Unit};
use std::fmt;

/// How a note value is lengthened or shortened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Feel {
    /// As written.
    Plain,
    /// Half as long again.
    Dotted,
    /// Three in the time of two.
    Triplet,
}

/// How long a step is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Rate {
    /// One part of a whole note: 1, 2, 4, 8, 16 or 32.
    Note(u8, Feel),
    /// Steps a second.
    Hertz(f64),
}

/// Note values that there are, as parts of a whole note.
pub const PARTS: [u8; 6] = [1, 2, 4, 8, 16, 32];
/// Steps a second that are allowed.
pub const HERTZ: std::ops::RangeInclusive<f64> = 0.01..=1000.0;

impl Rate {
    /// Length of a step as a fraction: of a quarter, or of a second.
    pub(super) fn fraction(self) -> (f64, f64) {
        match self {
            Self::Note(parts, Feel::Plain) => (4.0, f64::from(parts)),
            Self::Note(parts, Feel::Dotted) => (6.0, f64::from(parts)),
            Self::Note(parts, Feel::Triplet) => (8.0, 3.0 * f64::from(parts)),
            Self::Hertz(rate) => (1.0, rate),
        }
    }

    /// Length of a step: in quarters, or in seconds for [`Rate::Hertz`].
    pub fn step(self) -> f64 {
        let (above, below) = self.fraction();
        above / below
    }

    /// Reads `1/16`, `1/8.`, `1/4t` or `7.5 Hz`.
    ///
    /// # Errors
    /// What was given, and what is allowed.
    pub fn parse(text: &str) -> Result<Self, String> {
        let refuse =
            || format!("given \"{text}\", allowed are 1/1 1/2 1/4 1/8 1/16 1/32, with . or t, or 0.01 Hz to 1 kHz");
        let word = text.trim();
        if let Some(note) = word.strip_prefix("1/") {
            let (parts, feel) = if let Some(parts) = note.strip_suffix('.') {
                (parts, Feel::Dotted)
            } else if let Some(parts) = note.strip_suffix('t') {
                (parts, Feel::Triplet)
            } else {
                (note, Feel::Plain)
            };
            return PARTS
                .into_iter()
                .find(|allowed| allowed.to_string() == parts)
                .map(|parts| Self::Note(parts, feel))
                .ok_or_else(refuse);
        }
        let hertz = value::parse(word, Unit::Hertz).ok().filter(|rate| HERTZ.contains(rate) && word.contains("Hz"));
        hertz.map(Self::Hertz).ok_or_else(refuse)
    }
}

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Note(parts, Feel::Plain) => write!(f, "1/{parts}"),
            Self::Note(parts, Feel::Dotted) => write!(f, "1/{parts}."),
            Self::Note(parts, Feel::Triplet) => write!(f, "1/{parts}t"),
            Self::Hertz(rate) => f.write_str(&value::write(*rate, Unit::Hertz)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_read_back_and_are_as_long_as_notes_are() {
        for (text, step) in [
            ("1/1", 4.0),
            ("1/4", 1.0),
            ("1/16", 0.25),
            ("1/16.", 0.375),
            ("1/8t", 1.0 / 3.0),
            ("1/32t", 1.0 / 12.0),
            ("4 Hz", 0.25),
        ] {
            let rate = Rate::parse(text).unwrap();
            approx::assert_relative_eq!(rate.step(), step, max_relative = 1e-15);
            assert_eq!(rate.to_string(), text);
        }
        for bad in ["", "1/3", "1/64", "1/016", "2/4", "1/4x", "7", "0 Hz", "2 kHz", "nan Hz", "-1 Hz", "1/"] {
            let error = Rate::parse(bad).unwrap_err();
            assert!(error.contains(&format!("given \"{bad}\"")) && error.contains("allowed"), "{error}");
        }
    }
}
