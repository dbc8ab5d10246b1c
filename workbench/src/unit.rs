//! The unit on the bench: which board, how its knobs stand, which codes are on its lines.
//!
//! ```text
//!   --board ──┐
//!   --patch ──┼──► board and knobs ◄── --set name=value ◄── --code A,B,C
//!   built in ─┘
//! ```

use crate::fault::Fault;
use std::fmt;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use tritank_dsp::board::Board;
use tritank_dsp::factory::Factory;
use tritank_dsp::knobs::{Knob, Settings};
use tritank_dsp::lines::{Line, Lines, Source};
use tritank_dsp::patch::Patch;

/// One code for each stage, bit n for line n.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Codes(pub [u8; 3]);

impl FromStr for Codes {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let row: Vec<_> = text.split(',').collect();
        let [a, b, c] = row[..] else {
            return Err(format!("given {} codes, allowed are three, one a stage, such as 5,0,12", row.len()));
        };
        let mut codes = [0; 3];
        for ((stage, word), code) in (1..).zip([a, b, c]).zip(&mut codes) {
            *code =
                word.trim().parse().ok().filter(|code| *code < 16).ok_or_else(|| {
                    format!("stage {stage}: given \"{word}\", allowed is a whole number from 0 to 15")
                })?;
        }
        Ok(Self(codes))
    }
}

impl fmt::Display for Codes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [a, b, c] = self.0;
        write!(f, "{a},{b},{c}")
    }
}

/// Reads a board file; `None` is the built-in board.
///
/// # Errors
/// The file, the line and part in it, what was given and what is allowed.
pub fn read_board(file: Option<&Path>) -> Result<Board, Fault> {
    let Some(file) = file else { return Ok(Board::built_in()) };
    let written = text(file)?;
    Board::from_toml(&written).map_err(|error| {
        if is_table(&written, "patch") {
            return Fault::in_file(file, "given a patch, allowed is a board; a patch is read by --patch");
        }
        Fault::in_file(file, error)
    })
}

/// Whether a text is a table that begins as a board or a patch does, with the version of its kind.
fn is_table(text: &str, version: &str) -> bool {
    toml::from_str::<toml::Table>(text).is_ok_and(|table| table.contains_key(version))
}

/// What to say where a file is not there and a patch that comes with the program has its name.
fn named_like_a_patch_of_ours(file: &Path) -> Option<Fault> {
    let name = Factory::find(file.to_str()?).filter(|_| !file.exists())?.name;
    let what = format!(
        "there is no such file; the patch of that name comes with the program, `tritank patches --write {name}.toml {name}` \
         writes it to one"
    );
    Some(Fault::in_file(file, what))
}

/// Reads a patch and plays it on its own board, or on the one that is given by file.
///
/// # Errors
/// The file, the line and part in it, what was given and what is allowed.
pub fn read_patch(patch: Option<&Path>, board: Option<&Path>) -> Result<Patch, Fault> {
    let soldered = read_board(board)?;
    let Some(file) = patch else { return Ok(Patch::new(soldered)) };
    let written = text(file).map_err(|fault| named_like_a_patch_of_ours(file).unwrap_or(fault))?;
    let patch = Patch::from_toml(&written, &soldered).map_err(|error| {
        if is_table(&written, "version") {
            return Fault::in_file(file, "given a board, allowed is a patch; a board is read by --board");
        }
        let list = if error.place.starts_with("knobs.") { LIST } else { "" };
        Fault::in_file(file, format!("{error}{list}"))
    })?;
    if board.is_none() {
        return Ok(patch);
    }
    // The patch as it stands is sound; now without its board, so that the one given takes its place.
    let mut table: toml::Table = toml::from_str(&written).map_err(|error| Fault::in_file(file, error.message()))?;
    table.remove("board");
    let knobs = toml::to_string(&table).map_err(|error| Fault::in_file(file, error))?;
    Patch::from_toml(&knobs, &soldered).map_err(|error| Fault::in_file(file, error))
}

/// Where it is said what a knob takes.
const LIST: &str = "; `tritank knobs` says what each does";

/// Reads `name=value`, as `--set` writes it.
///
/// # Errors
/// What was given and what is allowed.
pub fn set(settings: &mut Settings, assignment: &str) -> Result<(), Fault> {
    let refuse = |what: String| Fault::new(format!("--set {assignment}: {what}"));
    let (id, value) = assignment
        .split_once('=')
        .ok_or_else(|| refuse("given no \"=\", allowed is name=value such as stage1.switch2=on".into()))?;
    settings.assign(id.trim(), value).map_err(|error| refuse(error.what + LIST))
}

/// What the knobs by themselves put on the lines: panel switches, codes, and keys of which none is down.
pub fn lines(settings: &Settings) -> Lines {
    let mut lines = Lines::default();
    for stage in 0..3 {
        let panel = (0..4).fold(0, |code, bit| code | u8::from(settings.is_on(Knob::switch(stage, bit))) << bit);
        lines.set_code(Source::Panel, stage, panel);
        lines.set_code(Source::Code, stage, settings.get(Knob::code(stage)) as u8);
    }
    lines.set(Source::Panel, Line::SOFT, settings.is_on(Knob::ExciterSoftGate));
    lines.set(Source::Panel, Line::HARD, settings.is_on(Knob::ExciterHardGate));
    // Where keys give the pitch, no key down shuts the hard gate.
    lines.set(Source::Keys, Line::HARD, settings.is_on(Knob::ExciterPitch));
    lines
}

/// The codes that panel switches and code knobs together put on the lines.
pub fn codes(settings: &Settings) -> [u8; 3] {
    lines(settings).codes()
}

/// Turns the code knobs so that these codes are on the lines, whatever the panel switches invert.
pub fn set_codes(settings: &mut Settings, Codes(wanted): Codes) {
    for (stage, (wanted, now)) in wanted.into_iter().zip(codes(settings)).enumerate() {
        let knob = Knob::code(stage);
        let turned = settings.get(knob) as u8 ^ now ^ wanted;
        settings.set(knob, f64::from(turned));
    }
}

/// The options from which a unit is made.
#[derive(Clone, Debug, Default)]
pub struct Choice {
    /// Board file; the built-in board without one.
    pub board: Option<PathBuf>,
    /// Patch file.
    pub patch: Option<PathBuf>,
    /// Codes on the lines.
    pub codes: Option<Codes>,
    /// Knobs as `name=value`.
    pub set: Vec<String>,
}

impl Choice {
    /// The unit: the board, then the patch, then single knobs, then the codes.
    ///
    /// # Errors
    /// The first thing that is wrong, with its file and place.
    pub fn unit(&self) -> Result<Patch, Fault> {
        let mut patch = read_patch(self.patch.as_deref(), self.board.as_deref())?;
        for assignment in &self.set {
            set(&mut patch.settings, assignment)?;
        }
        if let Some(codes) = self.codes {
            set_codes(&mut patch.settings, codes);
        }
        Ok(patch)
    }
}

/// A text file, whole.
pub(crate) fn text(file: &Path) -> Result<String, Fault> {
    let bytes = std::fs::read(file).map_err(|error| Fault::in_file(file, crate::fault::told(&error)))?;
    String::from_utf8(bytes).map_err(|error| {
        let good = error.utf8_error().valid_up_to();
        let line = 1 + String::from_utf8_lossy(&error.as_bytes()[..good]).matches('\n').count();
        Fault::in_file(file, format!("line {line}: given bytes that are no text, allowed is UTF-8"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use tritank_dsp::instrument::Instrument;

    #[test]
    fn codes_read_back_and_what_is_no_code_is_refused() {
        let codes: Codes = "5, 0,12".parse().unwrap();
        assert_eq!(codes, Codes([5, 0, 12]));
        assert_eq!(codes.to_string().parse(), Ok(codes));
        for (text, given) in
            [("5,0", "2 codes"), ("5,0,16", "\"16\""), ("a,0,0", "\"a\""), ("", "1 codes"), ("1,-1,0", "\"-1\"")]
        {
            let error = text.parse::<Codes>().unwrap_err();
            assert!(error.contains(given) && error.contains("allowed"), "{error}");
        }
    }

    #[test]
    fn a_code_stands_on_the_lines_whatever_the_panel_inverts() {
        let mut settings = Settings::of(&Board::built_in());
        set(&mut settings, "stage1.switch2=on").unwrap();
        set(&mut settings, "stage3.code=9").unwrap();
        assert_eq!(codes(&settings), [4, 0, 9]);
        set_codes(&mut settings, Codes([3, 15, 0]));
        assert_eq!(codes(&settings), [3, 15, 0]);
        assert!(settings.is_on(Knob::Stage1Switch2));
    }

    /// What the bench says is on the lines is what the engine has on them.
    #[test]
    fn the_lines_are_those_of_the_engine() {
        let board = Board::built_in();
        for assignments in [
            &[][..],
            &["stage1.switch2=on", "stage1.code=12", "exciter.soft_gate=on"],
            &["stage3.code=9", "stage2.switch0=on", "exciter.hard_gate=on"],
            &["exciter.pitch=keys", "stage2.code=15"],
            &["exciter.pitch=keys", "exciter.hard_gate=on"],
        ] {
            let mut settings = Settings::of(&board);
            for assignment in assignments {
                set(&mut settings, assignment).unwrap();
            }
            let engine = Instrument::new(&board, &settings, 48e3).unwrap().lines();
            let told = lines(&settings);
            assert!(Line::all().all(|line| told.is_on(line) == engine[line.index()]), "{assignments:?}");
        }
    }

    #[test]
    fn a_given_board_takes_the_place_of_the_one_in_a_patch() {
        let folder = tempfile::tempdir().unwrap();
        let mut flat = Board::built_in();
        flat.supply = 1.5;
        let board = folder.path().join("flat.toml");
        std::fs::write(&board, flat.to_toml()).unwrap();
        let patch = folder.path().join("patch.toml");
        let mut own = Patch::new(Board::built_in());
        own.board.name = "Own".into();
        std::fs::write(&patch, own.to_toml()).unwrap();

        assert_eq!(read_patch(Some(&patch), None).unwrap(), own);
        let other = read_patch(Some(&patch), Some(&board)).unwrap();
        assert_eq!(other.board, flat);
        assert_eq!(other.settings, own.settings);
    }

    #[test]
    fn a_fault_in_a_board_names_the_file_and_the_line() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("bad.toml");
        std::fs::write(&file, Board::built_in().to_toml().replacen("\"3 V\"", "\"30 V\"", 1)).unwrap();
        let error = read_board(Some(&file)).unwrap_err().to_string();
        assert!(error.contains("bad.toml: line 5: supply: given 30 V"), "{error}");
        std::fs::write(&file, b"version = 1\nname = \"\xff\"\n").unwrap();
        let error = read_board(Some(&file)).unwrap_err().to_string();
        assert!(error.contains("bad.toml: line 2"), "{error}");
    }
}
