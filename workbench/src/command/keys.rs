//! `tritank keys`: the codes of a plan, laid on keys.

use super::notes::{Notes, keys_are_silent};
use super::{say, say_json};
use crate::fault::Fault;
use crate::{unit, whole_file};
use serde::Deserialize;
use std::fmt::Write as _;
use std::path::PathBuf;
use tritank_dsp::board::Board;
use tritank_dsp::keys::fill::{self, Vowel};

/// Lays the vowels of a plan on keys: writes a patch whose key table plays their codes
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: the vowels of the planned bank on the keys from 48 up
  tritank plan --board mine.toml --out planned.toml --json > plan.json
  tritank keys --plan plan.json --board planned.toml --out vowels.toml", after_long_help = LONG)]
pub struct KeysCommand {
    /// What `tritank plan --json` printed
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// Only the vowels of this group
    #[arg(long, value_name = "NAME")]
    group: Option<String>,
    /// The key of the first vowel, in MIDI numbers
    #[arg(long, value_name = "KEY", default_value_t = 48, value_parser = clap::value_parser!(u8).range(0..=127))]
    first: u8,
    /// Board file for the patch; without one, the built-in board, or the patch's own
    #[arg(long, value_name = "FILE")]
    board: Option<PathBuf>,
    /// Patch file to start from
    #[arg(long, value_name = "FILE")]
    patch: Option<PathBuf>,
    /// Turns a knob of the patch, as exciter.pitch=keys; may be given again; `tritank knobs` lists them
    #[arg(long, value_name = "NAME=VALUE")]
    set: Vec<String>,
    /// Patch file to write; a new one
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Prints the keys as JSON
    #[arg(long)]
    json: bool,
}

const LONG: &str = "\
Each key from --first on takes the next vowel, in the order of the plan, until the vowels or the keys end. Keys beside them \
keep what the patch says. The patch plays with --patch in tritank render, and is what a host's state carries.

line = switch XOR keys XOR pattern XOR gate: the code of a key pulls its lines on top of what panel \
switches, code knobs, patterns, gates and a score pull, and a line is on while an odd number of them \
do. With all of those off, a key's code is the code on the lines.

JSON:
  out    file written
  keys   for each: key, vowel, group, code
  notes  what is noted on standard error

Example: the vowels of the planned bank on the keys from 48 up
  tritank plan --board mine.toml --out planned.toml --json > plan.json
  tritank keys --plan plan.json --board planned.toml --out vowels.toml
Example: the same, sounding by themselves
  tritank keys --plan plan.json --board planned.toml --out vowels.toml \\
    --set exciter.level=0.6 --set exciter.pitch=keys";

/// What is read of a plan.
#[derive(Deserialize)]
struct Plan {
    codes: Vec<Vowel>,
    /// Farads across every tank that no part of the plan is.
    #[serde(default)]
    wiring: f64,
    #[serde(default)]
    stages: Vec<PlannedStage>,
}

/// The capacitors of a stage, farads.
#[derive(Deserialize)]
struct PlannedStage {
    fixed: f64,
    bank: Vec<f64>,
}

impl Plan {
    /// Whether the plan's codes mean on this board what they mean in the plan; a plan that names no capacitors is believed.
    fn is_of(&self, board: &Board) -> bool {
        // Nearer than parts come: a hundredth of a percent, and a hundredth of a picofarad.
        let same = |a: f64, b: f64| (a - b).abs() <= 1e-4 * a.abs().max(b.abs()) + 1e-14;
        let soldered = [&board.stage1, &board.stage2, &board.stage3];
        self.stages.iter().zip(soldered).all(|(planned, stage)| {
            let bank = &stage.bank.capacitors;
            same(planned.fixed + self.wiring, stage.fixed)
                && planned.bank.len() == bank.len()
                && planned.bank.iter().zip(bank).all(|(a, b)| same(*a, *b))
        })
    }
}

impl KeysCommand {
    /// Writes the patch.
    ///
    /// # Errors
    /// A broken plan, board or patch, a group that is not in the plan, or a file that is there already; nothing is written.
    pub fn run(&self) -> Result<(), Fault> {
        let mut patch = unit::read_patch(self.patch.as_deref(), self.board.as_deref())?;
        for assignment in &self.set {
            unit::set(&mut patch.settings, assignment)?;
        }
        let text = unit::text(&self.plan)?;
        let plan: Plan = serde_json::from_str(&text).map_err(|error| {
            let (line, column, told) = (error.line(), error.column(), error.to_string());
            let what = told.split(" at line ").next().unwrap_or_default();
            let allowed = "allowed is what tritank plan --json prints";
            Fault::in_file(
                &self.plan,
                format!("line {line}, column {column}: given what is no plan ({what}), {allowed}"),
            )
        })?;
        let is_of = plan.is_of(&patch.board);
        let mut vowels = plan.codes;
        if let Some(vowel) = vowels.iter().find(|vowel| vowel.code.iter().any(|code| *code > 15)) {
            let what = format!("codes, {}: given {:?}, allowed are three codes from 0 to 15", vowel.vowel, vowel.code);
            return Err(Fault::in_file(&self.plan, what));
        }
        let mut groups: Vec<String> = Vec::new();
        for vowel in &vowels {
            if !groups.contains(&vowel.group) {
                groups.push(vowel.group.clone());
            }
        }
        if let Some(group) = &self.group {
            vowels.retain(|vowel| vowel.group == *group);
        }
        if vowels.is_empty() {
            let given = self.group.as_ref().map_or("no vowel".to_owned(), |group| format!("\"{group}\""));
            return Err(Fault::in_file(&self.plan, format!("given {given}, allowed is one of {}", groups.join(", "))));
        }
        if self.out.symlink_metadata().is_ok() {
            return Err(Fault::in_file(&self.out, "given a name that is taken, allowed is the name of a new file"));
        }
        vowels.truncate(128 - usize::from(self.first));
        let last = self.first + (vowels.len() - 1) as u8;
        fill::vowels(&mut patch.keys, self.first..=last, &vowels);
        whole_file::write(&self.out, patch.to_toml().as_bytes())?;
        let mut notes = Notes::default();
        if !is_of {
            notes.add(
                "the patch is on another board than the plan: its capacitors give other vowels; --board takes the planned board",
            );
        }
        notes.add_all(keys_are_silent(&patch));
        let rows = (self.first..=last).zip(&vowels);
        if self.json {
            let keys: Vec<_> = rows
                .map(|(key, vowel)| {
                    serde_json::json!({ "key": key, "vowel": vowel.vowel, "group": vowel.group, "code": vowel.code })
                })
                .collect();
            return say_json(&serde_json::json!({ "out": self.out, "keys": keys, "notes": notes }));
        }
        let mut told = String::from("key  vowel  group    code\n");
        for (key, vowel) in rows {
            let [a, b, c] = vowel.code;
            let _ = writeln!(told, "{key:>3}  {:<5}  {:<7}  {a},{b},{c}", vowel.vowel, vowel.group);
        }
        say(told.as_bytes())
    }
}
