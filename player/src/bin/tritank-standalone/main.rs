//! The unit without a host: audio and MIDI straight from the machine. Start low: the output goes to your loudspeakers.
//!
//! Only built with the feature `standalone`, which on Linux needs the development files of ALSA, and with `jack`, which needs
//! those of JACK (`cargo xtask setup`).

#[cfg(feature = "jack")]
mod jack_graph;
mod sound_card;

use clap::Parser;
use sound_card::SoundCard;
use std::io::{IsTerminal as _, Write as _};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use tritank_player::arguments::{Arguments, listed};
use tritank_player::machine::Machine;
use tritank_player::session::{self, Screen};
use tritank_workbench::bench::one_line;
use tritank_workbench::command::say;
use tritank_workbench::fault::EXIT_CODE;

/// How long a fade and what follows may take, before another Ctrl-C ends the program at once: a device may hang.
const PATIENCE: Duration = Duration::from_secs(2);
/// Exit code of that, as shells count: 128 and the number of the signal (common practice).
const INTERRUPTED: i32 = 130;

fn main() -> ExitCode {
    let told = match Arguments::try_parse() {
        Ok(arguments) => run(&arguments),
        Err(error) if !error.use_stderr() => {
            // Help or version: what was asked for. A reader that has seen enough is no fault.
            let _ = error.print();
            Ok(())
        }
        Err(error) => Err(one_line(&error, "tritank-standalone")),
    };
    match told {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Nobody reads standard error: nothing is lost.
            let _ = writeln!(std::io::stderr(), "tritank-standalone: {error}");
            ExitCode::from(EXIT_CODE)
        }
    }
}

fn run(arguments: &Arguments) -> Result<(), String> {
    let usual = sound_card::system();
    match arguments.system.as_deref() {
        None => play(&mut SoundCard::default(), arguments),
        Some(system) if system == usual => play(&mut SoundCard::default(), arguments),
        #[cfg(feature = "jack")]
        Some("jack") => play(&mut jack_graph::JackGraph::default(), arguments),
        Some(other) => {
            let jack = if cfg!(feature = "jack") { ", jack" } else { "; jack where the player is built with it" };
            Err(format!("system: given \"{other}\", allowed is {usual}{jack}"))
        }
    }
}

fn play<M: Machine>(machine: &mut M, arguments: &Arguments) -> Result<(), String> {
    if arguments.list {
        return say(listed(&machine.devices()?).as_bytes()).map_err(|fault| fault.to_string());
    }
    let music = arguments.music().map_err(|fault| fault.to_string())?;
    let closing = Arc::new(AtomicBool::new(false));
    let (asked, mut first) = (closing.clone(), None);
    let stop = move || {
        asked.store(true, Ordering::Relaxed);
        if first.get_or_insert_with(Instant::now).elapsed() > PATIENCE {
            std::process::exit(INTERRUPTED);
        }
    };
    ctrlc::set_handler(stop).map_err(|error| error.to_string())?;
    let mut out = std::io::stdout();
    let meters = out.is_terminal();
    session::play(machine, &arguments.wanted(), &music, &closing, &mut Screen { out: &mut out, meters })
}
