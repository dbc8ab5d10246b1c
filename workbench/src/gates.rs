//! Gates: what is on every line over time, as voltages for a real unit's gate inputs and as MIDI notes.
//!
//! ```text
//!   panel, codes ────────────────┐
//!   score, a song's keys ────────┼─ XOR ─► line ──┬─► edge on the nearest sample ─► volts / full scale ─► WAV
//!   lanes of a patch's patterns ─┘                └─► edge on the nearest tick ───► note on, note off ─► MIDI file
//! ```
//! `line = switch XOR keys XOR pattern XOR gate`, where the score is `gate`, and `keys` are those of a song, or at rest.
//!
//! A sample of 1.0 leaves an interface at its full scale, which differs from one to the next and must be measured: only
//! then does a gate have the volts that it is meant to have.

use crate::fault::Fault;
use crate::rf64::Rf64File;
use crate::score::Edge;
use crate::song::Song;
use crate::sound::WavFile;
use midly::num::{u4, u7, u15, u24, u28};
use midly::{Format, Header, MetaMessage, MidiMessage, Smf, Timing, Track, TrackEvent, TrackEventKind};
use serde::Serialize;
use std::path::Path;
use tritank_dsp::instrument::{Input, Instrument};
use tritank_dsp::keys::Keyboard;
use tritank_dsp::knobs::{Knob, Settings};
use tritank_dsp::lines::{Line, Source};
use tritank_dsp::patch::Patch;
use tritank_dsp::pattern::{Patterns, Rate};

/// Ticks in a beat of the MIDI file, and microseconds in a beat: 120 beats a minute.
pub const TICKS_PER_BEAT: u16 = 960;
const MICROSECONDS_PER_BEAT: u32 = 500_000;
/// Ticks in a second.
pub const TICKS_PER_SECOND: f64 = 1e6 * TICKS_PER_BEAT as f64 / MICROSECONDS_PER_BEAT as f64;
/// How hard a gate's key is struck, 1 to 127. A gate has no loudness; this is the value that is sent for want of one.
const VELOCITY: u8 = 64;

/// One line over time.
#[derive(Clone, Debug, PartialEq)]
pub struct Gate {
    /// Which.
    pub line: Line,
    /// Whether it is on before the first edge.
    pub starts_on: bool,
    /// When it changes, in seconds from the start, sorted; on and off in turn.
    pub edges: Vec<f64>,
}

/// What is on these lines: the knobs' switches and codes, and what else pulls them, by time.
pub fn gates(settings: &Settings, lines: &[Line], pulls: &[(Source, Edge)]) -> Vec<Gate> {
    let mut now = crate::unit::lines(settings);
    let mut gates: Vec<_> =
        lines.iter().map(|&line| Gate { line, starts_on: now.is_on(line), edges: Vec::new() }).collect();
    for (source, edge) in pulls {
        let before = now.is_on(edge.line);
        now.set(*source, edge.line, edge.on);
        if now.is_on(edge.line) != before
            && let Some(gate) = gates.iter_mut().find(|gate| gate.line == edge.line)
        {
            gate.edges.push(edge.seconds);
        }
    }
    gates
}

/// What a song pulls besides what is pulled at its start: by the key table, by pedals, and by controllers that turn switches. A
/// real unit has one chain: of a chord the last key counts.
///
/// # Errors
/// A key table that cannot be played.
pub fn keys(patch: &Patch, song: &Song) -> Result<Vec<Edge>, Fault> {
    // No sound is wanted: the slowest unit will do.
    const RATE_HZ: f64 = 8e3;
    let mut settings = patch.settings;
    for (knob, value) in [(Knob::ExciterChord, 0.0), (Knob::ExciterLevel, 0.0), (Knob::UnitQuality, 0.0)] {
        settings.set(knob, value);
    }
    let silent = Patch { settings, patterns: Patterns::default(), ..patch.clone() };
    let mut instrument = Instrument::of(&silent, RATE_HZ).map_err(|error| Fault::new(error.to_string()))?;
    let frames = instrument.latency();
    let mut keyboard = Keyboard::default();
    let mut before = instrument.lines();
    let mut edges = Vec::new();
    let mut pulled = [false; Line::COUNT];
    for at_once in song.messages.chunk_by(|(a, _), (b, _)| a == b) {
        for (_, message) in at_once {
            keyboard.play(*message, &mut instrument);
        }
        for _ in 0..frames {
            instrument.tick(Input::default());
        }
        let now = instrument.lines();
        for line in Line::all().filter(|line| now[line.index()] != before[line.index()]) {
            let on = &mut pulled[line.index()];
            *on = !*on;
            edges.push(Edge { seconds: at_once[0].0, line, on: *on });
        }
        before = now;
    }
    Ok(edges)
}

/// The most edges that patterns may have in a file: a line at 1 kHz for over an hour.
pub const MOST_EDGES: usize = 10_000_000;

/// Where the quarters of a lane lie in time.
#[derive(Clone, Copy, Debug)]
pub enum Time<'a> {
    /// So many a minute.
    Tempo(f64),
    /// As the song's tempo map says.
    Song(&'a Song),
}

impl Time<'_> {
    fn quarters(self, seconds: f64) -> f64 {
        match self {
            Self::Tempo(tempo) => seconds * tempo / 60.0,
            Self::Song(song) => song.quarters(seconds),
        }
    }

    fn seconds(self, quarters: f64) -> f64 {
        match self {
            Self::Tempo(tempo) => quarters / (tempo / 60.0),
            Self::Song(song) => song.seconds_of(quarters),
        }
    }
}

/// Every edge of the lanes from the start, in order of time, up to `seconds`.
///
/// # Errors
/// More than [`MOST_EDGES`].
pub fn pattern(patterns: &Patterns, time: Time<'_>, seconds: f64) -> Result<Vec<Edge>, Fault> {
    let mut edges = Vec::new();
    for line in Line::all() {
        let Some(lane) = patterns.lane(line) else { continue };
        // A lane counts seconds or quarters.
        let in_seconds = matches!(lane.rate, Rate::Hertz(_));
        let end = if in_seconds { seconds } else { time.quarters(seconds) };
        edges.push(Edge { seconds: 0.0, line, on: lane.is_on_at(0.0) });
        edges.extend(lane.edges(0.0, end).take(MOST_EDGES + 1).map(|(at, on)| {
            let at = at.max(0.0);
            Edge { seconds: if in_seconds { at } else { time.seconds(at) }, line, on }
        }));
        if edges.len() > MOST_EDGES {
            let allowed = format!("allowed are {MOST_EDGES} edges in a file");
            return Err(Fault::new(format!("patterns: given more by line {line} within {seconds} s, {allowed}")));
        }
    }
    edges.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    Ok(edges)
}

/// A gate on a grid of time: samples or ticks.
#[derive(Clone, Debug, PartialEq)]
pub struct OnGrid {
    /// Whether it is on from the first place on, an edge that falls there taken in.
    pub starts_on: bool,
    /// Later places at which it changes, each once, sorted; on and off in turn.
    pub edges: Vec<u64>,
    /// Edges of the line that share their place with another and so are not there: they come in pairs.
    pub lost: usize,
    /// Edges beyond the end.
    pub beyond: usize,
    /// The farthest that an edge stands from where it should, seconds.
    pub error_seconds: f64,
}

impl Gate {
    /// With every edge on the nearest place of a grid, `end` places long.
    pub fn on_grid(&self, places_per_second: f64, end: u64) -> OnGrid {
        let mut grid = OnGrid { starts_on: self.starts_on, edges: Vec::new(), lost: 0, beyond: 0, error_seconds: 0.0 };
        for &seconds in &self.edges {
            let place = (seconds * places_per_second).round();
            if place >= end as f64 {
                grid.beyond += 1;
                continue;
            }
            grid.error_seconds = grid.error_seconds.max((place / places_per_second - seconds).abs());
            if grid.edges.last() == Some(&(place as u64)) {
                grid.edges.pop();
                grid.lost += 2;
            } else {
                grid.edges.push(place as u64);
            }
        }
        if grid.edges.first() == Some(&0) {
            grid.edges.remove(0);
            grid.starts_on = !grid.starts_on;
        }
        grid
    }
}

/// Which kind of file holds the samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum Form {
    /// Plain WAV, up to 4 GiB.
    #[serde(rename = "WAV")]
    Wav,
    /// RF64: the same beyond 4 GiB.
    #[serde(rename = "RF64")]
    Rf64,
}

impl Form {
    /// The plain one as long as it can say the length.
    pub fn of(channels: usize, frames: u64) -> Self {
        if frames <= WavFile::most_frames(channels as u16) { Self::Wav } else { Self::Rf64 }
    }
}

/// A file of gate voltages on its way; it appears whole or not at all.
pub struct GateFile {
    file: Samples,
    frames: u64,
}

enum Samples {
    Wav(WavFile),
    Rf64(Rf64File),
}

impl GateFile {
    /// Opens a file for so many frames.
    ///
    /// # Errors
    /// When it cannot be written, or is longer than its form can say.
    pub fn create(name: &Path, form: Form, rate_hz: u32, channels: usize, frames: u64) -> Result<Self, Fault> {
        let channels = channels as u16;
        let file = match form {
            Form::Wav => Samples::Wav(WavFile::create(name, rate_hz, channels, frames)?),
            Form::Rf64 => Samples::Rf64(Rf64File::create(name, rate_hz, channels, frames)?),
        };
        Ok(Self { file, frames })
    }

    /// Writes every frame, a gate a channel: `on` where it is on, 0 elsewhere. `at` hears how far it has come.
    ///
    /// # Errors
    /// When it cannot be written, or what `at` refuses; then nothing appears.
    pub fn write(
        mut self,
        gates: &[OnGrid],
        on: f32,
        mut at: impl FnMut(u64) -> Result<(), Fault>,
    ) -> Result<(), Fault> {
        let mut edges: Vec<(u64, usize)> = Vec::new();
        for (channel, gate) in gates.iter().enumerate() {
            edges.extend(gate.edges.iter().map(|frame| (*frame, channel)));
        }
        edges.sort_unstable();
        let mut edges = edges.into_iter().peekable();
        let mut now: Vec<_> = gates.iter().map(|gate| gate.starts_on).collect();
        for frame in 0..self.frames {
            if frame % 4096 == 0 {
                at(frame)?;
            }
            while let Some((_, channel)) = edges.next_if(|(edge, _)| *edge == frame) {
                now[channel] = !now[channel];
            }
            for &is_on in &now {
                let sample = if is_on { on } else { 0.0 };
                match &mut self.file {
                    Samples::Wav(file) => file.push(f64::from(sample))?,
                    Samples::Rf64(file) => file.push(sample)?,
                }
            }
        }
        match self.file {
            Samples::Wav(file) => file.finish_without_loudspeakers(),
            Samples::Rf64(file) => file.finish(),
        }
    }
}

/// The key that stands for a line: one for each in the order 1.0 … 3.3, soft, hard, whichever of them are written.
pub fn key(first: u8, line: Line) -> u8 {
    first + line.index() as u8
}

/// A Standard MIDI File 1.0 of one track (format 0): gate on is note on, gate off is note off, all off at `end` ticks.
///
/// # Errors
/// More ticks than a MIDI file can say between two events.
pub fn midi(gates: &[(Line, OnGrid)], first: u8, end: u64) -> Result<Vec<u8>, Fault> {
    // Of one tick: off before on, as a keyboard would let go before it strikes; keys rising.
    let mut notes: Vec<(u64, bool, u8)> = Vec::new();
    for (line, gate) in gates {
        let mut on = gate.starts_on;
        let key = key(first, *line);
        if on {
            notes.push((0, true, key));
        }
        for &place in &gate.edges {
            on = !on;
            notes.push((place, on, key));
        }
        if on {
            notes.push((end, false, key));
        }
    }
    notes.sort_unstable();

    let names: Vec<_> = gates.iter().map(|(line, _)| format!("{line} = key {}", key(first, *line))).collect();
    let names = names.join(", ");
    let meta = |message| TrackEvent { delta: u28::new(0), kind: TrackEventKind::Meta(message) };
    let mut track: Track<'_> = vec![
        meta(MetaMessage::TrackName(b"gates")),
        meta(MetaMessage::Text(names.as_bytes())),
        meta(MetaMessage::Tempo(u24::new(MICROSECONDS_PER_BEAT))),
    ];
    let mut last = 0;
    let mut since = |place: u64| {
        let ticks = u32::try_from(place - last).ok().and_then(u28::try_from).ok_or_else(|| {
            let given = (place - last) as f64 / TICKS_PER_SECOND;
            Fault::new(format!("MIDI: given {given:.0} s without an edge, allowed are 139810 s"))
        });
        last = place;
        ticks
    };
    for (place, on, key) in notes {
        let (key, vel) = (u7::new(key), u7::new(VELOCITY));
        let message = if on { MidiMessage::NoteOn { key, vel } } else { MidiMessage::NoteOff { key, vel } };
        let kind = TrackEventKind::Midi { channel: u4::new(0), message };
        track.push(TrackEvent { delta: since(place)?, kind });
    }
    track.push(TrackEvent { delta: since(end)?, kind: TrackEventKind::Meta(MetaMessage::EndOfTrack) });
    let header = Header { format: Format::SingleTrack, timing: Timing::Metrical(u15::new(TICKS_PER_BEAT)) };
    let mut bytes = Vec::new();
    Smf { header, tracks: vec![track] }.write_std(&mut bytes).map_err(Fault::new)?;
    Ok(bytes)
}
