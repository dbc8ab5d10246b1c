//! The plugin as an insert on a track: the built file, loaded by a host that lives in this process.
//!
//! ```text
//!   dry ──► main in ┐                  ┌ main out ──► wet
//!   silence ► stage 2, stage 3 in ─► plugin ─► pulse, tap 1, tap 2, tap 3 ──► taps
//!   automation: (frame, knob, value) ──┘
//! ```
//! What comes out is late by the latency that the plugin reports; it is taken off, as a host does.

use anyhow::{Context, Result, anyhow, ensure};
use clack_extensions::audio_ports::{AudioPortInfoBuffer, PluginAudioPorts};
use clack_extensions::latency::PluginLatency;
use clack_extensions::params::{ParamInfoBuffer, PluginParams};
use clack_host::events::event_types::ParamValueEvent;
use clack_host::prelude::*;
use clack_host::utils::ClapId;
use std::collections::HashMap;
use std::ffi::CString;
use std::path::Path;
use std::time::{Duration, Instant};
use tritank_dsp::knobs::Knob;
use tritank_workbench::sound::Sound;

/// Frames that the host hands over at a time.
const BLOCK: usize = 256;

/// Channels of `taps.wav`, as the plugin names its auxiliary outputs.
pub(crate) const TAPS: usize = 4;

struct Shared;

impl SharedHandler<'_> for Shared {
    fn request_restart(&self) {}
    fn request_process(&self) {}
    fn request_callback(&self) {}
}

struct Host;

impl HostHandlers for Host {
    type Shared<'a> = Shared;
    type MainThread<'a> = ();
    type AudioProcessor<'a> = ();
}

/// The loaded plugin.
pub(crate) struct Insert {
    instance: PluginInstance<Host>,
    /// What the plugin calls itself.
    pub(crate) title: String,
    ports: [Vec<Port>; 2],
    parameters: HashMap<String, ClapId>,
}

/// One audio port.
struct Port {
    name: String,
    channels: usize,
}

/// A knob turned at a frame of the dry track.
pub(crate) struct Turn {
    pub(crate) frame: usize,
    pub(crate) knob: Knob,
    pub(crate) value: f64,
}

/// What the plugin made of the track.
pub(crate) struct Rendered {
    /// Main out, in line with the dry track.
    pub(crate) wet: Sound,
    /// Pulse and taps 1 to 3, in line with the dry track.
    pub(crate) taps: Sound,
    /// Frames that the plugin was late, now taken off.
    pub(crate) latency: usize,
    /// Time spent inside the plugin.
    pub(crate) spent: Duration,
}

impl Insert {
    /// Loads the first plugin in a `.clap` file.
    pub(crate) fn load(file: &Path) -> Result<Self> {
        // SAFETY: the file is the one that this house has just built, and it keeps to the CLAP standard: that is what
        // the tests in `tests/` check.
        let entry = unsafe { PluginEntry::load(file) }.with_context(|| file.display().to_string())?;
        let factory = entry.get_plugin_factory().context("the file offers no plugins")?;
        let descriptor = factory.plugin_descriptors().next().context("the file lists no plugin")?;
        let id = descriptor.id().context("the plugin has no id")?.to_owned();
        let say = |text: Option<&std::ffi::CStr>| text.map(|t| t.to_string_lossy().into_owned()).unwrap_or_default();
        let title = format!("{} {}", say(descriptor.name()), say(descriptor.version()));
        let about = HostInfo::new("Tritank demo", "Tritank", "", env!("CARGO_PKG_VERSION"))?;
        let mut instance = PluginInstance::<Host>::new(|()| Shared, |_| (), &entry, &id, &about)?;
        let ports = [ports(&mut instance, true)?, ports(&mut instance, false)?];
        let parameters = parameters(&mut instance)?;
        Ok(Self { instance, title, ports, parameters })
    }

    /// What the plugin offers, for a person: port names and the number of parameters.
    pub(crate) fn facts(&self) -> String {
        let names = |n: usize| self.ports[n].iter().map(|p| p.name.as_str()).collect::<Vec<_>>().join(", ");
        format!("in: {}; out: {}; {} parameters", names(0), names(1), self.parameters.len())
    }

    fn id(&self, knob: Knob) -> Result<ClapId> {
        // A list without groups shows `Stage 1 Switch 2`; `Stage 2 in` carries its group already.
        [plain(knob.group()) + &plain(knob.name()), plain(knob.name())]
            .iter()
            .find_map(|name| self.parameters.get(name).copied())
            .with_context(|| format!("the plugin shows no parameter for {}", knob.id()))
    }

    /// The plugin's own number for a value, by the text that a person would type.
    fn number(&mut self, knob: Knob, value: f64) -> Result<(ClapId, f64)> {
        let (id, text) = (self.id(knob)?, knob.write(value));
        let handle = self.instance.plugin_handle();
        let extension = handle.get_extension::<PluginParams>().context("the plugin has no parameters")?;
        let number = extension.text_to_value(&handle, id, &CString::new(text.clone())?);
        Ok((id, number.with_context(|| format!("{} does not read \"{text}\"", knob.id()))?))
    }

    /// Plays a track through the plugin, offline, with its knobs turned at their frames.
    pub(crate) fn play(&mut self, dry: &Sound, turns: &[Turn]) -> Result<Rendered> {
        let mut automation = Vec::with_capacity(turns.len());
        for turn in turns {
            let (id, number) = self.number(turn.knob, turn.value)?;
            automation.push((turn.frame, id, number));
        }
        automation.sort_by_key(|(frame, ..)| *frame);

        let block = u32::try_from(BLOCK)?;
        let configuration = PluginAudioConfiguration {
            sample_rate: f64::from(dry.rate_hz),
            min_frames_count: block,
            max_frames_count: block,
        };
        let stopped = self.instance.activate(|_, ()| (), configuration)?;
        // A plugin may leave work for the main thread while it is being activated.
        self.instance.call_on_main_thread_callback();
        let latency = latency(&mut self.instance);
        let mut processor = stopped.start_processing().map_err(|error| anyhow!("{error}"))?;

        let frames = dry.frames();
        let [ins, outs] = &self.ports;
        let (mut sources, mut sinks) = (buffers(ins), buffers(outs));
        let (mut in_ports, mut out_ports) = (list(&sources), list(&sinks));
        let (mut wet, mut taps) = (vec![Vec::new(); 2], vec![Vec::new(); TAPS]);
        let mut spent = Duration::ZERO;
        let mut next = 0;
        let mut dropped = EventBuffer::new();
        for start in (0..frames + latency).step_by(BLOCK) {
            // A mono recording drives both sides of the main input.
            for (side, buffer) in sources[0].iter_mut().enumerate() {
                let channel = &dry.channels[side.min(dry.channels.len() - 1)];
                for (n, sample) in buffer.iter_mut().enumerate() {
                    *sample = channel.get(start + n).copied().unwrap_or_default() as f32;
                }
            }
            let mut events = EventBuffer::new();
            while let Some(&(frame, id, number)) = automation.get(next).filter(|(frame, ..)| *frame < start + BLOCK) {
                events.push(&ParamValueEvent::new(u32::try_from(frame - start)?, id, Pckn::match_all(), number));
                next += 1;
            }
            let inputs = in_ports.with_input_buffers(sources.iter_mut().map(|port| AudioPortBuffer {
                latency: 0,
                channels: AudioPortBufferType::f32_input_only(port.iter_mut().map(InputChannel::variable)),
            }));
            let mut outputs = out_ports.with_output_buffers(sinks.iter_mut().map(|port| AudioPortBuffer {
                latency: 0,
                channels: AudioPortBufferType::f32_output_only(port.iter_mut().map(Vec::as_mut_slice)),
            }));
            let clock = Instant::now();
            let mut out_events = dropped.as_output();
            processor.process(&inputs, &mut outputs, &events.as_input(), &mut out_events, Some(start as u64), None)?;
            spent += clock.elapsed();
            for (channel, buffer) in
                wet.iter_mut().zip(&sinks[0]).chain(taps.iter_mut().zip(sinks[1..].iter().map(|p| &p[0])))
            {
                channel.extend(buffer.iter().map(|x| f64::from(*x)));
            }
        }
        let stopped = processor.stop_processing();
        self.instance.deactivate(stopped);
        let cut = |channels: Vec<Vec<f64>>| Sound {
            rate_hz: dry.rate_hz,
            channels: channels.into_iter().map(|c| c[latency..latency + frames].to_vec()).collect(),
        };
        Ok(Rendered { wet: cut(wet), taps: cut(taps), latency, spent })
    }
}

/// Buffers of one block for every channel of every port.
fn buffers(ports: &[Port]) -> Vec<Vec<Vec<f32>>> {
    ports.iter().map(|port| vec![vec![0.0; BLOCK]; port.channels]).collect()
}

fn list(buffers: &[Vec<Vec<f32>>]) -> AudioPorts {
    AudioPorts::with_capacity(buffers.iter().map(Vec::len).sum(), buffers.len())
}

fn ports(instance: &mut PluginInstance<Host>, input: bool) -> Result<Vec<Port>> {
    let handle = instance.plugin_handle();
    let extension = handle.get_extension::<PluginAudioPorts>().context("the plugin has no audio ports")?;
    let mut buffer = AudioPortInfoBuffer::new();
    let mut ports = Vec::new();
    for index in 0..extension.count(&handle, input) {
        let info = extension.get(&handle, index, input, &mut buffer).context("an audio port without a description")?;
        let name = String::from_utf8_lossy(info.name).into_owned();
        ports.push(Port { name, channels: info.channel_count as usize });
    }
    // Those of sound come first; voltages behind them stay at nothing.
    let (wanted, main) = (if input { 3 } else { 1 + TAPS }, ports.first().map_or(0, |port| port.channels));
    let (side, given) = (if input { "inputs" } else { "outputs" }, ports.len());
    ensure!(
        given >= wanted && main == 2,
        "the plugin has {given} {side}, the first of {main} channels; wanted are {wanted} or more, the first of 2"
    );
    Ok(ports)
}

/// Parameters by name, as a person reads them in a host.
fn parameters(instance: &mut PluginInstance<Host>) -> Result<HashMap<String, ClapId>> {
    let handle = instance.plugin_handle();
    let extension = handle.get_extension::<PluginParams>().context("the plugin has no parameters")?;
    let mut buffer = ParamInfoBuffer::new();
    let mut found = HashMap::new();
    for index in 0..extension.count(&handle) {
        let info = extension.get_info(&handle, index, &mut buffer).context("a parameter without a description")?;
        found.insert(plain(&String::from_utf8_lossy(info.name)), info.id);
    }
    Ok(found)
}

/// Letters and digits decide, not how a host writes them.
fn plain(text: &str) -> String {
    text.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_lowercase()).collect()
}

fn latency(instance: &mut PluginInstance<Host>) -> usize {
    let handle = instance.plugin_handle();
    handle.get_extension::<PluginLatency>().map_or(0, |extension| extension.get(&handle) as usize)
}
