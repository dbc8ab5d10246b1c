//! Patches that come with the program: what plugin and bench offer to start from.
//!
//! ```text
//!   dsp/patches/organ-insert.toml      # what it is for
//!                                      # how it is played
//!                                      patch = 1 …
//! ```
//! A patch without a board of its own is meant for the board that comes with the program; on another it is still a patch.

use crate::board::Board;
use crate::patch::Patch;

/// One of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Factory {
    /// Its name, that of its file.
    pub name: &'static str,
    /// The file: two lines of comment, then the patch.
    pub toml: &'static str,
}

macro_rules! factory {
    ($($name:literal)*) => {
        /// Every patch, in the order in which they are listed.
        pub const PATCHES: &[Factory] =
            &[$(Factory { name: $name, toml: include_str!(concat!("../patches/", $name, ".toml")) },)*];
    };
}

factory! {
    "organ-insert"
    "gentle-warmth"
    "wide-stages"
    "soft-edges"
    "quiet-switches"
    "waiting-for-zero"
    "nine-volt-clean"
    "starved-cell"
    "overdriven-lead"
    "coupled-growl"
    "slow-sweep"
    "talking-riff"
    "vowel-selector"
    "pulse-bass"
    "stacked-chord"
    "small-choir"
    "night-drone"
    "click-drum"
    "gated-motor"
    "hot-box"
}

impl Factory {
    /// The one of that name.
    pub fn find(name: &str) -> Option<&'static Self> {
        PATCHES.iter().find(|patch| patch.name == name)
    }

    /// Its name as a person reads it: `organ-insert` is "Organ insert".
    pub fn title(&self) -> String {
        let words = self.name.replace('-', " ");
        let mut letters = words.chars();
        letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
    }

    /// What it is for, one line.
    pub fn note(&self) -> &'static str {
        self.comment(0)
    }

    /// How it is played, one line.
    pub fn play(&self) -> &'static str {
        self.comment(1)
    }

    /// The patch, on its own board or on the one that comes with the program.
    ///
    /// # Panics
    /// Never: every one is read in a test.
    pub fn patch(&self) -> Patch {
        Patch::from_toml(self.toml, &Board::built_in()).expect("a patch that comes with the program reads")
    }

    fn comment(&self, row: usize) -> &'static str {
        self.toml.lines().nth(row).and_then(|line| line.strip_prefix("# ")).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_patch_reads_and_says_what_it_is_for_and_how_it_is_played() {
        assert!(PATCHES.len() >= 16);
        for (n, factory) in PATCHES.iter().enumerate() {
            let patch = Patch::from_toml(factory.toml, &Board::built_in());
            let patch = patch.unwrap_or_else(|error| panic!("{}: {error}", factory.name));
            assert_eq!(factory.patch(), patch);
            for line in [factory.note(), factory.play()] {
                assert!((20..=110).contains(&line.chars().count()), "{}: {line}", factory.name);
            }
            assert_eq!(Factory::find(factory.name), Some(factory));
            for other in &PATCHES[..n] {
                assert_ne!((other.name, other.note()), (factory.name, factory.note()));
                assert_ne!(other.patch(), patch, "{} and {} are one patch", other.name, factory.name);
            }
        }
        assert_eq!(Factory::find("nothing"), None);
        assert_eq!(PATCHES[0].title(), "Organ insert");
    }
}
