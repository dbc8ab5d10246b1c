//! The demo: a track, the built plugin as an insert on it, switch lines worked by a step pattern, a page of it all.
//!
//! ```text
//!   organ (or a recording) ─► dry.wav ─► insert ─► wet.wav, taps.wav
//!   pattern ─► lines ───────────────────┘    └───► pictures, index.html
//! ```

mod insert;
mod organ;
mod page;
mod pattern;
mod pictures;

use anyhow::{Context, Result, bail, ensure};
use clap::Parser;
use insert::{Insert, Rendered, Turn};
use page::Page;
use pattern::Move;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use tritank_dsp::board::Board;
use tritank_dsp::knobs::{Knob, Settings};
use tritank_workbench::sound::Sound;

/// Plays a track through the built plugin and leaves sounds, pictures and a page.
#[derive(Parser)]
struct Arguments {
    /// The built plugin, a .clap file
    #[arg(long)]
    plugin: PathBuf,
    /// Folder to leave everything in
    #[arg(long)]
    out: PathBuf,
    /// A recording instead of the organ
    #[arg(long)]
    input: Option<PathBuf>,
}

/// Sample rate of the organ track.
const ORGAN_RATE_HZ: u32 = 48_000;

/// Volts that the loudest second of any track leaves on stage 1's bus: enough to bend its driver, not to flatten it.
const DRIVE_VOLTS: f64 = 0.06;

/// Knobs that the demo turns, besides `stage1.main`; all others stand as on a new unit.
const KNOBS: [(Knob, &str); 5] = [
    (Knob::Stage2Link, "0.2"),
    (Knob::Stage3Link, "0.15"),
    (Knob::Tap1Level, "0.6"),
    (Knob::Tap2Level, "0.4"),
    (Knob::Tap3Level, "0.25"),
];

fn main() -> ExitCode {
    match run(&Arguments::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("demo: {error:#}");
            ExitCode::from(2)
        }
    }
}

fn run(arguments: &Arguments) -> Result<()> {
    let track = match &arguments.input {
        None => Track::organ()?,
        Some(file) => Track::recording(file)?,
    };
    let dry = &track.dry;
    let settings = settings(dry)?;
    let moves = pattern::moves(&pattern::ROWS, dry.rate_hz, track.pattern_from, dry.frames());

    let mut insert = Insert::load(&arguments.plugin)?;
    println!("Loaded   {} ({})", insert.title, insert.facts());
    println!("Track    {}", track.line());
    let rendered = insert.play(dry, &turns(&settings, &moves)?)?;

    leave(&arguments.out, &track, &rendered, &settings, &moves, &insert.title)?;
    println!("Speed    {:.1} x real time at {} Hz", speed(dry, &rendered), dry.rate_hz);
    println!("Sounds   {}", arguments.out.join("{dry,wet,taps}.wav").display());
    println!("Page     {}", arguments.out.join("index.html").display());
    Ok(())
}

/// What is played.
struct Track {
    title: String,
    is_organ: bool,
    dry: Sound,
    /// Where the step pattern sets in, seconds.
    pattern_from: f64,
}

impl Track {
    fn organ() -> Result<Self> {
        let dry = organ::slack_water(ORGAN_RATE_HZ)?;
        // The first bar is heard with every line off.
        let (title, pattern_from) =
            ("Slack water, eight bars for a drawbar organ".to_owned(), 16.0 * pattern::STEP_SECONDS);
        Ok(Self { title, is_organ: true, dry, pattern_from })
    }

    fn recording(file: &Path) -> Result<Self> {
        let name = file.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let dry = Sound::read(file)?;
        if let Some((count, frame)) = dry.not_finite() {
            bail!(
                "{}: given {count} samples that are no number, the first in frame {frame}; allowed are numbers",
                file.display()
            );
        }
        Ok(Self { title: name, is_organ: false, dry, pattern_from: 0.0 })
    }

    fn line(&self) -> String {
        let sides = if self.dry.channels.len() == 1 { "mono" } else { "stereo" };
        format!("{}, {sides}, {} Hz, {:.1} s", self.title, self.dry.rate_hz, self.dry.seconds())
    }
}

fn speed(dry: &Sound, rendered: &Rendered) -> f64 {
    dry.seconds() / rendered.spent.as_secs_f64()
}

/// The demo's knobs, with the main level set so that a quiet recording drives the chain as a loud one does.
fn settings(dry: &Sound) -> Result<Settings> {
    let mut settings = Settings::of(&Board::built_in());
    for (knob, text) in KNOBS {
        settings.assign(knob.id(), text)?;
    }
    let loud = loudest_second(dry);
    settings.set(Knob::Stage1Main, if loud > 0.0 { DRIVE_VOLTS / loud } else { 1.0 });
    Ok(settings)
}

/// Knobs that do not stand as on a new unit.
fn turned(settings: &Settings) -> impl Iterator<Item = (Knob, f64)> {
    let fresh = Settings::of(&Board::built_in());
    Knob::ALL.iter().map(|&knob| (knob, settings.get(knob))).filter(move |&(knob, value)| value != fresh.get(knob))
}

/// RMS of the loudest second of what the chain hears: the mean of both sides.
fn loudest_second(sound: &Sound) -> f64 {
    let power: Vec<f64> = sound.mono().channels[0].iter().map(|x| x * x).collect();
    let window = (sound.rate_hz as usize).min(power.len());
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    power.chunks(window).filter(|part| part.len() == window).map(mean).fold(0.0, f64::max).sqrt()
}

/// Everything that the host turns: knobs before the first frame, then the panel switches at their frames.
fn turns(settings: &Settings, moves: &[Move]) -> Result<Vec<Turn>> {
    let start = turned(settings).map(|(knob, value)| Turn { frame: 0, knob, value });
    let mut turns: Vec<Turn> = start.collect();
    for m in moves {
        let index = m.line.index();
        ensure!(index < 12, "the pattern has no row for {}", m.line);
        turns.push(Turn { frame: m.frame, knob: Knob::switch(index / 4, index % 4), value: f64::from(u8::from(m.on)) });
    }
    Ok(turns)
}

/// Writes the sounds, the pictures and the page.
fn leave(
    out: &Path,
    track: &Track,
    rendered: &Rendered,
    settings: &Settings,
    moves: &[Move],
    plugin: &str,
) -> Result<()> {
    std::fs::create_dir_all(out).with_context(|| out.display().to_string())?;
    track.dry.write(&out.join("dry.wav"))?;
    rendered.wet.write(&out.join("wet.wav"))?;
    rendered.taps.write(&out.join("taps.wav"))?;
    let pictures = pictures::all(track, rendered, settings, moves)?;
    for picture in &pictures {
        picture.write(out)?;
    }
    let page = Page { track, rendered, settings, moves, plugin, pictures: &pictures };
    let file = out.join("index.html");
    std::fs::write(&file, page.html()).with_context(|| file.display().to_string())
}
