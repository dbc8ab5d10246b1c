//! A patch: the whole board, where every knob stands, and what keys and patterns pull, as one text.
//!
//! It is a patch file on the bench and the saved state in a host, so that a song opened in ten years sounds the same.

use crate::board::{Board, BoardError};
use crate::keys::{self, KeyTable};
use crate::knobs::{Knob, Settings};
use crate::pattern::{self, Patterns};
use crate::text::Entry;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A board with its knobs, its key table and its patterns.
#[derive(Clone, Debug, PartialEq)]
pub struct Patch {
    /// The board.
    pub board: Board,
    /// The knobs.
    pub settings: Settings,
    /// What each key does.
    pub keys: KeyTable,
    /// What each line does in time.
    pub patterns: Patterns,
}

/// The text form: knobs by id, values with units.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    patch: u32,
    #[serde(default)]
    knobs: BTreeMap<String, Entry>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    keys: Option<keys::Written>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    patterns: Option<pattern::Written>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    board: Option<Board>,
}

/// The first name of a knob or a lane that has its dot without quotes: to TOML, a table in a table.
fn unquoted(text: &str) -> Option<BoardError> {
    let file: toml::Table = toml::from_str(text).ok()?;
    let split = |table: Option<&toml::Value>, is: &dyn Fn(&str, &str, &toml::Value) -> bool| {
        let inner = table?.as_table()?.iter().filter_map(|(a, inner)| Some((a, inner.as_table()?)));
        let mut all = inner.flat_map(|(a, inner)| inner.iter().map(move |(b, value)| (a, b, value)));
        all.find(|(a, b, value)| is(a, b, value)).map(|(a, b, value)| (format!("{a}.{b}"), value.to_string()))
    };
    let knob = split(file.get("knobs"), &|a, b, _| Knob::find(&format!("{a}.{b}")).is_ok());
    let lanes = file.get("patterns").and_then(|patterns| patterns.get("lanes"));
    let lane = || split(lanes, &|a, _, value| a.parse::<u8>().is_ok() && value.is_table());
    let (place, allowed) = match knob {
        Some((name, value)) => (format!("knobs.{name}"), format!("\"{name}\" = {value}")),
        None => lane().map(|(name, _)| (format!("patterns.lanes.{name}"), format!("[patterns.lanes.\"{name}\"]")))?,
    };
    let rows = 1..=text.lines().count();
    let line = rows.into_iter().find(|&line| crate::text::place_at(text, line).starts_with(&place));
    let what = format!("given without quotes, allowed is {allowed}: a name with a dot stands in quotes");
    Some(BoardError { line, place, what })
}

impl Patch {
    /// A new unit on this board.
    pub fn new(board: Board) -> Self {
        let settings = Settings::of(&board);
        Self { board, settings, keys: KeyTable::default(), patterns: Patterns::default() }
    }

    /// Reads a patch. Knobs that it does not name stand as on a new unit; without a board it is played on `fallback`; without
    /// tables keys play their own pitch, and no line has a pattern.
    ///
    /// # Errors
    /// The first thing that is wrong: its place, what was given, what is allowed.
    pub fn from_toml(text: &str, fallback: &Board) -> Result<Self, BoardError> {
        let file: File =
            toml::from_str(text).map_err(|error| unquoted(text).unwrap_or_else(|| crate::text::error(text, &error)))?;
        let refuse = |place: &str, what: String| BoardError { line: None, place: place.to_owned(), what };
        if file.patch != 1 {
            let what = format!("given {}, allowed is 1: this patch was written by a newer program", file.patch);
            return Err(refuse("patch", what));
        }
        let board = file.board.unwrap_or_else(|| fallback.clone());
        board.check().map_err(|error| refuse(&format!("board.{}", error.place), error.what))?;
        let mut patch = Self::new(board);
        for (id, entry) in &file.knobs {
            patch.settings.assign(id, &entry.text()).map_err(|error| refuse(&format!("knobs.{id}"), error.what))?;
        }
        if let Some(written) = file.keys {
            patch.keys = written.read().map_err(|(place, what)| refuse(&format!("keys.{place}"), what))?;
        }
        if let Some(written) = file.patterns {
            patch.patterns = written.read().map_err(|(place, what)| refuse(&format!("patterns.{place}"), what))?;
        }
        Ok(patch)
    }

    /// Writes the whole board, every knob, and the tables that are filled.
    ///
    /// # Panics
    /// Never: a patch has nothing that TOML cannot hold.
    pub fn to_toml(&self) -> String {
        let knobs = Knob::ALL
            .iter()
            .map(|&knob| (knob.id().to_owned(), Entry::Text(knob.write(self.settings.get(knob)))))
            .collect();
        let keys = (self.keys != KeyTable::default()).then(|| keys::Written::of(&self.keys));
        let patterns = (self.patterns != Patterns::default()).then(|| pattern::Written::of(&self.patterns));
        let file = File { patch: 1, knobs, keys, patterns, board: Some(self.board.clone()) };
        toml::to_string(&file).expect("a patch is numbers and text")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_patch_reads_back_whole() {
        let mut patch = Patch::new(Board::built_in());
        patch.board.stage2.coil.saturation = Some(3e-3);
        patch.settings.set(Knob::ExciterRate, 97.3);
        patch.settings.set(Knob::Stage3Switch1, 1.0);
        assert_eq!(Patch::from_toml(&patch.to_toml(), &Board::built_in()).unwrap(), patch);
    }

    /// A player copies it: it must read, and name what it is there to name.
    #[test]
    fn the_patch_of_the_readme_reads() {
        let (_, rest) = include_str!("../../README.md").split_once("```toml\n").unwrap();
        let patch = Patch::from_toml(rest.split_once("```").unwrap().0, &Board::built_in()).unwrap();
        assert_eq!(patch.keys.hold, keys::Hold::Held);
        assert_eq!(patch.keys.controller(74), Some(Knob::Stage2Sweep.into()));
        assert!(patch.keys.row(84).lines.is_some() && patch.patterns.lane(crate::lines::Line::HARD).is_some());
    }

    #[test]
    fn a_name_with_a_dot_and_no_quotes_is_told_where_they_stand() {
        for (text, line, place, allowed) in [
            ("[knobs]\nexciter.rate = 110\n", 3, "knobs.exciter.rate", "\"exciter.rate\" = 110:"),
            ("[knobs.stage1]\nsweep = \"2 V\"\n", 3, "knobs.stage1.sweep", "\"stage1.sweep\" = \"2 V\":"),
            ("[knobs]\nlimiter.ceiling = -3\n", 3, "knobs.limiter.ceiling", "\"limiter.ceiling\" = -3:"),
            ("[knobs]\nlimiter = true\nlimiter.ceiling = -3\n", 4, "knobs.limiter.ceiling", "a name in quotes"),
            ("[patterns.lanes.1.2]\nsteps = \"x.\"\n", 2, "patterns.lanes.1.2", "[patterns.lanes.\"1.2\"]:"),
            ("[patterns.lanes]\n3.0 = { steps = \"x.\" }\n", 3, "patterns.lanes.3.0", "[patterns.lanes.\"3.0\"]:"),
            ("[patterns]\nlanes.1.7.steps = \"x.\"\n", 3, "patterns.lanes.1.7", "[patterns.lanes.\"1.7\"]:"),
        ] {
            let error = Patch::from_toml(&format!("patch = 1\n{text}"), &Board::built_in()).unwrap_err();
            assert_eq!((error.line, error.place.as_str()), (Some(line), place), "{error}");
            assert!(error.what.contains(allowed) && error.what.contains("stands in quotes"), "{error}");
        }
        // What is wrong otherwise is told as it is.
        for text in [
            "[patterns.lanes.hard.more]\nsteps = \"x.\"\n",
            "[patterns.lanes.\"1.2\".more]\n",
            "[knobs]\n\"exciter.rate\" = []\n",
        ] {
            let error = Patch::from_toml(&format!("patch = 1\n{text}"), &Board::built_in()).unwrap_err();
            assert!(!error.what.contains("given without quotes"), "{error}");
        }
    }

    /// Every kind of text that a patch holds, each once without its quotes.
    #[test]
    fn a_text_without_quotes_is_told_where_and_what_it_lacks() {
        for (text, place) in [
            ("[knobs]\n\"exciter.pitch\" = keys\n", "knobs.\"exciter.pitch\""),
            ("[keys]\nhold = held\n", "keys.hold"),
            ("[keys.controllers]\n1 = stage1.sweep\n", "keys.controllers.1"),
            ("[keys.controllers]\n1 = { knob = \"stage1.sweep\", from = 0.8 V }\n", "keys.controllers.1"),
            ("[patterns.lanes.soft]\nrate = 1/16\n", "patterns.lanes.soft.rate"),
        ] {
            let error = Patch::from_toml(&format!("patch = 1\n{text}"), &Board::built_in()).unwrap_err();
            assert_eq!((error.line, error.place.as_str()), (Some(3), place), "{error}");
            assert_eq!(error.what, "given a text without quotes, allowed is a text in quotes");
        }
    }

    #[test]
    fn a_switch_where_a_value_stands_is_told_as_it_was_typed() {
        for given in ["true", "false"] {
            let text = format!("patch = 1\n[knobs]\n\"stage1.sweep\" = {given}\n");
            let error = Patch::from_toml(&text, &Board::built_in()).unwrap_err();
            assert!(error.what.contains(&format!("given \"{given}\", allowed is 0 V to 9 V")), "{error}");
        }
    }

    #[test]
    fn a_short_patch_is_played_on_the_board_at_hand() {
        let text = "patch = 1\n[knobs]\n\"stage1.switch2\" = true\n\"exciter.pitch\" = \"keys\"\n\"stage2.code\" = 5\n";
        let patch = Patch::from_toml(text, &Board::built_in()).unwrap();
        assert!(patch.settings.is_on(Knob::Stage1Switch2));
        assert_eq!(patch.settings.get(Knob::Stage2Code), 5.0);
        let error = Patch::from_toml("patch = 1\n[knobs]\n\"unit.supply\" = 20\n", &Board::built_in()).unwrap_err();
        assert!(error.to_string().contains("knobs.unit.supply") && error.what.contains("20"), "{error}");
        assert!(Patch::from_toml("patch = 2\n", &Board::built_in()).unwrap_err().what.contains("newer"));
    }
}
