//! The project's automation, one program for a person's machine and for the build server.
//!
//! ```text
//!   cargo xtask demo ───► bundle ──► organ (or --input) ──► plugin in a host ──► target/demo/
//!               test ───► Rust tests ──► player, where ALSA is ──► bundle ──► checks in Python, when there is one ──► guard
//!               setup ──► what the system lacks, by the names of its packages
//!               bundle ─► target/bundled/Tritank.clap, Tritank.vst3
//!               bench ──► speeds beside plain biquads and a general solver; the slowest frames
//!               guard ──► instructions a frame beside those recorded, when there is a valgrind
//!               wild ───► everything turned at random, for as long as wanted
//!               reference ► the reference solutions in tests/, made anew, and the engine's errors against them
//! ```
//! Each does all its own set-up: Rust and a C linker are enough.

mod bundle;
mod checks;
mod guard;
mod house;
mod python;
mod setup;

use anyhow::{Result, bail};
use checks::Outcome;
use clap::{Parser, Subcommand};
use house::House;
use python::Python;
use std::path::PathBuf;
use std::process::ExitCode;

/// The project's automation.
#[derive(Parser)]
#[command(name = "cargo xtask", bin_name = "cargo xtask")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Hear and see it: an organ (or your own recording) through the built plugin, into target/demo/
    Demo {
        /// A recording to play instead of the organ: WAV, mono or stereo, 16, 24 or 32 bit or float, any rate
        #[arg(long, value_name = "FILE.wav")]
        input: Option<PathBuf>,
    },
    /// Run every check: Rust, then the player, the outside ones in Python and the guard when ALSA, python3 and valgrind are there
    Test,
    /// Say what this machine lacks for the player without a host, and which packages bring it; installs nothing
    Setup,
    /// Build the release plugin into target/bundled/: CLAP and VST3
    Bundle,
    /// Time the whole chain, beside plain biquads and (with python3) a general solver, and its slowest frames
    Bench,
    /// Count the instructions that a frame takes and fail on a tenth more than recorded (needs valgrind)
    Guard {
        /// Write the record anew
        #[arg(long)]
        record: bool,
    },
    /// Play units at random: boards, knobs, lines and inputs, and fail on anything that is not finite
    Wild {
        /// Frames to play
        #[arg(long, value_name = "N", default_value_t = 100_000_000)]
        frames: u64,
        /// Which sequence
        #[arg(long, value_name = "N", default_value_t = 1)]
        seed: u64,
    },
    /// Solve the reference cases in tests/reference/ anew and write them (needs python3); then the engine's errors against them
    Reference {
        /// Only the table of errors, against the solutions that stand
        #[arg(long)]
        table: bool,
    },
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match run(arguments.command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("cargo xtask: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn run(command: Command) -> Result<()> {
    // The house's shell works at its root; a path that a person gave is meant from where they stand.
    let house = House::find()?;
    match command {
        Command::Demo { input } => demo(&house, input),
        Command::Test => checks::run(&house),
        Command::Setup => setup::run(),
        Command::Bundle => {
            let bundle = bundle::build(&house, &[])?;
            println!("CLAP  {}\nVST3  {}", bundle.clap.display(), bundle.vst3.display());
            Ok(())
        }
        Command::Bench => bench(&house),
        Command::Guard { record } => match guard::run(&house, record)? {
            Outcome::Passed => Ok(()),
            Outcome::Failed => bail!("more instructions than recorded; if that was meant: cargo xtask guard --record"),
            Outcome::Skipped(why) => bail!(why),
        },
        Command::Wild { frames, seed } => {
            let (frames, seed) = (frames.to_string(), seed.to_string());
            let words = ["-p", "xtask", "--bench", "wild", "--", "--frames", &frames, "--seed", &seed];
            house.cargo("bench").args(words).run().map_err(Into::into)
        }
        Command::Reference { table } => {
            if !table {
                checks::reference(&house)?;
            }
            checks::table(&house)
        }
    }
}

fn bench(house: &House) -> Result<()> {
    let bench = house.cargo("bench").args(["-p", "xtask", "--bench", "speed"]);
    let bench = match python::set_up(house)? {
        Python::Ready(python) => bench.env("TRITANK_PYTHON", python),
        Python::Missing(why) => bench.env("TRITANK_NO_PYTHON", why),
    };
    bench.run().map_err(Into::into)
}

fn demo(house: &House, input: Option<PathBuf>) -> Result<()> {
    let input = input.map(std::path::absolute).transpose()?;
    let bundle = bundle::build(house, &["-p", "xtask", "--example", "demo"])?;
    let demo = bundle.executable("demo")?;
    let mut command = std::process::Command::new(demo);
    command.arg("--plugin").arg(&bundle.clap).arg("--out").arg(house.target().join("demo"));
    if let Some(file) = &input {
        command.arg("--input").arg(file);
    }
    // What was wrong, the demo has said in a line of its own.
    let status = command.status()?;
    if status.success() { Ok(()) } else { std::process::exit(status.code().unwrap_or(1)) }
}
