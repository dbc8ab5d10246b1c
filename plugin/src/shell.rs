//! The plugin as the framework runs it: knobs, keys and audio in, frame by frame; mix and taps out.
//!
//! ```text
//!   Input ────────────┬────────────────────► round (as late as the unit) ──┐ bypass
//!   Stage 2 in ───────┤                                                    ├──► Output
//!   Stage 3 in ───────┼► unit: Instrument::tick ─┬─────────────────────────┘
//!   Gates, Control ───┴► cables                  └──► Pulse, Tap 1, Tap 2, Tap 3, Lines
//! ```
//! Ports for sound are stereo: hosts send and return in stereo. A jack hears the mean of its two channels, as the main
//! input does; pulse and taps stand on both channels alike. Ports for voltages have a channel for every line or control
//! voltage, see [`crate::cables`].

use crate::cables::{Cables, line_volts};
use crate::denormals::Flushed;
use crate::keyboard;
use crate::pages;
use crate::panel::{self, Panel, value_at};
use crate::presets;
use crate::workshop::{Builder, Unit, Workshop};
use nice_plug::prelude::*;
use std::num::NonZeroU32;
use std::sync::Arc;
use tritank_dsp::instrument::{Input, Voltage};
use tritank_dsp::keys::{Keyboard, Learning, panel_lines};
use tritank_dsp::knobs::Knob;
use tritank_dsp::lines::Line;
use tritank_dsp::pattern;

/// Old and new unit are mixed for so long when one replaces the other.
const FADE_SECONDS: f64 = 0.02;

/// From unit to bypass and back.
const BYPASS_SECONDS: f64 = 0.005;

/// What still rings when the input stops: the slowest part, a coupling capacitor, has a time constant of some 50 ms.
const TAIL_SECONDS: f64 = 1.0;

const STEREO: NonZeroU32 = new_nonzero_u32(2);
/// A channel for every line, in the order of [`Line::all`].
const LINES: NonZeroU32 = new_nonzero_u32(Line::COUNT as u32);
/// A channel for every control voltage, in the order of [`Voltage::ALL`].
const CONTROL: NonZeroU32 = new_nonzero_u32(Voltage::COUNT as u32);

/// The plugin. `CONTROLLERS`: whether it takes MIDI controllers and bend besides notes.
pub struct Shell<const CONTROLLERS: bool> {
    panel: Arc<Panel>,
    workshop: Arc<Workshop>,
    builder: Option<Builder>,
    unit: Option<Box<Unit>>,
    /// The unit that was replaced, while it fades out.
    leaving: Option<Box<Unit>>,
    /// Share of the new unit, 0 to 1.
    faded: f64,
    /// Share of the way round, 0 to 1.
    bypassed: f64,
    /// Travels that the unit has been told.
    told: [f32; Knob::COUNT],
    /// Whether a unit was ordered that has not come yet.
    waiting: bool,
    /// Whether anything was played since the last reset.
    fresh: bool,
    offline: bool,
    rate_hz: f64,
    keyboard: Keyboard,
    cables: Cables,
    learning: Learning,
}

impl<const CONTROLLERS: bool> Default for Shell<CONTROLLERS> {
    fn default() -> Self {
        let workshop = Arc::new(Workshop::new());
        Self {
            panel: Arc::new(Panel::new(workshop.clone())),
            workshop,
            builder: None,
            unit: None,
            leaving: None,
            faded: 1.0,
            bypassed: 0.0,
            told: [f32::NAN; Knob::COUNT],
            waiting: false,
            fresh: true,
            offline: false,
            rate_hz: 48e3,
            keyboard: Keyboard::default(),
            cables: Cables::default(),
            learning: Learning::default(),
        }
    }
}

impl<const CONTROLLERS: bool> Shell<CONTROLLERS> {
    /// Replaces the unit if another is due: from the ready slot, or built in place in an offline render.
    fn change_unit(&mut self, context: &impl ProcessContext<Self>) {
        if self.leaving.is_some() {
            return;
        }
        if let Some(unit) = self.workshop.fetch() {
            let ordered = std::mem::take(&mut self.waiting);
            self.put_in(unit, ordered, context);
        }
        let Some(unit) = &self.unit else { return };
        let mut wanted = *unit.instrument.settings();
        for &knob in Knob::ALL.iter().filter(|knob| knob.rebuilds()) {
            wanted.set(knob, value_at(knob, self.panel.travel(knob)));
        }
        if unit.instrument.build() == wanted.build() || self.leaving.is_some() {
            return;
        }
        if self.offline {
            if let Some(unit) = self.workshop.build_here(&self.panel.settings()) {
                self.put_in(unit, true, context);
            }
        } else if !self.waiting {
            self.waiting = true;
            if let Some(builder) = &self.builder {
                builder.order();
            }
        }
    }

    /// Knobs stand where they stood in the unit before, by the host's hand or by a controller; those of a state that was loaded,
    /// which nobody ordered here, where it puts them.
    fn put_in(&mut self, mut unit: Box<Unit>, ordered: bool, context: &impl ProcessContext<Self>) {
        context.set_latency_samples(unit.instrument.latency() as u32);
        if let Some(old) = self.unit.take() {
            let settings = old.instrument.settings();
            for (&knob, told) in Knob::ALL.iter().zip(&mut self.told) {
                // What a controller has turned since, the keyboard tells of.
                if !ordered || settings.get(knob) == value_at(knob, *told) {
                    *told = f32::NAN;
                }
            }
            unit.round.take_over(&old.round);
            unit.lines.take_over(&old.lines);
            unit.instrument.take_over(&old.instrument);
            keep_learning(&mut self.learning, &old, &mut unit);
            self.leaving = Some(old);
            // Before the first frame there is nothing to fade from.
            self.faded = if self.fresh { 1.0 } else { 0.0 };
        }
        self.keyboard.tell(&mut unit.instrument);
        self.cables.tell(&mut unit.instrument);
        self.unit = Some(unit);
    }

    /// Begins or ends learning.
    fn learn(&mut self, on: bool) {
        if let Some(unit) = &mut self.unit {
            let pulled = pulled(unit, &self.keyboard, &self.cables);
            self.learning.switch(on, pulled, &mut unit.instrument);
        }
    }

    /// Leaves a unit that has faded out to the builder.
    fn part_with_old(&mut self) {
        if self.faded < 1.0 {
            return;
        }
        if let Some(old) = self.leaving.take() {
            self.leaving = self.workshop.leave(old);
        }
    }

    /// Tells the unit which knobs were turned. Before the first frame it starts there instead of gliding there.
    fn turn_knobs(&mut self) {
        let Some(unit) = &mut self.unit else { return };
        let mut turned = false;
        for (&knob, told) in Knob::ALL.iter().zip(&mut self.told) {
            let travel = self.panel.travel(knob);
            if travel.to_bits() != told.to_bits() {
                // A unit that was just put in is told of knobs that nobody turned.
                if !told.is_nan() {
                    self.learning.turn(knob);
                }
                *told = travel;
                let value = value_at(knob, travel);
                if value != unit.instrument.settings().get(knob) {
                    unit.instrument.set(knob, value);
                    turned = true;
                }
            }
        }
        if self.fresh && turned {
            unit.instrument.reset();
        }
    }
}

impl<const CONTROLLERS: bool> Plugin for Shell<CONTROLLERS> {
    const NAME: &'static str = "Tritank";
    const VENDOR: &'static str = "Tritank";
    const URL: &'static str = "";
    const EMAIL: &'static str = "";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");

    // The main ports keep the framework's names: it would give the input's name to the output too.
    const AUDIO_IO_LAYOUTS: &'static [AudioIOLayout] = &[AudioIOLayout {
        main_input_channels: Some(STEREO),
        main_output_channels: Some(STEREO),
        aux_input_ports: &[STEREO, STEREO, LINES, CONTROL],
        aux_output_ports: &[STEREO, STEREO, STEREO, STEREO, LINES],
        names: PortNames {
            aux_inputs: &["Stage 2 in", "Stage 3 in", "Gates", "Control"],
            aux_outputs: &["Pulse", "Tap 1", "Tap 2", "Tap 3", "Lines"],
            ..PortNames::const_default()
        },
    }];

    const MIDI_INPUT: MidiConfig = if CONTROLLERS { MidiConfig::MidiCCs } else { MidiConfig::Basic };
    const SAMPLE_ACCURATE_AUTOMATION: bool = true;

    type Editor = ();
    type SysExMessage = ();
    type BackgroundTask = ();

    fn params(&self) -> Arc<dyn Params> {
        self.panel.clone()
    }

    fn filter_state(state: &mut PluginState) {
        if let Err(error) = panel::filter_state(state) {
            nice_error!("state refused, everything stays as it is: {error}");
        }
    }

    fn activate(
        &mut self,
        _layout: &AudioIOLayout,
        buffers: &BufferConfig,
        context: &mut impl ActivateContext<Self>,
    ) -> bool {
        self.rate_hz = f64::from(buffers.sample_rate);
        self.offline = buffers.process_mode == ProcessMode::Offline;
        if self.builder.is_none() {
            match Builder::start(self.workshop.clone(), self.panel.clone()) {
                Ok(builder) => self.builder = Some(builder),
                Err(error) => {
                    nice_error!("no thread to build units on: {error}");
                    return false;
                }
            }
        }
        let settings = self.panel.settings();
        match self.workshop.open(&settings, self.rate_hz) {
            Ok(mut unit) => {
                context.set_latency_samples(unit.instrument.latency() as u32);
                if let Some(old) = self.unit.take() {
                    keep_learning(&mut self.learning, &old, &mut unit);
                }
                self.unit = Some(unit);
                self.leaving = None;
                self.waiting = false;
                self.told = [f32::NAN; Knob::COUNT];
                true
            }
            Err(error) => {
                nice_error!("not activated: {error}");
                false
            }
        }
    }

    fn reset(&mut self) {
        self.faded = 1.0;
        self.part_with_old();
        self.fresh = true;
        if let Some(unit) = &mut self.unit {
            unit.round.clear();
            unit.lines.clear();
            self.keyboard.let_go(&mut unit.instrument);
            self.cables.pull_out(&mut unit.instrument);
            look(&mut self.learning, unit, &self.keyboard, &self.cables);
            unit.instrument.reset();
        }
    }

    fn process(
        &mut self,
        buffer: &mut Buffer<'_>,
        aux: &mut AuxiliaryBuffers<'_>,
        context: &mut impl ProcessContext<Self>,
    ) -> ProcessStatus {
        let _flushed = Flushed::here();
        self.change_unit(context);
        // A switch that is turned in the same frame is still learnt, at either end.
        let learn = self.panel.learn.value();
        if learn {
            self.learn(true);
        }
        self.turn_knobs();
        if let Some(unit) = &mut self.unit {
            look(&mut self.learning, unit, &self.keyboard, &self.cables);
        }
        if !learn {
            self.learn(false);
        }
        let bypass = f64::from(u8::from(self.panel.bypass.value()));
        if self.fresh {
            self.bypassed = bypass;
        }
        let Some(unit) = self.unit.as_deref_mut() else { return ProcessStatus::Error("process before activate") };
        let transport = transport(context.transport());
        for unit in [Some(&mut *unit), self.leaving.as_deref_mut()].into_iter().flatten() {
            unit.instrument.transport(&transport);
        }
        let [main_left, main_right] = buffer.as_slice() else { return ProcessStatus::Error("main port is not stereo") };
        let ([jacks @ .., gates, control], [sides @ .., lines]) = (&mut *aux.inputs, &mut *aux.outputs) else {
            return ProcessStatus::Error("a port for voltages is missing");
        };
        let (Some(jacks), Some(mut sides)) = (stereo_pairs::<2>(jacks), stereo_pairs::<4>(sides)) else {
            return ProcessStatus::Error("a jack or a tap is not stereo");
        };
        let (gates, control, lines) = (gates.as_slice_immutable(), control.as_slice_immutable(), lines.as_slice());
        let moving = self.cables.look(gates, control);

        let fade_step = 1.0 / (FADE_SECONDS * self.rate_hz);
        let bypass_step = 1.0 / (BYPASS_SECONDS * self.rate_hz);
        let mut event = context.next_event();
        for frame in 0..main_left.len() {
            while let Some(due) = event.as_ref().filter(|event| event.timing() as usize <= frame) {
                let said = if CONTROLLERS { keyboard::message(due) } else { keyboard::message_of_vst3(due) };
                if let Some(message) = said {
                    self.learning.hear(message, &mut unit.instrument);
                    self.keyboard.play(message, &mut unit.instrument);
                    look(&mut self.learning, unit, &self.keyboard, &self.cables);
                }
                event = context.next_event();
            }
            if moving.is_any() {
                self.cables.pass_on(moving, gates, control, frame, &mut unit.instrument);
                look(&mut self.learning, unit, &self.keyboard, &self.cables);
            }
            let main = [main_left[frame], main_right[frame]];
            let [stage2, stage3] = jacks.each_ref().map(|pair| mean(pair[0][frame], pair[1][frame]));
            let input = Input { main: main.map(f64::from), stage2, stage3 };
            let mut out = unit.instrument.tick(input);
            if self.faded < 1.0
                && let Some(old) = &mut self.leaving
            {
                let before = old.instrument.tick(input);
                let mix = |old: f64, new: f64| old + (new - old) * self.faded;
                out.main = [mix(before.main[0], out.main[0]), mix(before.main[1], out.main[1])];
                out.pulse = mix(before.pulse, out.pulse);
                out.taps = std::array::from_fn(|tap| mix(before.taps[tap], out.taps[tap]));
                self.faded = (self.faded + fade_step).min(1.0);
            }
            let round = unit.round.pass(main);
            let wet = 1.0 - self.bypassed;
            let mix = |unit: f64, round: f32| (unit * wet + f64::from(round) * self.bypassed) as f32;
            // At either end of the way nothing of the other is heard, a number that is none included.
            [main_left[frame], main_right[frame]] = match self.bypassed {
                0.0 => out.main.map(|volts| volts as f32),
                1.0 => round,
                _ => [mix(out.main[0], round[0]), mix(out.main[1], round[1])],
            };
            for (side, volts) in sides.iter_mut().zip([out.pulse, out.taps[0], out.taps[1], out.taps[2]]) {
                let volts = if self.bypassed == 1.0 { 0.0 } else { (volts * wet) as f32 };
                side[0][frame] = volts;
                side[1][frame] = volts;
            }
            let word = unit.lines.pass(unit.instrument.line_word());
            for (line, channel) in lines.iter_mut().enumerate() {
                channel[frame] = (line_volts(word, line) * wet) as f32;
            }
            self.bypassed += (bypass - self.bypassed).clamp(-bypass_step, bypass_step);
        }
        self.fresh &= main_left.is_empty();
        if self.learning.news {
            self.learning.news = !self.workshop.teach(unit);
        }
        let latency = unit.instrument.latency();
        // The pulse sounds without an input, and a line that is on is a voltage at its output.
        let goes_on = unit.instrument.settings().get(Knob::ExciterLevel) > 0.0 || unit.instrument.line_word() != 0;
        self.part_with_old();
        if goes_on {
            ProcessStatus::KeepAlive
        } else {
            ProcessStatus::Tail((TAIL_SECONDS * self.rate_hz) as u32 + latency as u32)
        }
    }
}

/// Lines that switches, codes, pedals and gate inputs pull together.
fn pulled(unit: &Unit, keyboard: &Keyboard, cables: &Cables) -> u16 {
    panel_lines(unit.instrument.settings()) ^ keyboard.pedals() ^ cables.pulled()
}

/// The newest key learns what has moved since this was last asked.
fn look(learning: &mut Learning, unit: &mut Unit, keyboard: &Keyboard, cables: &Cables) {
    if learning.is_on() {
        let pulled = pulled(unit, keyboard, cables);
        learning.look(pulled, keyboard.newest(), &mut unit.instrument);
    }
}

/// Learning goes on with a new unit, which may have been built before the last lesson.
fn keep_learning(learning: &mut Learning, old: &Unit, new: &mut Unit) {
    if old.patch == new.patch {
        new.instrument.put_keys(old.instrument.keys());
    }
    learning.tell(old.patch != new.patch, &mut new.instrument);
}

/// What the host says of its transport, for patterns.
fn transport(host: &Transport) -> pattern::Transport {
    let place =
        host.pos_beats().zip(host.pos_seconds()).map(|(quarters, seconds)| pattern::Place { quarters, seconds });
    pattern::Transport { playing: host.playing, place, tempo: host.tempo }
}

/// A jack hears the mean of its two channels.
fn mean(left: f32, right: f32) -> f64 {
    f64::midpoint(f64::from(left), f64::from(right))
}

/// The channels of side ports that are stereo, all of them.
fn stereo_pairs<'p, 'b, const N: usize>(ports: &'p mut [Buffer<'b>]) -> Option<[&'p mut [&'b mut [f32]]; N]> {
    let ports: &mut [Buffer<'b>; N] = ports.try_into().ok()?;
    let pairs = ports.each_mut().map(Buffer::as_slice);
    pairs.iter().all(|pair| pair.len() == 2).then_some(pairs)
}

impl<const CONTROLLERS: bool> ClapPlugin for Shell<CONTROLLERS> {
    const CLAP_ID: &'static str = "tritank.formant-voice";
    const CLAP_DESCRIPTION: Option<&'static str> = Some("A saturating, switched three-resonator formant chain");
    const CLAP_MANUAL_URL: Option<&'static str> = None;
    const CLAP_SUPPORT_URL: Option<&'static str> = None;
    const CLAP_FEATURES: &'static [ClapFeature] =
        &[ClapFeature::AudioEffect, ClapFeature::Filter, ClapFeature::Distortion, ClapFeature::Stereo];

    fn remote_controls(&self, context: &mut impl RemoteControlsContext) {
        pages::lay_out(&self.panel, context);
    }
}

impl<const CONTROLLERS: bool> Vst3Plugin for Shell<CONTROLLERS> {
    const VST3_CLASS_ID: [u8; 16] = *b"TritankFormantV1";
    const VST3_SUBCATEGORIES: &'static [Vst3SubCategory] =
        &[Vst3SubCategory::Fx, Vst3SubCategory::Filter, Vst3SubCategory::Distortion];
}

impl<const CONTROLLERS: bool> crate::guard::CheckedState for Shell<CONTROLLERS> {
    fn check_state(state: &PluginState) -> Result<(), String> {
        panel::patch_of(state).map(drop)
    }

    fn preset(place: crate::guard::Place<'_>) -> Result<PluginState, String> {
        presets::state(place)
    }
}
