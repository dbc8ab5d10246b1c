//! The system's own devices: audio through `cpal`, MIDI through `midir`. What can be decided without them is in the library.

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, ErrorKind, FromSample, I24, Sample, SampleFormat, SizedSample, StreamConfig, SupportedBufferSize,
    SupportedStreamConfigRange,
};
use midir::{Ignore, MidiInput, MidiInputConnection, MidiInputPort};
use std::sync::Arc;
use std::time::Duration;
use tritank_player::deck::Deck;
use tritank_player::inlet::Inlet;
use tritank_player::machine::{
    Build, Device, Devices, Machine, Opened, USUAL_BLOCK, Wanted, channel_message, check_gates, choose, midi_changes,
    nearest_rate,
};
use tritank_player::wires::{Side, Wires};
use tritank_workbench::sound::RATES_HZ;

/// Name under which the machine's patch bay shows our MIDI input.
const CLIENT: &str = "Tritank";

/// Frames that are rendered at once for a device whose samples are not 32-bit float.
const CHUNK: usize = 1024;

/// The machine, and the MIDI devices that are connected to.
#[derive(Default)]
pub(crate) struct SoundCard {
    midi: Vec<(Device, MidiInputConnection<()>)>,
    /// Those that would not be connected to, and have been told of.
    refused: Vec<Device>,
}

/// Output and, if there is one, input. They stop when they are dropped.
pub(crate) struct Streams {
    _output: cpal::Stream,
    _input: Option<cpal::Stream>,
}

/// What the system calls this way to its devices: "alsa" and the like.
pub(crate) fn system() -> String {
    cpal::ALL_HOSTS.first().map_or_else(String::new, ToString::to_string)
}

fn host() -> Result<cpal::Host, String> {
    let usual = cpal::ALL_HOSTS.first().ok_or("this machine has no sound system")?;
    cpal::host_from_id(*usual).map_err(|error| words(&error))
}

/// Keeps what the sound system's library would print to itself: what matters of it comes back as an error.
#[cfg(target_os = "linux")]
fn hushed() -> impl Sized {
    // A new one each time, so that it does not grow while a session waits for a device.
    alsa::Output::local_error_handler().ok()
}

#[cfg(not(target_os = "linux"))]
fn hushed() {}

fn device(device: &cpal::Device) -> Option<Device> {
    let name = device.description().ok()?.name().to_owned();
    let address = device.id().map(|id| id.id().to_owned()).unwrap_or_default();
    Some(Device { name, address })
}

/// What sends MIDI, and the way to it. Our own inputs are outputs to the machine, and not among them.
fn midi_ports(midi: &MidiInput) -> Vec<(Device, MidiInputPort)> {
    let device = |port: &MidiInputPort| Some(Device { name: midi.port_name(port).ok()?, address: port.id() });
    midi.ports().into_iter().filter_map(|port| Some((device(&port)?, port))).collect()
}

fn named(devices: impl Iterator<Item = cpal::Device>) -> Vec<(Device, cpal::Device)> {
    devices.filter_map(|handle| Some((device(&handle)?, handle))).collect()
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
        let handle = usual().ok_or_else(|| none(kind))?;
        let name = device(&handle).map_or_else(|| "the system's own choice".to_owned(), |device| device.name);
        return Ok((handle, name));
    };
    let devices = named(devices);
    let list: Vec<_> = devices.iter().map(|(device, _)| device.clone()).collect();
    let chosen = choose(kind, &list, wanted)?;
    let found = devices.into_iter().find(|(device, _)| device == chosen);
    found.map(|(device, handle)| (handle, device.name)).ok_or_else(|| none(kind))
}

fn none(kind: &str) -> String {
    format!("{kind}: {} has no device for it here (--list says what there is)", system())
}

/// What is wrong with a device, on one line.
fn fault(kind: &str, name: &str, wanted: Option<&str>, error: &cpal::Error) -> String {
    match (wanted, error.kind()) {
        (None, ErrorKind::DeviceNotAvailable) => none(kind),
        _ => format!("{kind} {name}: {}", words(error)),
    }
}

/// How good a configuration is, best last: as many channels as are asked for, then our own format, then no channels more.
fn rank(range: &SupportedStreamConfigRange, channels: u16) -> (bool, bool, std::cmp::Reverse<u16>) {
    let float = range.sample_format() == SampleFormat::F32;
    (range.channels() >= channels, float, std::cmp::Reverse(range.channels()))
}

/// The configuration nearest to what is wanted.
fn configuration(
    device: &str,
    ranges: Vec<SupportedStreamConfigRange>,
    wanted: &Wanted,
    rate_hz: u32,
    channels: u16,
) -> Result<(StreamConfig, SampleFormat), String> {
    let of = |range: &SupportedStreamConfigRange| (range.min_sample_rate(), range.max_sample_rate());
    let playable = |range: &SupportedStreamConfigRange| {
        use SampleFormat::{F32, I16, I24, I32};
        let (low, high) = of(range);
        range.channels() > 0
            && low <= *RATES_HZ.end()
            && high >= *RATES_HZ.start()
            && matches!(range.sample_format(), F32 | I16 | I24 | I32)
    };
    let ranges: Vec<_> = ranges.into_iter().filter(playable).collect();
    let rate = nearest_rate(rate_hz, ranges.iter().map(of))
        .ok_or_else(|| format!("{device}: it offers no format of 16, 24 or 32 bits at 8000 to 768000 Hz"))?;
    let has_rate = |range: &&SupportedStreamConfigRange| (of(range).0..=of(range).1).contains(&rate);
    let range = ranges.iter().filter(has_rate).max_by_key(|range| rank(range, channels));
    let range = range.ok_or_else(|| format!("{device}: it offers no configuration at {rate} Hz"))?;
    let block = wanted.block.unwrap_or(USUAL_BLOCK);
    let buffer_size = match range.buffer_size() {
        SupportedBufferSize::Range { min, max: max @ 1.. } => BufferSize::Fixed(block.clamp(*min, (*max).max(*min))),
        _ => wanted.block.map_or(BufferSize::Default, BufferSize::Fixed),
    };
    let config = StreamConfig { channels: range.channels(), sample_rate: rate, buffer_size };
    Ok((config, range.sample_format()))
}

/// What an error of a running stream means for the session.
fn hear_of(error: &cpal::Error, side: Side, wires: &Wires) {
    match error.kind() {
        // The stream goes on.
        ErrorKind::DeviceChanged | ErrorKind::RealtimeDenied => {}
        ErrorKind::Xrun => wires.slip(),
        _ => wires.lose(side),
    }
}

/// Frames a block, as the system made it.
fn block(stream: &cpal::Stream, config: &StreamConfig) -> u32 {
    let asked = match config.buffer_size {
        BufferSize::Fixed(frames) => frames,
        BufferSize::Default => USUAL_BLOCK,
    };
    stream.buffer_size().unwrap_or(asked)
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
        move |error| hear_of(&error, Side::Out, &wires),
        None,
    )
}

fn input<T: SizedSample + Send + 'static>(
    device: &cpal::Device,
    config: StreamConfig,
    mut inlet: Inlet,
    wires: Arc<Wires>,
) -> Result<cpal::Stream, cpal::Error>
where
    f32: FromSample<T>,
{
    let channels = usize::from(config.channels);
    device.build_input_stream(
        config,
        move |heard: &[T], _| inlet.hear(heard, channels, f32::from_sample),
        move |error| hear_of(&error, Side::In, &wires),
        None,
    )
}

/// An input that was opened.
struct Heard {
    stream: cpal::Stream,
    name: String,
    rate_hz: u32,
    /// Frames a block, at the output's rate.
    block: usize,
}

fn open_input(
    host: &cpal::Host,
    wanted: &Wanted,
    name: &str,
    rate_hz: u32,
    wires: &Arc<Wires>,
) -> Result<Heard, String> {
    const KIND: &str = "record";
    let devices = host.input_devices().map_err(|error| format!("{KIND}: {}", words(&error)))?;
    let (device, name) = pick(KIND, devices, || host.default_input_device(), Some(name))?;
    let wrong = |error: cpal::Error| fault(KIND, &name, Some(&name), &error);
    let ranges = device.supported_input_configs().map_err(wrong)?.collect();
    let (config, format) = configuration(&format!("{KIND} {name}"), ranges, wanted, rate_hz, wanted.channels() as u16)?;
    check_gates(&name, wanted, config.channels.into())?;
    let inlet = Inlet::new(wires.clone(), wanted.gates_from, wanted.gate_volts, config.sample_rate, rate_hz)
        .map_err(|error| format!("{KIND} {name}: {error}"))?;
    let wires = wires.clone();
    let stream = match format {
        SampleFormat::I16 => input::<i16>(&device, config, inlet, wires),
        SampleFormat::I24 => input::<I24>(&device, config, inlet, wires),
        SampleFormat::I32 => input::<i32>(&device, config, inlet, wires),
        _ => input::<f32>(&device, config, inlet, wires),
    };
    let stream = stream.map_err(wrong)?;
    let frames = f64::from(block(&stream, &config)) * f64::from(rate_hz) / f64::from(config.sample_rate);
    Ok(Heard { stream, name, rate_hz: config.sample_rate, block: frames.ceil() as usize })
}

impl Machine for SoundCard {
    type Stream = Streams;

    fn devices(&mut self) -> Result<Devices, String> {
        let _hushed = hushed();
        let host = host()?;
        let list = |devices: Result<_, cpal::Error>| -> Result<Vec<Device>, String> {
            Ok(named(devices.map_err(|error| words(&error))?).into_iter().map(|(device, _)| device).collect())
        };
        Ok(Devices { outputs: list(host.output_devices())?, inputs: list(host.input_devices())?, midi: self.midi() })
    }

    fn midi(&mut self) -> Vec<Device> {
        let _hushed = hushed();
        // A machine without MIDI is one without MIDI devices.
        let Ok(midi) = MidiInput::new(CLIENT) else { return Vec::new() };
        midi_ports(&midi).into_iter().map(|(device, _)| device).collect()
    }

    fn open(
        &mut self,
        wanted: &Wanted,
        wires: &Arc<Wires>,
        build: &mut Build<'_>,
    ) -> Result<(Streams, Opened), String> {
        const KIND: &str = "output";
        let _hushed = hushed();
        // They play on wires of before.
        self.midi.clear();
        let host = host()?;
        let devices = host.output_devices().map_err(|error| format!("{KIND}: {}", words(&error)))?;
        let name = wanted.output.as_deref();
        let (out, out_name) = pick(KIND, devices, || host.default_output_device(), name)?;
        let wrong = |error: cpal::Error| fault(KIND, &out_name, name, &error);
        let ranges = out.supported_output_configs().map_err(wrong)?.collect();
        let (config, format) = configuration(&format!("{KIND} {out_name}"), ranges, wanted, wanted.rate_hz, 2)?;
        let rate_hz = config.sample_rate;
        let heard = match &wanted.input {
            Some(name) => Some(open_input(&host, wanted, name, rate_hz, wires)?),
            None => None,
        };

        let deck = build(rate_hz)?;
        let stream = match format {
            SampleFormat::I16 => output::<i16>(&out, config, deck, wires.clone()),
            SampleFormat::I24 => output::<I24>(&out, config, deck, wires.clone()),
            SampleFormat::I32 => output::<i32>(&out, config, deck, wires.clone()),
            _ => output::<f32>(&out, config, deck, wires.clone()),
        };
        let output = stream.map_err(wrong)?;
        let block = block(&output, &config);
        let opened = Opened {
            output: out_name.clone(),
            input: heard.as_ref().map(|heard| heard.name.clone()),
            rate_hz,
            resampled_hz: heard.as_ref().map(|heard| heard.rate_hz).filter(|from_hz| *from_hz != rate_hz),
            block,
        };
        // A block that is being filled, and one that is being played.
        wires.put_between(heard.as_ref().map_or(0, |heard| heard.block) + block as usize);
        let input = heard.map(|heard| heard.stream);
        for stream in input.iter().chain([&output]) {
            stream.play().map_err(wrong)?;
        }
        Ok((Streams { _output: output, _input: input }, opened))
    }

    fn tend(&mut self, wanted: &Wanted, wires: &Arc<Wires>) -> Vec<String> {
        let _hushed = hushed();
        let Ok(probe) = MidiInput::new(CLIENT) else { return Vec::new() };
        let ports = midi_ports(&probe);
        let present: Vec<_> = ports.iter().map(|(device, _)| device.clone()).collect();
        let connected: Vec<_> = self.midi.iter().map(|(device, _)| device.clone()).collect();
        let (gone, come) = midi_changes(&connected, &present, wanted.midi.as_deref());
        if !gone.is_empty() {
            self.midi.retain(|(device, _)| !gone.contains(device));
            wires.let_go();
        }
        self.refused.retain(|device| come.contains(device));
        let mut said: Vec<_> = gone.iter().map(|device| format!("{} is gone", device.name)).collect();
        for (device, port) in ports.into_iter().filter(|(device, _)| come.contains(device)) {
            let Ok(mut midi) = MidiInput::new(CLIENT) else { continue };
            midi.ignore(Ignore::All);
            let wires = wires.clone();
            let hear = move |_, bytes: &[u8], (): &mut ()| {
                if let Some(bytes) = channel_message(bytes) {
                    wires.hear(bytes);
                }
            };
            match midi.connect(&port, &device.name, hear, ()) {
                Ok(connection) => {
                    said.push(device.name.clone());
                    self.midi.push((device, connection));
                }
                Err(error) if !self.refused.contains(&device) => {
                    said.push(format!("{}: {}; it is waited for", device.name, error.kind()));
                    self.refused.push(device);
                }
                Err(_) => {}
            }
        }
        said
    }

    fn wait(&mut self, time: Duration) {
        std::thread::sleep(time);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is chosen for 48 kHz and two channels, of offers of channels, lowest and highest rate, longest block and format.
    fn chosen(offers: &[(u16, u32, u32, u32, SampleFormat)]) -> Result<(u16, u32, BufferSize, SampleFormat), String> {
        let offer = |&(channels, low, high, max, format)| {
            SupportedStreamConfigRange::new(channels, low, high, SupportedBufferSize::Range { min: 0, max }, format)
        };
        let (config, format) =
            configuration("output horn", offers.iter().map(offer).collect(), &Wanted::default(), 48_000, 2)?;
        Ok((config.channels, config.sample_rate, config.buffer_size, format))
    }

    #[test]
    fn of_what_a_device_offers_the_nearest_is_taken_and_nothing_that_cannot_be_played() {
        use SampleFormat::{DsdU8, F32, I16, U8};
        let usual = BufferSize::Fixed(USUAL_BLOCK);
        let card = [(1, 8000, 48_000, 4096, F32), (8, 44_100, 96_000, 4096, F32), (2, 44_100, 96_000, 4096, I16)];
        assert_eq!(chosen(&card), Ok((8, 48_000, usual, F32)));
        assert_eq!(chosen(&card[2..]), Ok((2, 48_000, usual, I16)));
        assert_eq!(chosen(&[(2, 8000, 44_100, 100, F32)]), Ok((2, 44_100, BufferSize::Fixed(100), F32)));
        // A device that knows nothing of its blocks, and one without channels at the rate that is wanted.
        assert_eq!(chosen(&[(2, 8000, 48_000, 0, F32)]), Ok((2, 48_000, BufferSize::Default, F32)));
        assert_eq!(
            chosen(&[(0, 8000, 48_000, 4096, F32), (1, 96_000, 96_000, 4096, F32)]),
            Ok((1, 96_000, usual, F32))
        );
        for none in [
            &[][..],
            &[(0, 48_000, 48_000, 4096, F32)],
            &[(2, 48_000, 48_000, 4096, U8)],
            &[(2, 48_000, 48_000, 4096, DsdU8)],
            &[(2, 0, 0, 4096, F32)],
        ] {
            let error = chosen(none).unwrap_err();
            assert_eq!(error, "output horn: it offers no format of 16, 24 or 32 bits at 8000 to 768000 Hz");
        }
        // Rates the wrong way round.
        assert!(chosen(&[(2, 96_000, 8000, 4096, F32)]).is_err());
    }
}
