//! `tritank preset`: patches as preset files, for hosts that play the VST3 plugin.

use super::{UnitOptions, refuse_one_name_for_two_files, say, say_json};
use crate::fault::{Fault, told};
use crate::preset::{ENDING, file};
use crate::whole_file;
use serde_json::json;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use tritank_dsp::factory::PATCHES;
use tritank_dsp::patch::Patch;

/// Writes a patch as a preset file (.vstpreset), which hosts of the VST3 plugin load
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: a patch of your own for a VST3 host
  tritank preset --patch riff.toml --out Riff.vstpreset", after_long_help = LONG)]
pub struct PresetCommand {
    #[command(flatten)]
    unit: UnitOptions,
    /// Preset file to write; a host shows its name without the ending
    #[arg(long, value_name = "FILE.vstpreset", required_unless_present = "all", help_heading = "The preset")]
    out: Option<PathBuf>,
    /// Writes a file for every patch that comes with the program into this folder, which is made if it is not there
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["out", "board", "patch", "code", "set"], help_heading = "The preset")]
    all: Option<PathBuf>,
    /// As JSON
    #[arg(long)]
    json: bool,
}

const LONG: &str = "\
A preset holds all that the plugin saves: board, knobs, keys and patterns. It is the same on every \
system. Hosts list what lies in
  Linux    ~/.vst3/presets/Tritank/Tritank/
  macOS    ~/Library/Audio/Presets/Tritank/Tritank/
  Windows  Documents\\VST3 Presets\\Tritank\\Tritank\\
and some ask for a file. CLAP hosts need no preset file: those that look for presets list the patch \
files (.toml) in the same folder.

JSON: {\"written\": [files]}.

Example: a patch of your own for a VST3 host
  tritank preset --patch riff.toml --out Riff.vstpreset
Example: one that comes with the program, on your own board
  tritank patches --write riff.toml talking-riff
  tritank preset --patch riff.toml --board mine.toml --out \"My riff.vstpreset\"";

impl PresetCommand {
    /// Writes the file or files.
    ///
    /// # Errors
    /// A broken board or patch, another ending, a file in place of a folder, or one of them that cannot be written.
    pub fn run(&self) -> Result<(), Fault> {
        let written = match (&self.all, &self.out) {
            (Some(folder), _) => write_all(folder)?,
            (None, Some(out)) => {
                let inputs = [self.unit.board.as_deref(), self.unit.patch.as_deref()];
                refuse_one_name_for_two_files(&inputs, &[("--out", Some(out.as_path()))])?;
                write(out, &self.unit.choice().unit()?)?;
                vec![out.clone()]
            }
            (None, None) => return Err(Fault::new("given no file, allowed are --out and --all")),
        };
        if self.json {
            return say_json(&json!({ "written": written }));
        }
        let mut text = String::new();
        for file in &written {
            let _ = writeln!(text, "{}", file.display());
        }
        say(text.as_bytes())
    }
}

fn write(out: &Path, patch: &Patch) -> Result<(), Fault> {
    if out.extension().is_none_or(|ending| ending != ENDING) {
        return Err(Fault::in_file(out, format!("given another ending, allowed is .{ENDING}: hosts go by it")));
    }
    whole_file::write(out, &file(patch))
}

fn write_all(folder: &Path) -> Result<Vec<PathBuf>, Fault> {
    // What is there of it, or the nearest above it that is.
    let there = folder.ancestors().find(|part| part.symlink_metadata().is_ok());
    if let Some(file) = there.filter(|part| !part.is_dir()) {
        let what = format!("--all {}: given a file, allowed is a folder, there or still to be made", folder.display());
        return Err(Fault::in_file(file, what));
    }
    std::fs::create_dir_all(folder).map_err(|error| Fault::in_file(folder, told(&error)))?;
    let mut written = Vec::new();
    for factory in PATCHES {
        let out = folder.join(format!("{}.{ENDING}", factory.title()));
        write(&out, &factory.patch())?;
        written.push(out);
    }
    Ok(written)
}
