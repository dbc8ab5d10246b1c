//! Rendering: exactly the plugin's engine, offline.
//!
//! ```text
//!   in1 ─┐                      ┌─ drop the latency ─► left, right
//!   in2 ─┼─► Instrument::tick ──┤
//!   in3 ─┘        ▲             └─ drop the latency ─► pulse, tap 1, tap 2, tap 3
//!   score ────────┤
//!   song ─────────┘
//! ```
//! The engine is late by its latency; that many frames are dropped at the front and run on at the end, so that frame n
//! out belongs to frame n in. Patterns follow the song's tempo map; without a song they run from the first frame on, at the tempo
//! that the patch says.

use crate::fault::Fault;
use crate::score::Edge;
use crate::song::Song;
use crate::sound::Sound;
use serde::Serialize;
use std::time::Instant;
use tritank_dsp::instrument::{Input, Instrument, Output};
use tritank_dsp::keys::Keyboard;
use tritank_dsp::lines::Source;
use tritank_dsp::patch::Patch;
use tritank_dsp::pattern::{Place, Transport};

/// What is rendered.
#[derive(Clone, Debug)]
pub struct Job {
    /// Board, knobs, key table and patterns.
    pub patch: Patch,
    /// Main in, mono or stereo, at the job's rate.
    pub main: Option<Sound>,
    /// Jack of stage 2, at the job's rate; several channels are heard as their mean.
    pub stage2: Option<Sound>,
    /// Jack of stage 3, at the job's rate; several channels are heard as their mean.
    pub stage3: Option<Sound>,
    /// Edges, sorted by time; each falls on the nearest frame.
    pub edges: Vec<Edge>,
    /// What plays the keys, and the tempo map; each message falls on the nearest frame.
    pub song: Option<Song>,
    /// Sample rate.
    pub rate_hz: u32,
    /// Frames to render.
    pub frames: u64,
}

/// What was rendered, and what it took.
#[derive(Clone, Debug, Serialize)]
pub struct Facts {
    /// Frames written.
    pub frames: u64,
    /// Sample rate.
    pub rate_hz: u32,
    /// Seconds rendered.
    pub seconds: f64,
    /// Oversampling factor.
    pub quality: usize,
    /// Frames of latency that were taken out.
    pub latency_frames: usize,
    /// Edges of the score that lie beyond the end.
    pub edges_beyond_end: usize,
    /// Messages of the song that lie beyond the end.
    pub messages_beyond_end: usize,
    /// Greatest magnitude of left and right, volts.
    pub peak_volts: [f64; 2],
    /// Root mean square of left and right, volts.
    pub rms_volts: [f64; 2],
    /// Greatest magnitude of pulse and taps 1 to 3, volts.
    pub taps_peak_volts: [f64; 4],
    /// Root mean square of pulse and taps 1 to 3, volts.
    pub taps_rms_volts: [f64; 4],
    /// Seconds that the rendering took.
    pub elapsed_seconds: f64,
    /// Seconds rendered in a second.
    pub times_real_time: f64,
    /// Internal steps of the solver.
    pub solver_steps: u64,
    /// Its Newton iterations.
    pub solver_iterations: u64,
    /// Steps that were cut because Newton did not settle.
    pub solver_cuts: u64,
    /// Steps that ended on the bounded fallback.
    pub solver_fallbacks: u64,
}

/// Peak and mean square of one channel.
#[derive(Clone, Copy, Default)]
struct Meter {
    peak: f64,
    squares: f64,
}

impl Meter {
    fn read(&mut self, volts: f64) {
        self.peak = self.peak.max(volts.abs());
        self.squares += volts * volts;
    }

    fn rms(self, frames: u64) -> f64 {
        (self.squares / frames.max(1) as f64).sqrt()
    }
}

/// Renders a job and hands out each frame in turn, aligned with the input.
///
/// # Errors
/// A sample rate that the engine does not run at, or what `frame` refuses.
pub fn render(job: &Job, mut frame: impl FnMut(u64, &Output) -> Result<(), Fault>) -> Result<Facts, Fault> {
    for sound in [&job.main, &job.stage2, &job.stage3].into_iter().flatten() {
        if sound.rate_hz != job.rate_hz {
            let (given, allowed) = (sound.rate_hz, job.rate_hz);
            return Err(Fault::new(format!(
                "input: given {given} Hz, allowed is the rate of the rendering, {allowed} Hz"
            )));
        }
    }
    let rate = f64::from(job.rate_hz);
    let mut instrument = Instrument::of(&job.patch, rate).map_err(Fault::new)?;
    let latency = instrument.latency();
    let jacks = [&job.stage2, &job.stage3].map(|jack| jack.as_ref().map(Sound::mono));
    let mut edges = job.edges.iter().map(|edge| ((edge.seconds * rate).round() as u64, edge)).peekable();

    let messages = job.song.iter().flat_map(|song| &song.messages);
    let mut messages = messages.map(|(seconds, message)| ((seconds * rate).round() as u64, *message)).peekable();
    let mut keyboard = Keyboard::default();
    // The first frame under each tempo.
    let changes = job.song.iter().flat_map(|song| &song.tempi).map(|tempo| (tempo.place.seconds * rate).ceil() as u64);
    let mut tempi = [0].into_iter().chain(changes).peekable();

    let mut mix = [Meter::default(); 2];
    let mut taps = [Meter::default(); 4];
    let started = Instant::now();
    for n in 0..job.frames + latency as u64 {
        while let Some((_, edge)) = edges.next_if(|(at, _)| *at <= n && *at < job.frames) {
            instrument.gate(Source::Score, edge.line, edge.on);
        }
        if tempi.next_if(|at| *at <= n).is_some() {
            while tempi.next_if(|at| *at <= n).is_some() {}
            instrument.transport(&transport(job, n));
        }
        while let Some((_, message)) = messages.next_if(|(at, _)| *at <= n && *at < job.frames) {
            keyboard.play(message, &mut instrument);
        }
        // Silence beyond the end: no sound that is played plays on into the latency.
        let [stage2, stage3] = jacks.each_ref().map(|jack| sample(jack.as_ref(), 0, n, job.frames));
        let right = usize::from(job.main.as_ref().is_some_and(|sound| sound.channels.len() > 1));
        let main = [0, right].map(|channel| sample(job.main.as_ref(), channel, n, job.frames));
        let output = instrument.tick(Input { main, stage2, stage3 });
        let Some(at) = n.checked_sub(latency as u64) else { continue };
        for (meter, volts) in mix.iter_mut().zip(output.main) {
            meter.read(volts);
        }
        let [tap1, tap2, tap3] = output.taps;
        for (meter, volts) in taps.iter_mut().zip([output.pulse, tap1, tap2, tap3]) {
            meter.read(volts);
        }
        frame(at, &output)?;
    }
    let elapsed = started.elapsed().as_secs_f64();
    let seconds = job.frames as f64 / rate;
    let counts = instrument.counts();
    Ok(Facts {
        frames: job.frames,
        rate_hz: job.rate_hz,
        seconds,
        quality: job.patch.settings.quality(),
        latency_frames: latency,
        edges_beyond_end: edges.count(),
        // A message on the very end has nothing left to change, and belongs to the song.
        messages_beyond_end: messages.filter(|(at, _)| *at > job.frames).count(),
        peak_volts: mix.map(|meter| meter.peak),
        rms_volts: mix.map(|meter| meter.rms(job.frames)),
        taps_peak_volts: taps.map(|meter| meter.peak),
        taps_rms_volts: taps.map(|meter| meter.rms(job.frames)),
        elapsed_seconds: elapsed,
        times_real_time: seconds / elapsed.max(f64::MIN_POSITIVE),
        solver_steps: counts.steps,
        solver_iterations: counts.iterations,
        solver_cuts: counts.cuts,
        solver_fallbacks: counts.fallbacks,
    })
}

/// Renders a job into memory: the stereo mix; pulse and taps 1 to 3; the facts.
///
/// # Errors
/// As [`render`].
pub fn to_sounds(job: &Job) -> Result<(Sound, Sound, Facts), Fault> {
    let room = job.frames as usize;
    let mut mix: [Vec<f64>; 2] = std::array::from_fn(|_| Vec::with_capacity(room));
    let mut taps: [Vec<f64>; 4] = std::array::from_fn(|_| Vec::with_capacity(room));
    let facts = render(job, |_, output| {
        for (channel, volts) in mix.iter_mut().zip(output.main) {
            channel.push(volts);
        }
        let [tap1, tap2, tap3] = output.taps;
        for (channel, volts) in taps.iter_mut().zip([output.pulse, tap1, tap2, tap3]) {
            channel.push(volts);
        }
        Ok(())
    })?;
    let sound = |channels| Sound { rate_hz: job.rate_hz, channels };
    Ok((sound(mix.into()), sound(taps.into()), facts))
}

/// What a host would say of its transport at a frame.
fn transport(job: &Job, frame: u64) -> Transport {
    let seconds = frame as f64 / f64::from(job.rate_hz);
    match &job.song {
        Some(song) => song.transport(seconds),
        None => Transport { playing: true, place: Some(Place::default()), tempo: None },
    }
}

/// A channel's sample at a frame; silence without a sound, beyond its end, and beyond the rendering's end.
fn sample(sound: Option<&Sound>, channel: usize, frame: u64, end: u64) -> f64 {
    let sample = sound.filter(|_| frame < end).and_then(|sound| sound.channels[channel].get(frame as usize));
    sample.copied().unwrap_or(0.0)
}
