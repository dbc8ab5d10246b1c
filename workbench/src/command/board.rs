//! `tritank board`: a board with a comment on every line.

use super::{say, say_json};
use crate::fault::Fault;
use crate::{unit, whole_file};
use std::path::PathBuf;

/// Prints a board with a comment on every line: the built-in one, or yours, checked
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: a board of your own to start from
  tritank board --write mine.toml", after_long_help = LONG)]
pub struct BoardCommand {
    /// Board file to check and print; without one, the built-in board
    #[arg(long, value_name = "FILE")]
    board: Option<PathBuf>,
    /// Patch file whose board is checked and printed
    #[arg(long, value_name = "FILE", conflicts_with = "board")]
    patch: Option<PathBuf>,
    /// Writes the board to a new file instead
    #[arg(long, value_name = "FILE")]
    write: Option<PathBuf>,
    /// The board as JSON, in SI texts such as "4.7 kΩ"; with --write, the name of the file written
    #[arg(long)]
    json: bool,
}

const LONG: &str = "\
A board holds what is soldered; values are written as builders write them: \"100n\", \"4k7\", \"0.15 H\" (IEC 60062).
A file that is there is never written over: it may be the only sheet of a unit.

JSON: the board's own tables and keys, as in the file; with --write {\"written\": FILE}.

Example: a board of your own to start from
  tritank board --write mine.toml";

impl BoardCommand {
    /// Prints or writes the board.
    ///
    /// # Errors
    /// A broken board, or a file that is there already or cannot be written.
    pub fn run(&self) -> Result<(), Fault> {
        let board = match &self.patch {
            Some(patch) => unit::read_patch(Some(patch), None)?.board,
            None => unit::read_board(self.board.as_deref())?,
        };
        match &self.write {
            None if self.json => say_json(&board),
            None => say(board.to_toml().as_bytes()),
            Some(file) => {
                if file.symlink_metadata().is_ok() {
                    return Err(Fault::in_file(file, "given a name that is taken, allowed is the name of a new file"));
                }
                whole_file::write(file, board.to_toml().as_bytes())?;
                if self.json { say_json(&serde_json::json!({ "written": file })) } else { Ok(()) }
            }
        }
    }
}
