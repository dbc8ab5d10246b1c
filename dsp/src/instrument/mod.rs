//! The one thing that a shell calls: audio, knobs, lines and keys in; mix and taps out, frame by frame.
//!
//! ```text
//!   set, gate, key ─► controls ─┬─► switching ─┐
//!                               ├─► exciter ───┤
//!   main, in2, in3 ─► ×M ───────┴─► feeds ─────┴─► chain ─► decimator ─┬─ Σ ──► pulse, tap 1–3
//!                                                                      └─► mixer ─► limiter ─► left, right
//! ```
//! There is one `Voice`, or four, each a chain with its own keys, exciter and lines. What comes in by audio goes into the first.
//!
//! What is set before a `tick` takes effect on that very frame, aligned with the audio of that frame: everything comes out
//! [`Instrument::latency`] frames late, the lines' and knobs' effect with it. What a frame costs is the chains' steps; at rest
//! there are none, see `rest.rs`.

use crate::board::Board;
pub use crate::chain::Counts;
pub use crate::controls::Voltage;
use crate::controls::{Change, Controls};
use crate::keys::KeyTable;
use crate::knobs::{Build, Knob, Settings};
use crate::limiter::Limiter;
use crate::lines::{Line, Source};
use crate::mixer::{Gains, Mixer};
use crate::oversample::{Decimator, Lanes, Upsampler};
use crate::pace::TICKS;
use crate::patch::Patch;
use crate::pattern::{Patterns, Player, Transport};
use crate::processor::Instructions;
use crate::switching::Treatment;
use delay::Delay;
use voice::Voice;

mod delay;
mod voice;

/// Places in a frame to which the edges within it are moved; by how much, the circuit hears.
const EDGES: usize = 128;

/// One frame in, volts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Input {
    /// Main in, left and right; the chain hears their mean.
    pub main: [f64; 2],
    /// Jack of stage 2.
    pub stage2: f64,
    /// Jack of stage 3.
    pub stage3: f64,
}

/// One frame out, volts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Output {
    /// Stereo mix, left and right.
    pub main: [f64; 2],
    /// The exciter's pulse.
    pub pulse: f64,
    /// Taps 1 to 3.
    pub taps: [f64; 3],
}

/// A sample rate that the instrument does not run at.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("sample rate: given {0} Hz, allowed is 8 kHz to 768 kHz")]
pub struct RateError(pub f64);

impl RateError {
    pub(crate) fn check(rate_hz: f64) -> Result<(), Self> {
        if (8e3..=768e3).contains(&rate_hz) { Ok(()) } else { Err(Self(rate_hz)) }
    }
}

/// What a jack is clamped to, volts: far beyond any signal, so that nothing overflows inside.
const JACK_LIMIT: f64 = 200.0;
/// What a control voltage is clamped to, volts: ten octaves, or a sweep from end to end.
const CONTROL_LIMIT: f64 = 10.0;
/// The whole unit at one sample rate.
#[derive(Clone, Debug)]
pub struct Instrument {
    panel: Settings,
    build: Build,
    controls: Controls,
    player: Player,
    up: Upsampler,
    voices: Vec<Voice>,
    mixer: Mixer,
    limiter: Limiter,
    /// Where everything stands that is set; looked up anew when something has moved.
    celsius: f64,
    treatment: Treatment,
    gains_aim: Gains,
    gains: Gains,
    gains_coefficient: f64,
    /// Frames that wait for the path beside them to catch up.
    gains_waiting: Delay<Gains>,
    direct_waiting: Delay<[f64; 2]>,
    taps_waiting: Delay<Lanes>,
    frame_seconds: f64,
    frame: u64,
    word: u16,
}

impl Instrument {
    /// Builds the unit at its DC operating point. Allocates; nothing after it does.
    ///
    /// # Errors
    /// A rate outside 8 kHz to 768 kHz.
    pub fn new(board: &Board, settings: &Settings, rate_hz: f64) -> Result<Self, RateError> {
        Self::with(board, settings, rate_hz, Instructions::Widest)
    }

    /// The same, on the instructions asked for.
    ///
    /// # Errors
    /// A rate outside 8 kHz to 768 kHz.
    pub fn with(
        board: &Board,
        settings: &Settings,
        rate_hz: f64,
        instructions: Instructions,
    ) -> Result<Self, RateError> {
        RateError::check(rate_hz)?;
        let build = settings.build();
        let factor = build.quality;
        let controls = Controls::new(board, settings, rate_hz);
        let celsius = settings.get(Knob::UnitTemperature);
        let (up, limiter) = (Upsampler::new(factor), Limiter::new(rate_hz));
        let gains = Gains::of(settings);
        let voice = |number| Voice::new(number, board, &controls, rate_hz, instructions);
        let mut unit = Self {
            panel: *settings,
            build,
            player: Player::new(&Patterns::default(), rate_hz),
            voices: (0..build.voices).map(voice).collect(),
            mixer: Mixer::new(rate_hz),
            celsius,
            treatment: controls.treatment(),
            gains_aim: gains,
            gains,
            gains_coefficient: Gains::coefficient(rate_hz),
            gains_waiting: Delay::new(Decimator::LATENCY, gains),
            direct_waiting: Delay::new(up.latency_frames() + Decimator::LATENCY, [0.0; 2]),
            taps_waiting: Delay::new(limiter.latency_frames(), [0.0; 4]),
            up,
            limiter,
            frame_seconds: 1.0 / rate_hz,
            frame: 0,
            word: 0,
            controls,
        };
        unit.reset();
        Ok(unit)
    }

    /// The unit of a patch, with its key table and its patterns.
    ///
    /// # Errors
    /// A rate outside 8 kHz to 768 kHz.
    pub fn of(patch: &Patch, rate_hz: f64) -> Result<Self, RateError> {
        let mut unit = Self::new(&patch.board, &patch.settings, rate_hz)?;
        unit.put_keys(&patch.keys);
        unit.put_patterns(&patch.patterns);
        unit.reset();
        Ok(unit)
    }

    /// Frames by which everything comes out late.
    pub fn latency(&self) -> usize {
        self.up.latency_frames() + Decimator::LATENCY + self.limiter.latency_frames()
    }

    /// What it was built for. Another quality takes a new instrument, and so do voices: until then one chain plays the last key.
    pub fn build(&self) -> Build {
        self.build
    }

    /// Turns a knob, from the next frame on. `unit.quality` only takes effect on a new instrument.
    pub fn set(&mut self, knob: Knob, value: f64) {
        if knob != Knob::UnitQuality {
            self.panel.set(knob, value);
            self.wait(Change::Knob(knob, self.panel.get(knob)));
        }
    }

    /// Pulls or releases a line, from the next frame on. The panel's own switches are knobs.
    pub fn gate(&mut self, source: Source, line: Line, on: bool) {
        self.wait(Change::Gate(source, line, on, 0.0));
    }

    /// Pulls or releases a line within the next frame, after a part of it (0 to 1): where a gate that runs at an audible rate has
    /// its edges. The exciter hears of its two gates at the frame that follows.
    pub fn gate_within(&mut self, source: Source, line: Line, on: bool, part: f64) {
        let (tick, late) = placed(part, self.frame_seconds);
        self.controls.wait(self.next_frame(), tick, Change::Gate(source, line, on, late));
    }

    /// Another key table, at once; keys that are down are read in it.
    pub fn put_keys(&mut self, table: &KeyTable) {
        self.controls.put_keys(table);
    }

    /// The key table.
    pub fn keys(&self) -> &KeyTable {
        self.controls.table()
    }

    /// The key table, to be played in.
    pub fn keys_mut(&mut self) -> &mut KeyTable {
        self.controls.table_mut()
    }

    /// While the key table is played in keys pull no lines; after it they pull what the table then says. From the next frame on.
    pub fn learn(&mut self, on: bool) {
        self.wait(Change::Learn(on));
    }

    /// Other patterns, from the next frame on.
    pub fn put_patterns(&mut self, patterns: &Patterns) {
        self.player.put(patterns);
    }

    /// What the host's transport does at the next frame: for patterns. To be told at the start of every block and at every jump.
    pub fn transport(&mut self, transport: &Transport) {
        self.player.transport(transport);
    }

    /// Patterns go on where another unit has them, which this one replaces, and lines that its keys have latched stay.
    pub fn take_over(&mut self, other: &Self) {
        self.player.take_over(&other.player);
        self.controls.take_over(&other.controls);
    }

    /// Pulls what the patterns pull within the next frame.
    #[inline]
    fn play_patterns(&mut self) {
        let frame = self.next_frame();
        let seconds = self.frame_seconds;
        let (player, controls) = (&mut self.player, &mut self.controls);
        player.frame(|line, on, part| {
            let (tick, late) = placed(part, seconds);
            controls.wait(frame, tick, Change::Gate(Source::Patterns, line, on, late));
        });
    }

    /// A key goes down (velocity above zero) or up; heard when `exciter.pitch` is `keys`.
    pub fn key(&mut self, note: u8, velocity: f64) {
        self.wait(Change::Key(note, velocity));
    }

    /// Pitch bend in semitones.
    pub fn bend(&mut self, semitones: f64) {
        self.wait(Change::Bend(semitones));
    }

    /// A control voltage stands at so many volts from the next frame on; what is no finite number changes nothing. A sweep goes
    /// there in a straight line over the frame.
    ///
    /// # Panics
    /// A sweep of a stage that there is not.
    pub fn control(&mut self, voltage: Voltage, volts: f64) {
        assert!(!matches!(voltage, Voltage::Sweep(3..)), "a stage is 0 to 2");
        if volts.is_finite() {
            self.wait(Change::Voltage(voltage, volts.clamp(-CONTROL_LIMIT, CONTROL_LIMIT)));
        }
    }

    /// Pitch bend of one key that is down, in semitones, beside that of all.
    pub fn bend_key(&mut self, note: u8, semitones: f64) {
        self.wait(Change::KeyBend(note, semitones));
    }

    /// Pressure (0 to 1) on a key that is down, or on all of them: opens sweeps as the key table says.
    pub fn pressure(&mut self, note: Option<u8>, pressure: f64) {
        self.wait(Change::Pressure(note, pressure.clamp(0.0, 1.0)));
    }

    fn wait(&mut self, change: Change) {
        self.controls.wait(self.next_frame(), 0, change);
    }

    /// The frame of the circuit that the next frame of audio will reach.
    fn next_frame(&self) -> u64 {
        self.frame + self.up.latency_frames() as u64
    }

    /// One frame.
    #[inline]
    pub fn tick(&mut self, input: Input) -> Output {
        self.play_patterns();
        let main = input.main.map(jack);
        let jacks = [0.5 * (main[0] + main[1]), jack(input.stage2), jack(input.stage3)];
        for (lane, volts) in jacks.into_iter().enumerate() {
            self.voices[0].feeds.next(lane, |nodes| self.up.push(lane, volts, nodes));
        }

        if self.controls.advance(self.frame) {
            self.look_up();
        }
        let edges = self.controls.next_within(self.frame).is_some();
        for voice in &mut self.voices {
            voice.feed(&self.controls);
            voice.begin(edges, self.treatment);
        }
        if self.voices.iter().all(Voice::rests) {
            self.controls.take_due(self.frame, TICKS);
        } else {
            self.solve();
        }

        self.frame += 1;

        let lanes = self.pull();
        self.gains.glide(&self.gains_aim, self.gains_coefficient);
        let gains = self.gains_waiting.pass(self.gains);
        let direct = self.direct_waiting.pass(main);
        let mix = self.mixer.mix([lanes[1], lanes[2], lanes[3]], direct, &gains);
        let main = self.limiter.tick(mix);
        let [pulse, taps @ ..] = self.taps_waiting.pass(lanes);
        Output { main, pulse, taps }
    }

    /// A frame of pulse and taps, of all voices together.
    #[inline]
    fn pull(&mut self) -> Lanes {
        let [first, others @ ..] = &mut self.voices[..] else { return [0.0; 4] };
        let mut lanes = first.down.pull();
        for voice in others {
            lanes.iter_mut().zip(voice.down.pull()).for_each(|(sum, volts)| *sum += volts);
        }
        lanes
    }

    /// Where everything stands by now.
    fn look_up(&mut self) {
        self.treatment = self.controls.treatment();
        let celsius = self.controls.value(Knob::UnitTemperature);
        for voice in &mut self.voices {
            if celsius != self.celsius {
                voice.heat(celsius);
            }
            voice.look_up(&mut self.controls);
        }
        self.celsius = celsius;
        self.word = self.controls.lines(0).word();
        let settings = self.controls.settings();
        self.gains_aim = Gains::of(settings);
        self.limiter.set(settings.is_on(Knob::Limiter), settings.get(Knob::LimiterCeiling));
    }

    /// Solves one frame, from change to change.
    #[inline]
    fn solve(&mut self) {
        let mut tick = 0;
        while tick < TICKS {
            let next = self.controls.next_within(self.frame).unwrap_or(TICKS);
            for voice in &mut self.voices {
                voice.cover(tick..next, self.treatment);
            }
            tick = next;
            self.controls.take_due(self.frame, tick);
            self.voices.iter_mut().for_each(|voice| voice.want_codes(&mut self.controls));
        }
        self.voices.iter_mut().for_each(Voice::end);
    }

    /// Back to the DC operating point, as a new instrument with the same knobs and lines.
    pub fn reset(&mut self) {
        self.controls.arrive();
        self.player.reset();
        self.frame = 0;
        self.look_up();
        self.voices.iter_mut().for_each(|voice| voice.settle(&self.controls, self.treatment));
        let taps = self.voices.iter().map(Voice::taps);
        let taps = taps.fold([0.0; 3], |sum, taps| std::array::from_fn(|stage| sum[stage] + taps[stage]));
        self.up.reset();
        self.mixer.settle(taps);
        self.limiter.reset();
        self.gains = self.gains_aim;
        self.gains_waiting.fill(self.gains);
        self.direct_waiting.fill([0.0; 2]);
        self.taps_waiting.fill(voice::lanes(taps));
    }

    /// What the solver had to do since the last reset.
    pub fn counts(&self) -> Counts {
        self.voices.iter().map(Voice::counts).sum()
    }

    /// Where the knobs stand on the panel.
    pub fn settings(&self) -> &Settings {
        &self.panel
    }

    /// State of every line of the first voice on the frame that sounds next, in the order of [`Line::all`].
    pub fn lines(&self) -> [bool; Line::COUNT] {
        let mut states = [false; Line::COUNT];
        for line in Line::all() {
            states[line.index()] = self.controls.lines(0).is_on(line);
        }
        states
    }

    /// Every line of the first voice at the start of the frame that was solved last, bit n for the nth in the order of [`Line::all`].
    pub fn line_word(&self) -> u16 {
        self.word
    }

    /// Frames by which the circuit, and [`Instrument::line_word`] with it, is ahead of what comes out.
    pub fn ahead(&self) -> usize {
        Decimator::LATENCY + self.limiter.latency_frames()
    }

    /// The circuit of the first voice as it stands: states of stage `stage` (0–2).
    pub fn state(&self, stage: usize) -> crate::stage::State {
        self.voices[0].state(stage)
    }
}

/// Where an edge is moved to that comes after a part of a frame of so many seconds: the tick, and by how much it comes after it.
fn placed(part: f64, frame_seconds: f64) -> (usize, f64) {
    let places = part.clamp(0.0, 1.0) * EDGES as f64;
    let late = (places - places.round()) * frame_seconds / EDGES as f64;
    (places.round() as usize * (TICKS / EDGES), late)
}

/// What a jack passes on: finite and within its clamp.
#[inline]
fn jack(volts: f64) -> f64 {
    if volts.is_finite() { volts.clamp(-JACK_LIMIT, JACK_LIMIT) } else { 0.0 }
}

#[cfg(test)]
mod chords;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod wild;
