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
        Ok(_) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("demo: {error:#}");
            ExitCode::from(2)
        }
    }
}

/// Plays, and leaves everything; what was played, and what the plugin made of it.
fn run(arguments: &Arguments) -> Result<(Track, Rendered)> {
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
    Ok((track, rendered))
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

#[cfg(test)]
mod tests {
    use super::*;
    use tritank_dsp::instrument::{Input, Instrument};

    /// The built plugin in the demo's own host, from a recording's file to the page: what the host hands over and takes off is
    /// right when it sounds as the engine does, driven directly. Bound: single-precision ports, and knobs set by text.
    #[test]
    fn two_seconds_of_a_recording_sound_as_the_engine_does_and_leave_a_page() {
        let folder = tempfile::tempdir().unwrap();
        let [short, out] = ["short.wav", "out"].map(|name| folder.path().join(name));
        let mut organ = organ::slack_water(ORGAN_RATE_HZ).unwrap();
        organ.channels.iter_mut().for_each(|channel| channel.truncate(2 * ORGAN_RATE_HZ as usize));
        organ.write(&short).unwrap();

        let plugin = tritank_tests::built_library().to_owned();
        let (Track { dry, .. }, Rendered { wet, taps, .. }) =
            run(&Arguments { plugin, out: out.clone(), input: Some(short) }).unwrap();
        for file in ["dry.wav", "wet.wav", "taps.wav"] {
            assert!(std::fs::metadata(out.join(file)).unwrap().len() > 1000, "{file}");
        }
        assert!(std::fs::read_to_string(out.join("index.html")).unwrap().contains("short.wav"));

        let settings = settings(&dry).unwrap();
        let moves = pattern::moves(&pattern::ROWS, dry.rate_hz, 0.0, dry.frames());
        assert!(moves.len() > 10, "the lines move");
        let mut engine = Instrument::new(&Board::built_in(), &settings, f64::from(dry.rate_hz)).unwrap();
        let late = engine.latency();
        let side = |n: usize, side: usize| dry.channels[side].get(n).copied().unwrap_or_default();
        let mut heard: [Vec<f64>; 6] = Default::default();
        for n in 0..dry.frames() + late {
            for m in moves.iter().filter(|m| m.frame == n) {
                let knob = Knob::switch(m.line.index() / 4, m.line.index() % 4);
                engine.set(knob, f64::from(u8::from(m.on)));
            }
            let out = engine.tick(Input { main: [side(n, 0), side(n, 1)], stage2: 0.0, stage3: 0.0 });
            let [left, right] = out.main;
            for (channel, volts) in
                heard.iter_mut().zip([left, right, out.pulse, out.taps[0], out.taps[1], out.taps[2]])
            {
                channel.push(volts);
            }
        }
        for (n, (got, wanted)) in wet.channels.iter().chain(&taps.channels).zip(&heard).enumerate() {
            let power = |sound: &mut dyn Iterator<Item = f64>| sound.map(|x| x * x).sum::<f64>() / dry.frames() as f64;
            let signal = power(&mut wanted[late..].iter().copied());
            let error = power(&mut got.iter().zip(&wanted[late..]).map(|(got, wanted)| got - wanted));
            // The exciter is off in the demo: its channel alone may be silent.
            assert!(signal > 1e-8 || n == 2, "channel {n} is silent");
            assert!(error <= 1e-10 * signal, "channel {n}: {:.1} dB", 10.0 * (error / signal).log10());
        }
        assert_eq!(
            (wet.channels.len(), taps.channels.len(), wet.frames(), taps.frames()),
            (2, 4, dry.frames(), dry.frames())
        );
    }
}
