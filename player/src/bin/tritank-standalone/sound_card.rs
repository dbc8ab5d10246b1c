//! The machine's own devices: audio through `cpal`, MIDI through `midir`. What can be decided without them is in the library.

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, ErrorKind, FromSample, I24, Sample, SampleFormat, SizedSample, StreamConfig, SupportedStreamConfigRange,
};
use midir::{Ignore, MidiInput, MidiInputConnection};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tritank_dsp::lines::Line;
use tritank_player::deck::Deck;
use tritank_player::machine::{
    Build, Devices, Machine, Opened, Wanted, channel_message, choose, midi_changes, nearest_rate,
};
use tritank_player::wires::{Frame, Wires};

/// Name under which the machine's patch bay shows our MIDI input.
const CLIENT: &str = "Tritank";

/// Frames that are rendered at once for a device whose samples are not 32-bit float.
const CHUNK: usize = 1024;

/// All keys up (MIDI 1.0: all notes off).
const ALL_UP: [u8; 3] = [0xb0, 123, 0];

/// The machine, and the MIDI devices that are connected to.
#[derive(Default)]
pub(crate) struct SoundCard {
    midi: Vec<(String, MidiInputConnection<()>)>,
}

/// Output and, if there is one, input. They stop when they are dropped.
pub(crate) struct Streams {
    _output: cpal::Stream,
    _input: Option<cpal::Stream>,
}

fn name(device: &cpal::Device) -> Option<String> {
    device.description().ok().map(|description| description.name().to_owned())
}

fn names(devices: impl Iterator<Item = cpal::Device>) -> Vec<String> {
    let mut names: Vec<_> = devices.filter_map(|device| name(&device)).collect();
    names.dedup();
    names
}

fn words(error: &cpal::Error) -> String {
    error.to_string().replace('\n', " ")
}

/// The device that a player means among those of one kind; the system's own choice without a name.
fn pick(
    kind: &str,
    devices: impl Iterator<Item = cpal::Device>,
    usual: impl FnOnce() -> Option<cpal::Device>,
    wanted: Option<&str>,
) -> Result<(cpal::Device, String), String> {
    let Some(wanted) = wanted else {
        let device = usual().ok_or_else(|| format!("{kind}: this machine has none that can be opened"))?;
        let name = name(&device).unwrap_or_else(|| "the system's own choice".to_owned());
        return Ok((device, name));
    };
    let devices: Vec<_> = devices.filter_map(|device| Some((name(&device)?, device))).collect();
    let mut names: Vec<_> = devices.iter().map(|(name, _)| name.clone()).collect();
    names.dedup();
    let chosen = choose(kind, &names, wanted)?.to_owned();
    let device = devices.into_iter().find(|(name, _)| *name == chosen).map(|(_, device)| device);
    device.map(|device| (device, chosen)).ok_or_else(|| format!("{kind}: it went while it was being chosen"))
}

/// How good a configuration is, best last: our own format before others, then two channels (or as many as asked for).
fn rank(range: &SupportedStreamConfigRange, channels: u16) -> (bool, bool, std::cmp::Reverse<u16>) {
    let float = range.sample_format() == SampleFormat::F32;
    (range.channels() >= channels, float, std::cmp::Reverse(range.channels()))
}

/// The configuration nearest to what is wanted.
fn configuration(
    kind: &str,
    ranges: Vec<SupportedStreamConfigRange>,
    wanted: &Wanted,
    rate_hz: u32,
    channels: u16,
) -> Result<(StreamConfig, SampleFormat), String> {
    let of = |range: &SupportedStreamConfigRange| (range.min_sample_rate(), range.max_sample_rate());
    let playable = |range: &SupportedStreamConfigRange| {
        use SampleFormat::{F32, I16, I24, I32};
        matches!(range.sample_format(), F32 | I16 | I24 | I32)
    };
    let ranges: Vec<_> = ranges.into_iter().filter(playable).collect();
    let rate = nearest_rate(rate_hz, ranges.iter().map(of))
        .ok_or_else(|| format!("{kind}: the device offers no format of 16, 24 or 32 bits"))?;
    let has_rate = |range: &&SupportedStreamConfigRange| (of(range).0..=of(range).1).contains(&rate);
    let range = ranges.iter().filter(has_rate).max_by_key(|range| rank(range, channels));
    let range = range.ok_or_else(|| format!("{kind}: the device offers no configuration at {rate} Hz"))?;
    let buffer_size = wanted.block.map_or(BufferSize::Default, BufferSize::Fixed);
    let config = StreamConfig { channels: range.channels(), sample_rate: rate, buffer_size };
    Ok((config, range.sample_format()))
}

/// What an error of a running stream means for the session.
fn hear_of(error: &cpal::Error, wires: &Wires) {
    match error.kind() {
        // The stream goes on.
        ErrorKind::DeviceChanged | ErrorKind::RealtimeDenied => {}
        ErrorKind::Xrun => wires.slip(),
        _ => wires.lost.store(true, Ordering::Release),
    }
}

fn output<T: SizedSample + FromSample<f32> + Send + 'static>(
    device: &cpal::Device,
    config: StreamConfig,
    mut deck: Deck,
    wires: Arc<Wires>,
) -> Result<cpal::Stream, cpal::Error> {
    let channels = usize::from(config.channels);
    let mut volts = vec![0.0f32; CHUNK * channels];
    device.build_output_stream(
        config,
        move |out: &mut [T], _| {
            for out in out.chunks_mut(CHUNK * channels) {
                let volts = &mut volts[..out.len()];
                deck.fill(volts, channels);
                for (out, volts) in out.iter_mut().zip(volts) {
                    *out = T::from_sample(*volts);
                }
            }
        },
        move |error| hear_of(&error, &wires),
        None,
    )
}

fn input<T: SizedSample + Send + 'static>(
    device: &cpal::Device,
    config: StreamConfig,
    wanted: &Wanted,
    wires: Arc<Wires>,
) -> Result<cpal::Stream, cpal::Error>
where
    f32: FromSample<T>,
{
    let channels = usize::from(config.channels);
    let gates_from = wanted.gates_from.map_or(usize::MAX, |channel| channel - 1);
    let gate_volts = wanted.gate_volts;
    let (sound, errors) = (wires.clone(), wires);
    device.build_input_stream(
        config,
        move |heard: &[T], _| {
            for heard in heard.chunks_exact(channels) {
                let volts = |channel: usize| heard.get(channel).map_or(0.0, |sample| f32::from_sample(*sample));
                let main = [volts(0), volts(1.min(channels - 1))];
                let gate = |line: usize| gate_volts * volts(gates_from.saturating_add(line));
                // When the output does not keep up, it leaves out the oldest and counts that.
                sound.sound.force_push(Frame { main, gates: std::array::from_fn::<_, { Line::COUNT }, _>(gate) });
            }
        },
        move |error| hear_of(&error, &errors),
        None,
    )
}

impl Machine for SoundCard {
    type Stream = Streams;

    fn devices(&mut self) -> Result<Devices, String> {
        let host = cpal::default_host();
        let midi = MidiInput::new(CLIENT).map(|midi| {
            let ports = midi.ports();
            ports.iter().filter_map(|port| midi.port_name(port).ok()).collect()
        });
        Ok(Devices {
            outputs: names(host.output_devices().map_err(|error| words(&error))?),
            inputs: names(host.input_devices().map_err(|error| words(&error))?),
            // A machine without MIDI is one without MIDI devices.
            midi: midi.unwrap_or_default(),
        })
    }

    fn open(
        &mut self,
        wanted: &Wanted,
        wires: &Arc<Wires>,
        build: &mut Build<'_>,
    ) -> Result<(Streams, Opened), String> {
        let host = cpal::default_host();
        let devices = host.output_devices().map_err(|error| format!("output: {}", words(&error)))?;
        let (out, out_name) = pick("output", devices, || host.default_output_device(), wanted.output.as_deref())?;
        let fault = |error: cpal::Error| format!("output {out_name}: {}", words(&error));
        let ranges = out.supported_output_configs().map_err(fault)?.collect();
        let (config, format) = configuration("output", ranges, wanted, wanted.rate_hz, 2)?;
        let rate_hz = config.sample_rate;

        let heard = match &wanted.input {
            None => None,
            Some(name) => {
                let devices = host.input_devices().map_err(|error| format!("record: {}", words(&error)))?;
                let (device, name) = pick("record", devices, || host.default_input_device(), Some(name))?;
                let fault = |error: cpal::Error| format!("record {name}: {}", words(&error));
                let channels = wanted.gates_from.map_or(2, |from| from + Line::COUNT - 1) as u16;
                let ranges = device.supported_input_configs().map_err(fault)?.collect();
                let (config, format) = configuration("record", ranges, wanted, rate_hz, channels)?;
                if config.sample_rate != rate_hz {
                    return Err(format!(
                        "record {name}: it has {} Hz where the output has {rate_hz} Hz; --rate both have",
                        config.sample_rate
                    ));
                }
                let wires = wires.clone();
                let stream = match format {
                    SampleFormat::I16 => input::<i16>(&device, config, wanted, wires),
                    SampleFormat::I24 => input::<I24>(&device, config, wanted, wires),
                    SampleFormat::I32 => input::<i32>(&device, config, wanted, wires),
                    _ => input::<f32>(&device, config, wanted, wires),
                };
                Some((stream.map_err(fault)?, name))
            }
        };

        let opened = Opened {
            output: out_name.clone(),
            input: heard.as_ref().map(|(_, name)| name.clone()),
            rate_hz,
            block: wanted.block,
        };
        let deck = build(&opened)?;
        let wires = wires.clone();
        let stream = match format {
            SampleFormat::I16 => output::<i16>(&out, config, deck, wires),
            SampleFormat::I24 => output::<I24>(&out, config, deck, wires),
            SampleFormat::I32 => output::<i32>(&out, config, deck, wires),
            _ => output::<f32>(&out, config, deck, wires),
        };
        let output = stream.map_err(fault)?;
        let input = heard.map(|(stream, _)| stream);
        for stream in input.iter().chain([&output]) {
            stream.play().map_err(fault)?;
        }
        Ok((Streams { _output: output, _input: input }, opened))
    }

    fn tend(&mut self, wanted: &Wanted, wires: &Arc<Wires>) -> Vec<String> {
        let Ok(probe) = MidiInput::new(CLIENT) else { return Vec::new() };
        let ports: Vec<_> =
            probe.ports().into_iter().filter_map(|port| Some((probe.port_name(&port).ok()?, port))).collect();
        // Our own inputs are outputs to the machine, and not listed here.
        let present: Vec<_> = ports.iter().map(|(name, _)| name.clone()).collect();
        let connected: Vec<_> = self.midi.iter().map(|(name, _)| name.clone()).collect();
        let (gone, come) = midi_changes(&connected, &present, wanted.midi.as_deref());
        if !gone.is_empty() {
            self.midi.retain(|(name, _)| !gone.contains(name));
            // Nobody is left to lift those keys.
            let _ = wires.midi.push(ALL_UP);
        }
        let mut said: Vec<_> = gone.iter().map(|name| format!("{name} is gone")).collect();
        for (name, port) in ports.iter().filter(|(name, _)| come.contains(name)) {
            let Ok(mut midi) = MidiInput::new(CLIENT) else { continue };
            midi.ignore(Ignore::All);
            let wires = wires.clone();
            let hear = move |_, bytes: &[u8], (): &mut ()| {
                if let Some(bytes) = channel_message(bytes) {
                    // A full queue has a second of messages in it already.
                    let _ = wires.midi.push(bytes);
                }
            };
            if let Ok(connection) = midi.connect(port, name, hear, ()) {
                self.midi.push((name.clone(), connection));
                said.push(name.clone());
            }
        }
        said
    }

    fn wait(&mut self, time: Duration) {
        std::thread::sleep(time);
    }
}
