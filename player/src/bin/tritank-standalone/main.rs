//! The unit without a host: audio and MIDI straight from the machine. Start low: the output goes to your loudspeakers.
//!
//! Only built with the feature `standalone`, which on Linux needs the development files of ALSA (`cargo xtask setup`).

mod sound_card;

use clap::Parser;
use sound_card::SoundCard;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tritank_player::arguments::{Arguments, listed};
use tritank_player::machine::Machine;
use tritank_player::session;
use tritank_workbench::fault::EXIT_CODE;

fn main() -> ExitCode {
    match run(&Arguments::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("tritank-standalone: {error}");
            ExitCode::from(EXIT_CODE)
        }
    }
}

fn run(arguments: &Arguments) -> Result<(), String> {
    let mut card = SoundCard::default();
    if arguments.list {
        print!("{}", listed(&card.devices()?));
        return Ok(());
    }
    let music = arguments.music().map_err(|fault| fault.to_string())?;
    let closing = Arc::new(AtomicBool::new(false));
    let asked = closing.clone();
    ctrlc::set_handler(move || asked.store(true, Ordering::Relaxed)).map_err(|error| error.to_string())?;
    session::play(&mut card, &arguments.wanted(), &music, &closing, &mut std::io::stdout())
}
