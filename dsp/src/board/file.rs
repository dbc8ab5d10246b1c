//! A board as text: TOML in, TOML with a comment on every line out.

use super::Board;
use crate::text::place_at;
use std::fmt;
use std::fmt::Write as _;

/// What is wrong with a board, where, and what is allowed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BoardError {
    /// Line in the file, from 1, where it is known.
    pub line: Option<usize>,
    /// The part, as `stage1.coil.inductance`; empty where the text itself is broken.
    pub place: String,
    /// What was given and what is allowed.
    pub what: String,
}

impl fmt::Display for BoardError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(line) = self.line {
            write!(f, "line {line}: ")?;
        }
        if !self.place.is_empty() {
            write!(f, "{}: ", self.place)?;
        }
        f.write_str(&self.what)
    }
}

impl std::error::Error for BoardError {}

impl Board {
    /// Reads and checks a board.
    ///
    /// # Errors
    /// The first thing that is wrong: its line, its part, what was given, what is allowed.
    pub fn from_toml(text: &str) -> Result<Self, BoardError> {
        let board: Self = toml::from_str(text).map_err(|error| crate::text::error(text, &error))?;
        board.check().map_err(|mut error| {
            error.line = line_of(text, &error.place);
            error
        })?;
        Ok(board)
    }

    /// Writes the board with a comment on every line; [`Board::from_toml`] reads the same board back.
    ///
    /// # Panics
    /// Never: a board has nothing that TOML cannot hold.
    pub fn to_toml(&self) -> String {
        let plain = toml::to_string(self).expect("a board is numbers and text");
        let mut out = String::from(
            "# A Tritank board. Values as builders write them: \"100n\", \"4k7\", \"0.15 H\" (IEC 60062).\n",
        );
        let mut table = String::new();
        // Notes of several lines stand between these: no comment goes in there.
        let mut quotes = None;
        for line in plain.lines() {
            if let Some(end) = quotes {
                writeln!(out, "{line}").expect("writing to a string");
                quotes = quotes.filter(|_| !line.ends_with(end));
                continue;
            }
            quotes = ["\"\"\"", "'''"].into_iter().find(|quotes| line.ends_with(&format!(" = {quotes}")));
            if quotes.is_some() {
                writeln!(out, "{line}").expect("writing to a string");
                continue;
            }
            let key = if let Some(name) = line.strip_prefix('[') {
                name.trim_end_matches(']').clone_into(&mut table);
                table.as_str()
            } else {
                line.split('=').next().unwrap_or_default().trim()
            };
            match comment(&table, key) {
                Some(text) => writeln!(out, "{line}  # {text}"),
                None => writeln!(out, "{line}"),
            }
            .expect("writing to a string");
        }
        out
    }
}

/// The line on which a part stands.
fn line_of(text: &str, place: &str) -> Option<usize> {
    let place = place.split('[').next().unwrap_or(place);
    (1..=text.lines().count()).find(|line| place_at(text, *line) == place)
}

/// The comment that explains a table or a key.
fn comment(table: &str, key: &str) -> Option<&'static str> {
    let room = table.rsplit('.').next().unwrap_or_default();
    Some(match (room, key) {
        (_, "version") => "version of this format",
        (_, "name") => "what is written on the panel",
        (_, "notes") => "whatever you want to remember",
        (_, "supply") => "battery, 1.2 V to 9 V; low headroom is the point",
        (_, "temperature") => "of the transistors",
        ("input", "input") => "overdriven input stage, switched in by input.overdriven",
        ("input", "load") => "collector load to the rail",
        ("input", "treble_cut") => "capacitor across the load",
        ("input", "output") => "output resistor, to the rail",
        (_, "stage1") => "first stage: driver and tank",
        (_, "stage2") => "second stage",
        (_, "stage3") => "third stage",
        ("driver", _) if key == table => "common emitter, collector on the load",
        ("driver", "base") => "base resistor, divider included",
        ("driver", "emitter") => "emitter resistor to ground",
        ("driver", "bias") => "bus bias as a share of the supply",
        ("transistor", _) if key == table => "transport Ebers-Moll, at 25 °C",
        ("transistor", "saturation") => "saturation current",
        ("transistor", "forward_gain") => "forward current gain",
        ("transistor", "reverse_gain") => "reverse current gain",
        ("transistor", "emission") => "emission coefficient, base-emitter",
        ("transistor", "leakage") => "extra collector-base leakage; doubles every 10 K",
        ("coil", _) if key == table => "coil with its losses",
        ("coil", "inductance") => "inductance",
        ("coil", "series") => "wire resistance, in series",
        ("coil", "core") => "core loss, in parallel",
        ("coil", "saturation") => "current at which the inductance has fallen by 30 %",
        (_, "fixed") => "fixed capacitor, wiring and pins included",
        ("bank", _) if key == table => "switched capacitors",
        ("bank", "kind") => "parallel: each line adds one; select: a multiplexer picks one",
        ("bank", "capacitors") => "line 0 (or position 0) first; 0 leaves a position open",
        ("bank", "on") => "closed switch, in series with its capacitor",
        ("bank", "off") => "open switch",
        ("bank", "charge") => "injected into the tank at each edge",
        ("sweep", _) if key == table => "capacitor faded in by a MOSFET channel; source on the rail",
        ("sweep", "capacitor") => "the capacitor",
        ("sweep", "transconductance") => "channel parameter k",
        ("sweep", "threshold") => "threshold voltage",
        ("sweep", "body_diode") => "silicon diode from rail to drain",
        ("coupling", "coupling") => "what joins the stages",
        ("coupling", "c12") => "capacitor between tanks 1 and 2; 0 for none",
        ("coupling", "tap1_to_driver2") => "buffered level from tap 1 to driver 2",
        ("coupling", "follower_to_driver3") => "buffered level from the follower to driver 3",
        ("follower", "follower") => "Darlington pair after tank 2",
        ("follower", "coupling") => "capacitor from tank 2",
        ("follower", "upper") => "divider to the rail",
        ("follower", "lower") => "divider to ground",
        ("follower", "base") => "stopper in the first base",
        ("follower", "load") => "second emitter to ground",
        ("input", "coupling") | ("follower", "output") => "output coupling capacitor",
        ("follower", "level") => "resistor after it",
        ("exciter", "exciter") => "two-transistor astable, narrow pulse",
        ("exciter", "timing") => "both timing resistors",
        ("exciter", "pause") => "capacitor of the long half",
        ("exciter", "pulse") => "capacitor of the short half",
        ("exciter", "base_emitter") => "voltage at which a half ends; falls by 2 mV/K",
        ("exciter", "saturation") => "collector of a transistor that is on",
        ("exciter", "bias_limit") => "highest bias that knob or control voltage can give",
        ("exciter", "gate_series") => "from the bias to the timing resistors",
        ("exciter", "gate_capacitor") => "emptied and filled by the soft gate",
        ("click", "click") => "treatments, switched in by the click knobs",
        ("click", "bleed") => "across every switch",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_written_board_reads_back_and_every_line_is_explained() {
        let board = Board::built_in();
        let text = board.to_toml();
        assert_eq!(Board::from_toml(&text).unwrap(), board);
        for line in text.lines().filter(|line| !line.is_empty()) {
            assert!(line.contains('#'), "no comment on: {line}");
        }
    }

    #[test]
    fn notes_of_several_lines_read_back_as_they_are() {
        for notes in
            ["a\nb", "a\n", "\n", "one\n[stage1]\nsupply = \"x\"", "it's \"\"\" so\n\'\'\' too \\\r\nend\"", "= \"\"\""]
        {
            let mut board = Board::built_in();
            (board.name, board.notes) = (notes.into(), notes.into());
            assert_eq!(Board::from_toml(&board.to_toml()).unwrap(), board, "{}", board.to_toml());
        }
    }

    #[test]
    fn an_error_names_line_part_what_was_given_and_what_is_allowed() {
        let text = Board::built_in().to_toml();
        let broken = text.replacen("\"500 mH\"", "\"500 mF\"", 1);
        let error = Board::from_toml(&broken).unwrap_err();
        assert_eq!(error.place, "stage1.coil.inductance");
        assert!(error.line.is_some());
        assert!(error.what.contains("500 mF") && error.what.contains("allowed"), "{error}");

        let error = Board::from_toml(&text.replacen("supply = \"3 V\"", "supply = \"12 V\"", 1)).unwrap_err();
        assert_eq!((error.place.as_str(), error.line), ("supply", Some(5)));
        assert!(error.what.contains("12 V") && error.what.contains("9 V"), "{error}");

        let error = Board::from_toml(&text.replacen("[click]", "[clack]", 1)).unwrap_err();
        assert!(error.to_string().contains("clack"), "{error}");
    }
}
