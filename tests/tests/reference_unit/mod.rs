//! A unit as a fixture names it: board file, knobs by id and text, codes.

use serde_json::Value;
use std::path::{Path, PathBuf};
use tritank_dsp::board::Board;
use tritank_dsp::circuit::Circuit;
use tritank_dsp::knobs::Settings;

/// The folder of the reference solutions.
pub(crate) fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference")
}

/// Reads one JSON file of `fixtures/`.
pub(crate) fn fixture(name: &str) -> Value {
    let path = folder().join("fixtures").join(name);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    serde_json::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// A board with its knobs and codes.
pub(crate) struct Unit {
    pub(crate) board: Board,
    pub(crate) settings: Settings,
    pub(crate) codes: [u8; 3],
}

impl Unit {
    /// From the keys `board`, `set` and `codes` of a record.
    pub(crate) fn of(record: &Value) -> Self {
        let board = match record["board"].as_str() {
            None => Board::built_in(),
            Some(name) => {
                let path = folder().join("boards").join(format!("{name}.toml"));
                let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
                Board::from_toml(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
            }
        };
        let mut settings = Settings::of(&board);
        for (id, text) in record["set"].as_object().expect("`set` is an object") {
            settings.assign(id, text.as_str().expect("a knob's text")).expect("a knob and a value that it allows");
        }
        let codes = std::array::from_fn(|stage| {
            record["codes"][stage].as_u64().and_then(|code| u8::try_from(code).ok()).expect("three codes")
        });
        Self { board, settings, codes }
    }

    /// The element list as it is today.
    pub(crate) fn circuit(&self) -> Circuit {
        Circuit::of(&self.board, &self.settings, self.codes)
    }
}
