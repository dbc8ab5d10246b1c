//! `tritank patches`: the patches that come with the program.

use super::{say, say_json};
use crate::fault::Fault;
use crate::whole_file;
use serde_json::json;
use std::fmt::Write as _;
use std::path::PathBuf;
use tritank_dsp::factory::{Factory, PATCHES};

/// Lists the patches that come with the program, or writes one to a file of your own
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: a patch to start from
  tritank patches --write riff.toml talking-riff", after_long_help = LONG)]
pub struct PatchesCommand {
    /// The patch; without one, all are listed
    #[arg(value_name = "NAME")]
    name: Option<String>,
    /// Writes it to a new file
    #[arg(long, value_name = "FILE", requires = "name")]
    write: Option<PathBuf>,
    /// As JSON
    #[arg(long)]
    json: bool,
}

const LONG: &str = "\
A patch is where every knob stands, and for some a board of its own. All are about as loud as each other under the same \
organ, keys and moving lines (EBU R 128: -23 LUFS within 1 LU, 1 V being full scale); under other hands an insert can be \
ten decibels off, since a resonance answers to what it meets, and those played from keys are silent \
without --keys. Play one with `tritank render --patch FILE`, or with another \
board beside it: --board FILE. A NAME without --write prints the patch. A file that is there is never written over.

JSON: [{\"name\", \"note\", \"play\"}]: name, what it is for, how it is played; with a NAME one of them with \"toml\", the \
file; with --write {\"written\": FILE, \"name\": NAME}.

Example: a patch to start from
  tritank patches --write riff.toml talking-riff";

impl PatchesCommand {
    /// Lists, prints or writes.
    ///
    /// # Errors
    /// A name that is none of them, or a file that is there already or cannot be written.
    pub fn run(&self) -> Result<(), Fault> {
        let Some(name) = &self.name else {
            return if self.json { say_json(&PATCHES.iter().map(facts).collect::<Vec<_>>()) } else { list() };
        };
        let patch = Factory::find(name).ok_or_else(|| {
            let names: Vec<_> = PATCHES.iter().map(|patch| patch.name).collect();
            Fault::new(format!("patch: given \"{name}\", allowed are {}", names.join(", ")))
        })?;
        let Some(file) = &self.write else {
            let mut document = facts(patch);
            document["toml"] = patch.toml.into();
            return if self.json { say_json(&document) } else { say(patch.toml.as_bytes()) };
        };
        if file.symlink_metadata().is_ok() {
            return Err(Fault::in_file(file, "given a name that is taken, allowed is the name of a new file"));
        }
        whole_file::write(file, patch.toml.as_bytes())?;
        if self.json { say_json(&json!({ "written": file, "name": name })) } else { Ok(()) }
    }
}

fn facts(patch: &Factory) -> serde_json::Value {
    json!({ "name": patch.name, "note": patch.note(), "play": patch.play() })
}

fn list() -> Result<(), Fault> {
    let width = PATCHES.iter().map(|patch| patch.name.len()).max().unwrap_or_default();
    let mut text = String::new();
    for patch in PATCHES {
        let _ = writeln!(text, "{:<width$}  {}\n{:width$}  {}", patch.name, patch.note(), "", patch.play());
    }
    say(text.as_bytes())
}
