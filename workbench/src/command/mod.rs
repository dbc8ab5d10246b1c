//! The commands of `tritank`: what each one takes, does and says.

pub mod board;
pub mod circuit;
pub mod coils;
pub mod gates;
pub mod keys;
pub mod knobs;
mod notes;
pub mod patches;
pub mod plan;
pub mod preset;
pub mod render;
pub mod response;
pub mod sheet;
mod tolerances;
pub mod tune;

use crate::fault::Fault;
use crate::unit::{Choice, Codes};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// The options that every command about a unit shares.
#[derive(Clone, Debug, Default, clap::Args)]
#[command(next_help_heading = "The unit")]
pub struct UnitOptions {
    /// Board file (TOML, see `tritank board`); without one, the built-in board, or the patch's own
    #[arg(long, value_name = "FILE")]
    board: Option<PathBuf>,
    /// Patch file (TOML): where the knobs stand, and its board if it holds one; --board goes before that one
    #[arg(long, value_name = "FILE")]
    patch: Option<PathBuf>,
    /// Codes on the lines of the three stages, 0 to 15 each, bit n for line n; stated as they end up on the lines,
    /// panel switches and all
    #[arg(long, value_name = "A,B,C")]
    code: Option<Codes>,
    /// Turns a knob or a switch, as stage1.switch2=on, exciter.rate=110Hz or unit.supply=1.5V; may be given again;
    /// `tritank knobs` lists them
    #[arg(long, value_name = "NAME=VALUE")]
    set: Vec<String>,
}

impl UnitOptions {
    fn choice(&self) -> Choice {
        Choice { board: self.board.clone(), patch: self.patch.clone(), codes: self.code, set: self.set.clone() }
    }
}

/// Writes to standard output; a reader that has seen enough is no fault.
///
/// # Errors
/// When it cannot be written for another reason.
pub fn say(bytes: &[u8]) -> Result<(), Fault> {
    let mut out = std::io::stdout().lock();
    match out.write_all(bytes).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Fault::new(format!("standard output: {}", error.kind())))
        }
        _ => Ok(()),
    }
}

/// A remark for the person at the terminal, beside the output.
fn remark(text: &str) {
    // Nobody reads standard error: nothing is lost.
    let _ = writeln!(std::io::stderr(), "tritank: note: {text}");
}

/// How many of something there are, and that they lie somewhere.
fn lie(count: usize, one: &str, many: &str) -> String {
    if count == 1 { format!("1 {one} lies") } else { format!("{count} {many} lie") }
}

/// One JSON document with a line end.
fn say_json(document: &impl serde::Serialize) -> Result<(), Fault> {
    let mut text = serde_json::to_vec_pretty(document).map_err(Fault::new)?;
    text.push(b'\n');
    say(&text)
}

/// Nothing is written over an input, nor twice over one file: each option with its file, if it was given.
fn refuse_one_name_for_two_files(inputs: &[Option<&Path>], outputs: &[(&str, Option<&Path>)]) -> Result<(), Fault> {
    let real = |file: &Path| std::fs::canonicalize(file).unwrap_or_else(|_| file.to_owned());
    let outputs: Vec<_> = outputs.iter().filter_map(|(option, file)| file.map(|file| (option, file))).collect();
    for (n, (option, out)) in outputs.iter().enumerate() {
        if inputs.iter().flatten().any(|input| real(input) == real(out)) {
            return Err(Fault::in_file(out, "given as input and as output, allowed is a name of its own for each"));
        }
        if let Some((other, _)) = outputs[..n].iter().find(|(_, other)| real(other) == real(out)) {
            let what = format!("given for {other} and for {option}, allowed is a name of its own for each");
            return Err(Fault::in_file(out, what));
        }
    }
    Ok(())
}

/// A flag that the keyboard or the system raises when the work is to stop.
fn stopping() -> Arc<AtomicBool> {
    let stopped = Arc::new(AtomicBool::new(false));
    let flag = Arc::clone(&stopped);
    // A handler that is there already (a program that calls this one) stays in charge.
    let _ = ctrlc::set_handler(move || flag.store(true, Ordering::Relaxed));
    stopped
}

/// A refusal once that flag is up.
fn refuse_if_stopped(stopped: &AtomicBool) -> Result<(), Fault> {
    if stopped.load(Ordering::Relaxed) {
        return Err(Fault::new("stopped by the keyboard or the system; nothing was written"));
    }
    Ok(())
}

/// A bar on a terminal, nothing elsewhere.
fn progress(whole: u64) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(whole), ProgressDrawTarget::stderr_with_hz(5));
    if let Ok(style) = ProgressStyle::with_template("{bar:40} {percent:>3} %  {eta} left") {
        bar.set_style(style);
    }
    bar
}

/// A sign of life on a terminal, nothing elsewhere, for work whose end cannot be told.
fn busy(what: &'static str) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr_with_hz(5));
    if let Ok(style) = ProgressStyle::with_template("{spinner} {msg}, {elapsed}") {
        bar.set_style(style);
    }
    bar.set_message(what);
    bar.enable_steady_tick(std::time::Duration::from_millis(200));
    bar
}
