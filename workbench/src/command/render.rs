//! `tritank render`: sound files through the engine, offline.

use super::notes::{Notes, exciter_is_still, score_is_still, song_is_still};
use super::{UnitOptions, lie, progress, refuse_if_stopped, refuse_one_name_for_two_files, say, say_json, stopping};
use crate::fault::Fault;
use crate::render::{Facts, Job, render};
use crate::score;
use crate::song::Song;
use crate::sound::{RATES_HZ, Sound, WavFile};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use tritank_dsp::knobs::Knob;

/// Renders sound through the unit, offline: exactly the plugin's engine
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: an organ through the unit, its lines pulled by a score
  tritank render --in1 organ.wav --lines steps.csv --out voice.wav
Example: a MIDI file on the keys of a patch
  tritank render --keys song.mid --patch choir.toml --out song.wav
Example: the organ again, harder on stage 1, and each tap by itself
  tritank render --in1 organ.wav --lines steps.csv --set stage1.main=0.3 \\
    --out voice.wav --taps taps.wav",
  after_long_help = LONG)]
pub struct RenderCommand {
    #[command(flatten)]
    unit: UnitOptions,
    /// WAV for main in, mono or stereo; the chain hears the mean of both sides
    #[arg(long, value_name = "FILE", help_heading = "Sound in")]
    in1: Option<PathBuf>,
    /// WAV for the jack of stage 2; two channels are heard as their mean
    #[arg(long, value_name = "FILE", help_heading = "Sound in")]
    in2: Option<PathBuf>,
    /// WAV for the jack of stage 3; two channels are heard as their mean
    #[arg(long, value_name = "FILE", help_heading = "Sound in")]
    in3: Option<PathBuf>,
    /// Score (CSV: seconds,line,state) of lines 1.0 to 3.3, soft and hard
    #[arg(long, value_name = "FILE", help_heading = "Sound in")]
    lines: Option<PathBuf>,
    /// Standard MIDI File that plays the key table, and whose tempo map the patterns follow
    #[arg(long, value_name = "FILE", help_heading = "Sound in")]
    keys: Option<PathBuf>,
    /// Sample rate of the rendering in hertz; without it, that of the first input, or 48000
    #[arg(long, value_name = "HZ", value_parser = clap::value_parser!(u32).range(i64::from(*RATES_HZ.start())..=i64::from(*RATES_HZ.end())), help_heading = "Rendering")]
    rate: Option<u32>,
    /// Oversampling, in place of the knob unit.quality
    #[arg(long, value_parser = ["1", "2", "4", "8", "16"], help_heading = "Rendering")]
    quality: Option<String>,
    /// Seconds to render; without it, as long as the longest input or the song
    #[arg(long, value_name = "S", help_heading = "Rendering")]
    seconds: Option<f64>,
    /// WAV to write: the stereo mix, 32-bit float, 1.0 = 1 V
    #[arg(long, value_name = "FILE", help_heading = "Sound out")]
    out: PathBuf,
    /// WAV to write with four channels: pulse, tap 1, tap 2, tap 3
    #[arg(long, value_name = "FILE", help_heading = "Sound out")]
    taps: Option<PathBuf>,
    /// Prints the facts of the rendering as JSON
    #[arg(long)]
    json: bool,
}

const LONG: &str = "\
WAV in: 16, 24 or 32 bit whole numbers (full scale is ±1 V) or 32 bit float (1.0 is 1 V). An input at another rate than \
the rendering's is resampled, and a note says so. Samples that are not finite are passed on to the engine, and a note \
says where they are.
WAV out: frame n belongs to frame n of the input; the filters' latency is taken out. The rendering ends with the longest \
input; give --seconds to hear a tail. Files appear whole or not at all.
Resonant filters can jump in level: start low, and keep the limiter on while you listen.

Score: a CSV with the header seconds,line,state; lines 1.0 to 3.3, soft, hard; states on or off, 1 or 0. Each edge falls \
on the nearest frame. line = switch XOR keys XOR pattern XOR gate, where the score is gate: panel \
switches, code knobs, keys and patterns pull the same lines, and a line is on while an odd number of \
them pull.

Keys: a Standard MIDI File of format 0 or 1. Its notes play the key table of the patch, and the exciter in tune when \
exciter.pitch is keys; bend, pressure, controllers and the sustain pedal do what they do in a host, and controllers 80 to \
83 on channels 1 to 3 pull lines 0 to 3 of that stage, as gates do. Every channel plays. \
Each event falls on the nearest frame. The patterns of the patch follow its tempo map; without --keys they run from the \
first frame on, at the tempo of the patch. A broken file is refused, and nothing is written.

JSON:
  out, taps              files written (taps: null without)
  frames, rate_hz, seconds, quality
                         what was rendered
  latency_frames         taken out
  peak_volts, rms_volts  left, right
  taps_peak_volts, taps_rms_volts
                         pulse, tap 1, tap 2, tap 3
  elapsed_seconds, times_real_time
                         speed
  solver_steps, solver_iterations, solver_cuts, solver_fallbacks
  edges_beyond_end       edges of the score after the end
  messages_beyond_end    messages of the song after the end
  inputs                 for each of in1, in2, in3 given: file, rate_hz,
                         channels, frames, resampled, not_finite (count),
                         first_not_finite_frame (or null)
  notes                  what is noted on standard error

Example: an organ through the unit, its lines pulled by a score
  tritank render --in1 organ.wav --lines steps.csv --out voice.wav
Example: a MIDI file on the keys of a patch
  tritank render --keys song.mid --patch choir.toml --out song.wav
Example: the organ again, harder on stage 1, and each tap by itself
  tritank render --in1 organ.wav --lines steps.csv --set stage1.main=0.3 \\
    --out voice.wav --taps taps.wav";

const SOUND_COMES_FROM: &str = "sound comes in with --in1, --in2 or --in3, or from the exciter, whose knobs are \
    exciter.level and stage1.pulse to stage3.pulse";

/// Below this nothing is heard, whatever the amplifier: -120 dBV.
const SILENT_VOLTS: f64 = 1e-6;

/// One input as it was found.
#[derive(serde::Serialize)]
struct Heard {
    jack: &'static str,
    file: PathBuf,
    rate_hz: u32,
    channels: usize,
    frames: usize,
    resampled: bool,
    not_finite: usize,
    first_not_finite_frame: Option<usize>,
}

/// The facts with the files' names.
#[derive(serde::Serialize)]
struct Report<'a> {
    out: &'a Path,
    taps: Option<&'a Path>,
    inputs: &'a [Heard],
    #[serde(flatten)]
    facts: &'a Facts,
    notes: &'a Notes,
}

impl RenderCommand {
    /// Renders into files.
    ///
    /// # Errors
    /// A broken board, patch, knob, sound or score, or a file that cannot be written; then nothing is written.
    pub fn run(&self) -> Result<(), Fault> {
        let mut patch = self.unit.choice().unit()?;
        if let Some(factor) = &self.quality {
            patch.settings.assign(Knob::UnitQuality.id(), factor).map_err(Fault::new)?;
        }
        let inputs = [&self.in1, &self.in2, &self.in3, &self.lines, &self.keys].map(|file| file.as_deref());
        refuse_one_name_for_two_files(&inputs, &[("--out", Some(&self.out)), ("--taps", self.taps.as_deref())])?;
        let edges = self.lines.as_deref().map(score::read).transpose()?.unwrap_or_default();

        let song = self.keys.as_deref().map(Song::read).transpose()?;

        let files = [("in1", &self.in1), ("in2", &self.in2), ("in3", &self.in3)];
        let mut sounds = [None, None, None];
        for (place, (_, file)) in sounds.iter_mut().zip(files) {
            *place = file.as_deref().map(Sound::read).transpose()?;
        }
        let first = sounds.iter().flatten().next().map(|sound: &Sound| sound.rate_hz);
        let rate_hz = self.rate.or(first).unwrap_or(48_000);
        let longest = sounds.iter().flatten().map(|sound| frames_at(sound, rate_hz)).max();
        if let (Some(file), Some(0.0), None, None) =
            (&self.keys, song.as_ref().map(|song| song.seconds), longest, self.seconds)
        {
            return Err(Fault::in_file(
                file,
                "given a song of no length, allowed is one that lasts, or --seconds with it",
            ));
        }
        let song_end = song.as_ref().map(|song| ((song.seconds * f64::from(rate_hz)).ceil() as u64).max(1));
        let frames = self.frames(rate_hz, longest.max(song_end))?;

        // Before the long work: a folder that cannot be written is refused now.
        let mut mix = WavFile::create(&self.out, rate_hz, 2, frames)?;
        let mut taps = self.taps.as_deref().map(|file| WavFile::create(file, rate_hz, 4, frames)).transpose()?;

        let (mut heard, mut notes) = (Vec::new(), Notes::default());
        for (place, (jack, file)) in sounds.iter_mut().zip(files) {
            if let (Some(sound), Some(file)) = (place.as_mut(), file) {
                heard.push(hear(jack, file, sound, rate_hz, &mut notes));
                *sound = sound.at_rate(rate_hz).map_err(|error| Fault::in_file(file, error))?;
            }
        }
        let [main, stage2, stage3] = sounds;
        let job = Job { patch, main, stage2, stage3, edges, song, rate_hz, frames };

        let stopped = stopping();
        let bar = progress(frames);
        let facts = render(&job, |n, output| {
            if n % 4096 == 0 {
                bar.set_position(n);
                refuse_if_stopped(&stopped)?;
            }
            output.main.into_iter().try_for_each(|volts| mix.push(volts))?;
            if let Some(taps) = &mut taps {
                taps.push(output.pulse)?;
                output.taps.into_iter().try_for_each(|volts| taps.push(volts))?;
            }
            Ok(())
        })?;
        bar.finish_and_clear();
        mix.finish()?;
        taps.map_or(Ok(()), WavFile::finish)?;

        let seconds = facts.seconds;
        notes.add_all(self.lines.as_deref().and_then(|file| score_is_still(file, &job.edges, seconds)));
        let song = self.keys.as_deref().zip(job.song.as_ref());
        notes.add_all(song.and_then(|(file, song)| song_is_still(file, song, &job.patch)));
        if facts.edges_beyond_end > 0 {
            let lie = lie(facts.edges_beyond_end, "edge of the score", "edges of the score");
            notes.add(format!("{lie} beyond the end, not heard"));
        }
        if facts.messages_beyond_end > 0 {
            let lie = lie(facts.messages_beyond_end, "message of the song", "messages of the song");
            notes.add(format!("{lie} beyond the end, not heard"));
        }
        let pulse_is_still = facts.taps_peak_volts[0] < SILENT_VOLTS;
        let why = pulse_is_still.then(|| exciter_is_still(&job.patch, song)).flatten();
        if facts.peak_volts.into_iter().all(|volts| volts < SILENT_VOLTS) {
            notes.add(format!("nothing is heard: {}", why.as_deref().unwrap_or(SOUND_COMES_FROM)));
        } else {
            notes.add_all(why);
        }
        let report =
            Report { out: &self.out, taps: self.taps.as_deref(), inputs: &heard, facts: &facts, notes: &notes };
        if self.json { say_json(&report) } else { say(words(&report).as_bytes()) }
    }

    /// Frames to render.
    fn frames(&self, rate_hz: u32, longest: Option<u64>) -> Result<u64, Fault> {
        match (self.seconds, longest) {
            (Some(seconds), _) if seconds > 0.0 && seconds <= 1e6 => {
                Ok(((seconds * f64::from(rate_hz)).round() as u64).max(1))
            }
            (Some(seconds), _) => {
                Err(Fault::new(format!("--seconds: given {seconds}, allowed is above 0, to 1000000")))
            }
            (None, Some(longest)) => Ok(longest),
            (None, None) => {
                Err(Fault::new("length: given no input, no --keys and no --seconds, allowed are one of them or more"))
            }
        }
    }
}

/// Length of a sound in frames at another rate.
fn frames_at(sound: &Sound, rate_hz: u32) -> u64 {
    (sound.frames() as u64 * u64::from(rate_hz)).div_ceil(u64::from(sound.rate_hz))
}

/// Takes note of an input, and tells what the user may not expect of it.
fn hear(jack: &'static str, file: &Path, sound: &Sound, rate_hz: u32, notes: &mut Notes) -> Heard {
    let not_finite = sound.not_finite();
    if let Some((count, first)) = not_finite {
        notes.add(format!("{}: {count} samples are not finite, the first in frame {first}; passed on", file.display()));
    }
    let resampled = sound.rate_hz != rate_hz;
    if resampled {
        notes.add(format!("{}: resampled from {} Hz to {rate_hz} Hz", file.display(), sound.rate_hz));
    }
    Heard {
        jack,
        file: file.to_owned(),
        rate_hz: sound.rate_hz,
        channels: sound.channels.len(),
        frames: sound.frames(),
        resampled,
        not_finite: not_finite.map_or(0, |(count, _)| count),
        first_not_finite_frame: not_finite.map(|(_, first)| first),
    }
}

/// Volts as dB re 1 V.
fn decibels(volts: f64) -> String {
    if volts >= SILENT_VOLTS { format!("{:.1} dBV", 20.0 * volts.log10()) } else { "silent".to_owned() }
}

/// The facts for a person.
fn words(report: &Report<'_>) -> String {
    let facts = report.facts;
    let mut text = String::new();
    let _ = writeln!(
        text,
        "{}: {:.3} s at {} Hz, oversampled ×{}, {:.1} times real time",
        report.out.display(),
        facts.seconds,
        facts.rate_hz,
        facts.quality,
        facts.times_real_time
    );
    let mut row = |name: &str, peak: f64, rms: f64| {
        let _ = writeln!(
            text,
            "  {name:<6} peak {peak:>8.4} V ({})   RMS {rms:>8.4} V ({})",
            decibels(peak),
            decibels(rms)
        );
    };
    for (n, name) in ["left", "right"].into_iter().enumerate() {
        row(name, facts.peak_volts[n], facts.rms_volts[n]);
    }
    for (n, name) in ["pulse", "tap 1", "tap 2", "tap 3"].into_iter().enumerate() {
        row(name, facts.taps_peak_volts[n], facts.taps_rms_volts[n]);
    }
    let (fallbacks, steps) = (facts.solver_fallbacks, facts.solver_steps);
    let _ = writeln!(text, "  solver fallbacks {fallbacks} of {steps} steps");
    if let Some(taps) = report.taps {
        let _ = writeln!(text, "{}: pulse, tap 1, tap 2, tap 3", taps.display());
    }
    text
}
