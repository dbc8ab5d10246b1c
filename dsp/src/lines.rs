//! Switch lines and who pulls them.
//!
//! ```text
//!   switch    the panel switch; the code knob, or a host's lane of codes ──┐
//!   keys      the key table, while a key pulls ────────────────────────────┼── XOR ──► line
//!   pattern   the line's lane of steps ────────────────────────────────────┤
//!   gate      a gate input; a pedal; a score ──────────────────────────────┘
//! ```
//! `line = switch XOR keys XOR pattern XOR gate`: a line is on while an odd number of them pull, so each turns over what the
//! others make of it, and the panel switch inverts them all.
//!
//! Fourteen lines: `1.0` … `3.3` switch capacitors, bit n of a stage's code; `soft` starves the exciter's bias,
//! `hard` cuts its pulse dead.

use std::fmt;

/// One of the fourteen lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Line(u8);

impl Line {
    /// How many there are.
    pub const COUNT: usize = 14;
    /// The soft gate.
    pub const SOFT: Self = Self(12);
    /// The hard gate.
    pub const HARD: Self = Self(13);

    /// Every line: the stages' twelve, then soft and hard gate.
    pub fn all() -> impl Iterator<Item = Self> {
        (0..Self::COUNT as u8).map(Self)
    }

    /// Line `bit` (0–3) of stage `stage` (0–2).
    ///
    /// # Panics
    /// When either is out of range.
    pub const fn of_stage(stage: usize, bit: usize) -> Self {
        assert!(stage < 3 && bit < 4, "a stage is 0 to 2, a line 0 to 3");
        Self((4 * stage + bit) as u8)
    }

    /// The stage (0–2) of which it switches a capacitor, if it does.
    pub const fn stage(self) -> Option<usize> {
        if self.0 < 12 { Some(self.0 as usize / 4) } else { None }
    }

    /// The line by its place in the order of [`Line::all`].
    pub const fn at(index: usize) -> Option<Self> {
        if index < Self::COUNT { Some(Self(index as u8)) } else { None }
    }

    /// Its place in the order of [`Line::all`].
    pub const fn index(self) -> usize {
        self.0 as usize
    }

    /// Reads `1.0` … `3.3`, `soft` or `hard`.
    pub fn parse(text: &str) -> Option<Self> {
        Self::all().find(|line| line.to_string() == text)
    }
}

impl fmt::Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::SOFT => f.write_str("soft"),
            Self::HARD => f.write_str("hard"),
            Self(n) => write!(f, "{}.{}", n / 4 + 1, n % 4),
        }
    }
}

/// Who can pull a line. In `line = switch XOR keys XOR pattern XOR gate`, `switch` is the panel and the code, and `gate` is the
/// score, the pedals and the gate inputs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Source {
    /// The panel switch, which inverts all the others.
    Panel,
    /// A whole code number from the host.
    Code,
    /// A list of edges that is rendered.
    Score,
    /// The keyboard.
    Keys,
    /// Step patterns.
    Patterns,
    /// Pedals and other gates that come as messages.
    Gates,
    /// Gate inputs: voltages, see [`crate::gate_input`].
    Inputs,
}

const SOURCES: usize = 7;

/// The state of every source on every line; a line is the XOR of its sources: on while an odd number of them pull.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Lines {
    sources: [u16; SOURCES],
    /// Lines that are held on, whoever pulls them.
    held: u16,
}

impl Lines {
    /// Pulls or releases one line from one source.
    pub fn set(&mut self, source: Source, line: Line, on: bool) {
        let mask = 1u16 << line.0;
        let word = &mut self.sources[source as usize];
        *word = if on { *word | mask } else { *word & !mask };
    }

    /// Sets a stage's four lines of one source from a code, bit n for line n.
    pub fn set_code(&mut self, source: Source, stage: usize, code: u8) {
        let shift = 4 * stage;
        let word = &mut self.sources[source as usize];
        *word = *word & !(0xf << shift) | u16::from(code & 0xf) << shift;
    }

    /// Sets all fourteen lines of one source, bit n for line n of [`Line::all`].
    pub fn set_all(&mut self, source: Source, lines: u16) {
        self.sources[source as usize] = lines & ((1 << Line::COUNT) - 1);
    }

    /// Holds a line on, whoever pulls it, or no longer.
    pub fn hold(&mut self, line: Line, on: bool) {
        let mask = 1u16 << line.0;
        self.held = if on { self.held | mask } else { self.held & !mask };
    }

    /// All lines, bit n for the nth in the order of [`Line::all`].
    pub fn word(&self) -> u16 {
        self.sources.iter().fold(0, |all, source| all ^ source) | self.held
    }

    /// Whether a line is on.
    pub fn is_on(&self, line: Line) -> bool {
        self.word() >> line.0 & 1 == 1
    }

    /// The code of a stage (0–2), bit n for line n.
    pub fn code(&self, stage: usize) -> u8 {
        (self.word() >> (4 * stage) & 0xf) as u8
    }

    /// The codes of the three stages.
    pub fn codes(&self) -> [u8; 3] {
        [self.code(0), self.code(1), self.code(2)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_the_xor_of_every_source_patched_to_it() {
        use Source::{Code, Gates, Inputs, Keys, Panel, Patterns, Score};
        let all = [Panel, Code, Score, Keys, Patterns, Gates, Inputs];
        for line in Line::all() {
            for pulled in 0u32..128 {
                let mut lines = Lines::default();
                for (bit, source) in all.into_iter().enumerate() {
                    lines.set(source, line, pulled >> bit & 1 == 1);
                }
                assert_eq!(lines.is_on(line), pulled.count_ones() % 2 == 1);
                assert!(Line::all().all(|other| other == line || !lines.is_on(other)));
            }
        }
    }

    #[test]
    fn a_code_is_its_lines_and_names_read_back() {
        let mut lines = Lines::default();
        lines.set_code(Source::Code, 1, 0b1010);
        assert_eq!(lines.codes(), [0, 0b1010, 0]);
        lines.set(Source::Panel, Line::of_stage(1, 1), true);
        assert_eq!(lines.codes(), [0, 0b1000, 0]);
        for line in Line::all() {
            assert_eq!(Line::parse(&line.to_string()), Some(line));
        }
        assert_eq!(Line::of_stage(0, 2).to_string(), "1.2");
        assert_eq!(Line::parse("4.0"), None);
    }
}
