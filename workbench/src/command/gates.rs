//! `tritank gates`: the lines of a score as voltages for a real unit, and as MIDI notes.

use super::notes::{Notes, score_is_still, song_pulls_nothing};
use super::{UnitOptions, lie, progress, refuse_if_stopped, refuse_one_name_for_two_files, say, say_json, stopping};
use crate::fault::Fault;
use crate::gates::{Form, Gate, GateFile, OnGrid, TICKS_PER_SECOND, Time, gates, key, keys, midi, pattern};
use crate::score::{self, Edge};
use crate::song::Song;
use crate::sound::RATES_HZ;
use crate::whole_file::WholeFile;
use serde::Serialize;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use tritank_dsp::knobs::{Chord, Knob};
use tritank_dsp::lines::{Line, Source};
use tritank_dsp::patch::Patch;
use tritank_dsp::pattern::{Clock, Patterns, TEMPO};
use tritank_dsp::value::{self, Unit};

/// The lines as gate voltages for a DC-coupled interface (multichannel WAV), and as MIDI notes
///
/// CAUTION: the file holds DC. DC destroys loudspeakers and headphones: connect the outputs that play it only to gate
/// inputs, and measure before you connect.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: a score for an interface that has 10 V at full scale, as measured
  tritank gates --lines steps.csv --full-scale 10V --out gates.wav", after_long_help = LONG)]
pub struct GatesCommand {
    #[command(flatten)]
    unit: UnitOptions,
    /// Score (CSV: seconds,line,state) of lines 1.0 to 3.3, soft and hard
    #[arg(long, value_name = "FILE", help_heading = "The lines")]
    lines: Option<PathBuf>,
    /// Song (Standard MIDI File) that plays the patch's key table; patterns follow its tempo
    #[arg(long, value_name = "FILE", conflicts_with = "tempo", help_heading = "The lines")]
    keys: Option<PathBuf>,
    /// Which lines are written, in the order of the channels; without it, all: 1.0 to 1.3, 2.0 to 2.3, 3.0 to 3.3,
    /// soft, hard
    #[arg(long, value_name = "LINES", value_delimiter = ',', value_parser = line, help_heading = "The lines")]
    channels: Vec<Line>,
    /// Beats a minute of a patch's patterns, in place of the patch's own
    #[arg(long, value_name = "BPM", value_parser = tempo, help_heading = "The lines")]
    tempo: Option<f64>,
    /// Seconds to write; without it, until a second after the score's last edge, or the song's end
    #[arg(long, value_name = "S", allow_negative_numbers = true, help_heading = "The lines")]
    seconds: Option<f64>,
    /// Volts that your interface puts out at a sample of 1.0, as measured; there is no default, since no two kinds of
    /// interface agree
    #[arg(long, value_name = "V", value_parser = volts, allow_hyphen_values = true, help_heading = "Voltages")]
    full_scale: Option<f64>,
    /// Volts of a gate that is on; one that is off is at 0 V
    #[arg(long, value_name = "V", value_parser = volts, default_value = "5V", allow_hyphen_values = true, help_heading = "Voltages")]
    gate_volts: f64,
    /// WAV to write: 32-bit float, a line a channel; RF64 where it is longer than 4 GiB
    #[arg(long, value_name = "FILE", help_heading = "Voltages")]
    out: Option<PathBuf>,
    /// Sample rate in hertz
    #[arg(long, value_name = "HZ", default_value_t = 48_000, value_parser = clap::value_parser!(u32).range(i64::from(*RATES_HZ.start())..=i64::from(*RATES_HZ.end())), help_heading = "Voltages")]
    rate: u32,
    /// Standard MIDI File to write: gate on is note on, at 120 beats a minute and 960 ticks a beat
    #[arg(long, value_name = "FILE", help_heading = "Notes")]
    midi: Option<PathBuf>,
    /// Key of line 1.0; the others follow: 1.1 is the next, soft the thirteenth, hard the fourteenth
    #[arg(long, value_name = "KEY", default_value_t = 36, value_parser = clap::value_parser!(u8).range(0..=128 - Line::COUNT as i64), help_heading = "Notes")]
    first_note: u8,
    /// Everything as JSON
    #[arg(long)]
    json: bool,
}

const CAUTION: &str = "CAUTION: the file holds DC, which destroys loudspeakers and headphones: connect the outputs \
    that play it only to gate inputs, and measure before you connect";

const HOW_TO_MEASURE: &str = "play a square wave of 1 Hz or less between samples of +0.5 and -0.5, or a sine of 50 Hz \
    that peaks at 0.5, with nothing but a meter on the output and loudspeakers disconnected; full scale is twice the \
    DC volts of the square, or 2.83 times the RMS volts of the sine";

const LONG: &str = "\
CAUTION: the file holds DC. DC destroys loudspeakers and headphones: connect the outputs that play it \
only to gate inputs, mute every monitor path, and measure before you connect. A gate above the \
supply of the switches that it works drives current into their protection diodes: divide it down, \
or put a resistor in series (common practice: 10 kΩ at least).

Full scale is the voltage that leaves the interface at a sample of 1.0, with its output level where \
you will leave it. It must be measured once, with loudspeakers disconnected and nothing but a meter \
on the output:
  DC-coupled  play a square wave of 1 Hz or less between samples of +0.5 and
              -0.5 and read DC volts on its halves; full scale is twice the
              reading. The two halves must agree but for the sign, and stay:
              where they sink, the output is not DC-coupled and can put out no
              gates.
  Any         play a sine of 50 Hz that peaks at 0.5 and read RMS volts; full
              scale is 2.83 times that.
A gate that is on is written as gate volts / full scale; more than full scale is refused.

line = switch XOR keys XOR pattern XOR gate, as in the unit; a line is on while an odd number of them \
pull. switch is the panel switch and the code knob of the patch, which so invert what the others \
pull; pattern is the line's lane, which runs from the start of the file at the patch's own tempo, \
--tempo or the song's; gate is the score. keys are the rows of the patch's key table that a song plays \
(--keys), its pedals and controllers with them; a unit has one chain, so the last key of a chord \
counts. Where the patch's pitch comes from keys, no key down pulls the hard gate.
Each edge is written on the nearest sample, at most half a sample off, and in the MIDI file on the \
nearest tick of 1/1920 s, at most 0.26 ms off. Two edges of one line on one sample or tick are not \
there; a note says how many. The WAV stays as it is to its end: what your player leaves on the outputs \
after it is the player's. In the MIDI file every key is let go at the end.

The WAV names no loudspeaker positions, so that a player that asks for them moves no channel. Play it \
with volume at unity, without dither, rate conversion or mixing.
A score whose last edge is later than an hour needs --seconds, of which a day is allowed.

JSON:
  out, form                     the WAV and its kind, WAV or RF64 (null
                                without)
  midi                          the MIDI file (null without)
  rate_hz, frames, seconds      length
  full_scale_volts, gate_volts  as given; full_scale_volts null without
  sample                        the sample of a gate that is on (null without a
                                WAV)
  channels                      in order: channel (from 1), line, key,
                                starts_on, edges
  edges_beyond_end              edges after the end
  wav_edges_lost, midi_edges_lost
                                edges that fell together with another of their
                                line
  wav_error_seconds, wav_error_limit_seconds, midi_error_seconds,
  midi_error_limit_seconds
                                the farthest that an edge is off, and what half
                                a sample or tick allows
  caution                       the caution above
  notes                         what is noted on standard error

Example: a score for an interface that has 10 V at full scale, as measured
  tritank gates --lines steps.csv --full-scale 10V --out gates.wav
Example: a song on the keys of a patch
  tritank gates --keys song.mid --patch vowels.toml --out g.wav \\
    --full-scale 10V
Example: the lines of stage 1 alone, at 3 V, behind the switches of a patch
  tritank gates --lines steps.csv --patch riff.toml --full-scale 10V \\
    --gate-volts 3V --channels 1.0,1.1,1.2,1.3 --out stage1.wav
Example: the same score as notes
  tritank gates --lines steps.csv --midi gates.mid";

/// The longest file, and the longest without being asked for.
const LONGEST_SECONDS: f64 = 86_400.0;
const LONGEST_UNASKED_SECONDS: f64 = 3_600.0;
/// Time after the last edge.
const TAIL_SECONDS: f64 = 1.0;
/// What a gate or an interface can be, volts: from what trips no input to what none takes.
const VOLTS: [f64; 2] = [0.1, 30.0];

fn volts(text: &str) -> Result<f64, String> {
    let volts = value::parse(text, Unit::Volt).map_err(|error| error.to_string())?;
    if (VOLTS[0]..=VOLTS[1]).contains(&volts) {
        return Ok(volts);
    }
    let [low, high] = VOLTS.map(|volts| value::write(volts, Unit::Volt));
    Err(format!("given \"{text}\", allowed is {low} to {high}"))
}

fn tempo(text: &str) -> Result<f64, String> {
    let (low, high) = (TEMPO.start(), TEMPO.end());
    let tempo = text.parse().ok().filter(|tempo| TEMPO.contains(tempo));
    tempo.ok_or_else(|| format!("given \"{text}\", allowed is {low} to {high}"))
}

fn line(text: &str) -> Result<Line, String> {
    let allowed = "allowed are 1.0 to 1.3, 2.0 to 2.3, 3.0 to 3.3, soft and hard, such as 1.0,1.1,hard";
    Line::parse(text.trim()).ok_or_else(|| format!("given \"{text}\", {allowed}"))
}

/// What was written.
#[derive(Serialize)]
struct Report<'a> {
    out: Option<&'a Path>,
    form: Option<Form>,
    midi: Option<&'a Path>,
    rate_hz: u32,
    frames: u64,
    seconds: f64,
    full_scale_volts: Option<f64>,
    gate_volts: f64,
    sample: Option<f32>,
    channels: Vec<Channel>,
    edges_beyond_end: usize,
    wav_edges_lost: usize,
    midi_edges_lost: usize,
    wav_error_seconds: f64,
    wav_error_limit_seconds: f64,
    midi_error_seconds: f64,
    midi_error_limit_seconds: f64,
    caution: &'static str,
    notes: Notes,
}

#[derive(Serialize)]
#[allow(clippy::struct_field_names)] // The field's name is what the program prints.
struct Channel {
    channel: usize,
    line: String,
    key: u8,
    starts_on: bool,
    edges: usize,
}

impl GatesCommand {
    /// Writes the files.
    ///
    /// # Errors
    /// No measured full scale, a gate above it, a broken score or patch, or a file that cannot be written; then nothing
    /// is written.
    pub fn run(&self) -> Result<(), Fault> {
        let sample = self.sample()?;
        let lines = self.chosen()?;
        let inputs =
            [self.lines.as_deref(), self.keys.as_deref(), self.unit.board.as_deref(), self.unit.patch.as_deref()];
        let outputs = [("--out", self.out.as_deref()), ("--midi", self.midi.as_deref())];
        refuse_one_name_for_two_files(&inputs, &outputs)?;
        let patch = self.unit.choice().unit()?;
        let Patch { settings, patterns, .. } = &patch;
        let edges = self.lines.as_deref().map(score::read).transpose()?.unwrap_or_default();
        let song = self.keys.as_deref().map(Song::read).transpose()?;
        let played = song.as_ref().map(|song| keys(&patch, song)).transpose()?.unwrap_or_default();
        let last_edge = edges.last().map(|edge| edge.seconds);
        let last = last_edge.into_iter().chain(song.as_ref().map(|song| song.seconds)).reduce(f64::max);
        let seconds = self.length(last, patterns)?;
        let time = match &song {
            Some(song) if patterns.clock == Clock::Transport => Time::Song(song),
            _ => Time::Tempo(self.tempo.unwrap_or(patterns.tempo)),
        };
        let steps = pattern(patterns, time, seconds)?;
        let mut pulls: Vec<_> = edges.iter().map(|edge| (Source::Score, *edge)).collect();
        pulls.extend(played.into_iter().map(|edge| (Source::Gates, edge)));
        pulls.extend(steps.into_iter().map(|edge| (Source::Patterns, edge)));
        pulls.sort_by(|(_, a), (_, b)| a.seconds.total_cmp(&b.seconds));
        let gates = gates(settings, &lines, &pulls);

        let rate = f64::from(self.rate);
        let frames = ((seconds * rate).round() as u64).max(1);
        let ticks = (frames as f64 / rate * TICKS_PER_SECOND).ceil() as u64;
        let on_grid = |places, end| gates.iter().map(|gate| gate.on_grid(places, end)).collect::<Vec<_>>();
        let (samples, notes) = (on_grid(rate, frames), on_grid(TICKS_PER_SECOND, ticks));

        let form = self.out.as_ref().map(|_| Form::of(lines.len(), frames));
        let file = match (&self.out, form) {
            (Some(out), Some(form)) => Some(GateFile::create(out, form, self.rate, lines.len(), frames)?),
            _ => None,
        };
        let midi_file = self.midi.as_deref().map(WholeFile::create).transpose()?;
        let named: Vec<_> = lines.iter().copied().zip(notes.iter().cloned()).collect();
        let midi_bytes = midi_file.as_ref().map(|_| midi(&named, self.first_note, ticks)).transpose()?;
        if let (Some(file), Some(sample)) = (file, sample) {
            let (bar, stopped) = (progress(frames), stopping());
            file.write(&samples, sample, |frame| {
                bar.set_position(frame);
                refuse_if_stopped(&stopped)
            })?;
            bar.finish_and_clear();
        }
        if let (Some(file), Some(bytes)) = (midi_file, &midi_bytes) {
            file.write(bytes)?;
        }

        let mut report = self.report(&gates, &samples, &notes, form.zip(sample), frames);
        self.remarks(&mut report, settings.get(Knob::UnitSupply));
        if song.is_some() && settings.chord() == Chord::Voices {
            report
                .notes
                .add("the patch gives each key a chain of its own, and these are the lines of one: the last key's");
        }
        let moves = |(gate, placed): (&Gate, &OnGrid)| {
            !placed.edges.is_empty() || placed.lost > 0 || placed.starts_on != gate.starts_on
        };
        if !gates.iter().zip(&samples).any(moves) {
            let mut others = self::gates(settings, &Line::all().collect::<Vec<_>>(), &pulls);
            others.retain(|gate| gate.edges.iter().any(|&at| at < seconds));
            let why = if report.edges_beyond_end > 0 {
                "--seconds takes more".to_owned()
            } else {
                self.why_still(&others, &edges, song.as_ref(), &patch, seconds)
            };
            report.notes.add(format!("no line moves in {:.1} s: {why}", report.seconds));
        }
        if self.json { say_json(&report) } else { say(words(&report).as_bytes()) }
    }

    /// The sample of a gate that is on; `None` where no WAV is asked for.
    fn sample(&self) -> Result<Option<f32>, Fault> {
        let shown = |volts| value::write(volts, Unit::Volt);
        match (&self.out, self.full_scale) {
            (None, _) if self.midi.is_none() => {
                Err(Fault::new("given nothing to write, allowed are --out for a WAV, --midi for a MIDI file, or both"))
            }
            (None, _) => Ok(None),
            (Some(_), None) => Err(Fault::new(format!(
                "--full-scale: given none, allowed is what you have measured: the volts that your interface puts out \
                 at a sample of 1.0. To measure it, {HOW_TO_MEASURE}"
            ))),
            (Some(_), Some(full_scale)) if self.gate_volts > full_scale => Err(Fault::new(format!(
                "--gate-volts: given {}, allowed is up to the full scale of your interface, {}",
                shown(self.gate_volts),
                shown(full_scale)
            ))),
            (Some(_), Some(full_scale)) => Ok(Some((self.gate_volts / full_scale) as f32)),
        }
    }

    /// The lines, each in one channel.
    fn chosen(&self) -> Result<Vec<Line>, Fault> {
        if self.channels.is_empty() {
            return Ok(Line::all().collect());
        }
        for (n, line) in self.channels.iter().enumerate() {
            if self.channels[..n].contains(line) {
                return Err(Fault::new(format!("--channels: given {line} twice, allowed is each line once")));
            }
        }
        Ok(self.channels.clone())
    }

    /// How long, seconds.
    fn length(&self, last_edge: Option<f64>, patterns: &Patterns) -> Result<f64, Fault> {
        match (self.seconds, last_edge) {
            (Some(seconds), _) if seconds > 0.0 && seconds <= LONGEST_SECONDS => Ok(seconds),
            (Some(seconds), _) => {
                Err(Fault::new(format!("--seconds: given {seconds}, allowed is above 0, to {LONGEST_SECONDS}")))
            }
            (None, Some(last)) if last > LONGEST_UNASKED_SECONDS => Err(Fault::new(format!(
                "length: given an edge at {last} s, allowed is up to {LONGEST_UNASKED_SECONDS} s; --seconds says that \
                 a longer file is meant"
            ))),
            (None, Some(last)) => Ok(last + TAIL_SECONDS),
            (None, None) if patterns.is_empty() => Ok(TAIL_SECONDS),
            (None, None) => {
                Err(Fault::new("length: given patterns, which have no end, allowed is --seconds with them"))
            }
        }
    }

    fn report<'a>(
        &'a self,
        gates: &[Gate],
        samples: &[OnGrid],
        notes: &[OnGrid],
        wav: Option<(Form, f32)>,
        frames: u64,
    ) -> Report<'a> {
        let worst = |grid: &[OnGrid]| grid.iter().map(|gate| gate.error_seconds).fold(0.0, f64::max);
        let lost = |grid: &[OnGrid]| grid.iter().map(|gate| gate.lost).sum();
        let full_scale = self.full_scale.filter(|_| wav.is_some());
        let channels = (1..).zip(gates.iter().zip(samples));
        let channels = channels.map(|(channel, (gate, samples))| Channel {
            channel,
            line: gate.line.to_string(),
            key: key(self.first_note, gate.line),
            starts_on: samples.starts_on,
            edges: samples.edges.len(),
        });
        Report {
            out: self.out.as_deref(),
            form: wav.map(|(form, _)| form),
            midi: self.midi.as_deref(),
            rate_hz: self.rate,
            frames,
            seconds: frames as f64 / f64::from(self.rate),
            full_scale_volts: full_scale,
            gate_volts: self.gate_volts,
            sample: wav.map(|(_, sample)| sample),
            channels: channels.collect(),
            edges_beyond_end: samples.iter().map(|gate| gate.beyond).sum(),
            wav_edges_lost: lost(samples),
            midi_edges_lost: lost(notes),
            wav_error_seconds: worst(samples),
            wav_error_limit_seconds: 0.5 / f64::from(self.rate),
            midi_error_seconds: worst(notes),
            midi_error_limit_seconds: 0.5 / TICKS_PER_SECOND,
            caution: CAUTION,
            notes: Notes::default(),
        }
    }

    /// What a person should not miss, whatever is printed.
    fn remarks(&self, report: &mut Report<'_>, supply_volts: f64) {
        if report.out.is_some() {
            report.notes.add(CAUTION);
            if self.gate_volts > supply_volts {
                report.notes.add(format!(
                    "gates of {} on a unit with {}: divide them down or put a resistor in series, or they drive \
                     current into the switches' protection diodes",
                    value::write(self.gate_volts, Unit::Volt),
                    value::write(supply_volts, Unit::Volt)
                ));
            }
            if report.wav_edges_lost > 0 {
                let lost = report.wav_edges_lost;
                report
                    .notes
                    .add(format!("{lost} edges fall on one sample with another of their line and are not in the WAV"));
            }
        }
        if report.midi.is_some() && report.midi_edges_lost > 0 {
            let lost = report.midi_edges_lost;
            report
                .notes
                .add(format!("{lost} edges fall on one tick with another of their line and are not in the MIDI file"));
        }
        if report.edges_beyond_end > 0 {
            let lie = lie(report.edges_beyond_end, "edge", "edges");
            report.notes.add(format!("{lie} beyond the end, not written"));
        }
    }

    /// Why no line that is written moves, though `others` may, and what helps.
    fn why_still(&self, others: &[Gate], edges: &[Edge], song: Option<&Song>, patch: &Patch, seconds: f64) -> String {
        if !others.is_empty() {
            let others: Vec<_> = others.iter().map(|gate| gate.line.to_string()).collect();
            return format!("what moves is {}, which --channels leaves out", others.join(", "));
        }
        let score = self.lines.as_deref().and_then(|file| score_is_still(file, edges, seconds));
        let song = self.keys.as_deref().zip(song).map(|(file, song)| song_pulls_nothing(file, song, &patch.keys));
        let patterns = (!patch.patterns.is_empty()).then(|| "the patch's patterns never change a line".to_owned());
        let why: Vec<_> = [score, song, patterns].into_iter().flatten().collect();
        if why.is_empty() {
            return "nothing pulls; allowed are --lines, --keys, and --patch with patterns".to_owned();
        }
        why.join("; ")
    }
}

/// The report for a person.
fn words(report: &Report<'_>) -> String {
    let mut text = String::new();
    let micro = |seconds: f64| format!("{:.1} µs", 1e6 * seconds);
    let seconds = report.seconds;
    if let (Some(out), Some(form), Some(full_scale)) = (report.out, report.form, report.full_scale_volts) {
        let name = if form == Form::Wav { "WAV" } else { "RF64" };
        let _ = writeln!(text, "{}: {name}, {seconds:.3} s at {} Hz", out.display(), report.rate_hz);
        let _ = writeln!(
            text,
            "  on {} = sample {:.6} of a full scale of {}; off 0 V; edges within {} of the score (half a sample: {})",
            value::write(report.gate_volts, Unit::Volt),
            report.sample.unwrap_or_default(),
            value::write(full_scale, Unit::Volt),
            micro(report.wav_error_seconds),
            micro(report.wav_error_limit_seconds)
        );
    }
    if let Some(midi) = report.midi {
        let _ = writeln!(
            text,
            "{}: {seconds:.3} s, 120 beats a minute, 960 ticks a beat; edges within {} of the score (half a tick: {})",
            midi.display(),
            micro(report.midi_error_seconds),
            micro(report.midi_error_limit_seconds)
        );
    }
    let _ = writeln!(text, "\n{:>7}  {:<5}{:>5}  {:<7}{:>6}", "channel", "line", "key", "starts", "edges");
    for row in &report.channels {
        let starts = if row.starts_on { "on" } else { "off" };
        let _ = writeln!(text, "{:>7}  {:<5}{:>5}  {starts:<7}{:>6}", row.channel, row.line, row.key, row.edges);
    }
    text
}
