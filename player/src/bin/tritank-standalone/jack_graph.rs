//! JACK: one client with sound in, sound out and MIDI in. All three meet in one cycle, so nothing waits between input and output.
//!
//! ```text
//!   capture ports of a client ──► in 1 … ──┐
//!   MIDI ports of any client  ──► keys ────┴─► Tritank ─► left, right ──► playback ports of a client
//! ```
//! A device is a client with ports; its ports are connected in their order, and may be patched otherwise at any time.

use jack::{
    AsyncClient, AudioIn, AudioOut, Client, ClientOptions, Control, Frames, MidiIn, Port, PortFlags, ProcessScope,
};
use std::sync::{Arc, Weak};
use std::time::Duration;
use tritank_player::deck::Deck;
use tritank_player::inlet::Inlet;
use tritank_player::machine::{
    Build, Device, Devices, Machine, Opened, Wanted, channel_message, check_gates, choose, midi_changes,
};
use tritank_player::wires::{Side, Wires};

/// Name under which the patch bay shows the unit.
const CLIENT: &str = "Tritank";

/// Types of ports, as JACK writes them.
const AUDIO: &str = "32 bit float mono audio";
const MIDI: &str = "8 bit raw midi";

type Running = AsyncClient<Notices, Cycle>;

/// Our client at work; it leaves the graph when it is dropped.
pub(crate) struct Stream {
    _running: Arc<Running>,
}

/// The graph, and the MIDI ports that are connected to.
#[derive(Default)]
pub(crate) struct JackGraph {
    running: Weak<Running>,
    /// The first port of each client that is played to or recorded from.
    devices: Vec<(Side, String)>,
    midi: Vec<Device>,
}

/// What is done in every cycle.
struct Cycle {
    deck: Deck,
    wires: Arc<Wires>,
    keys: Port<MidiIn>,
    inlet: Inlet,
    inputs: Vec<Port<AudioIn>>,
    outputs: Vec<Port<AudioOut>>,
    /// Interleaved, for as many frames as a cycle has.
    heard: Vec<f32>,
    played: Vec<f32>,
}

impl Cycle {
    fn make_room(&mut self, frames: usize) {
        self.heard.resize(frames * self.inputs.len(), 0.0);
        self.played.resize(frames * self.outputs.len(), 0.0);
        // What comes in goes out in the same cycle.
        self.wires.put_between(frames);
    }
}

impl jack::ProcessHandler for Cycle {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        for event in self.keys.iter(scope) {
            if let Some(bytes) = channel_message(event.bytes) {
                self.wires.hear(bytes);
            }
        }
        let channels = self.inputs.len();
        for (channel, port) in self.inputs.iter().enumerate() {
            let column = self.heard.iter_mut().skip(channel).step_by(channels);
            for (heard, volts) in column.zip(port.as_slice(scope)) {
                *heard = *volts;
            }
        }
        let frames = scope.n_frames() as usize;
        let came = self.heard.len().min(frames * channels);
        self.inlet.hear(&self.heard[..came], channels, |volts| volts);
        let channels = self.outputs.len();
        let room = self.played.len().min(frames * channels);
        let played = &mut self.played[..room];
        self.deck.fill(played, channels);
        for (channel, port) in self.outputs.iter_mut().enumerate() {
            let column = played.iter().skip(channel).step_by(channels);
            for (out, volts) in port.as_mut_slice(scope).iter_mut().zip(column) {
                *out = *volts;
            }
        }
        Control::Continue
    }

    fn buffer_size(&mut self, _: &Client, size: Frames) -> Control {
        self.make_room(size as usize);
        Control::Continue
    }
}

/// What JACK tells outside of the cycle.
struct Notices {
    wires: Arc<Wires>,
    rate_hz: Frames,
}

impl jack::NotificationHandler for Notices {
    unsafe fn shutdown(&mut self, _: jack::ClientStatus, _: &str) {
        self.wires.lose(Side::Out);
    }

    fn sample_rate(&mut self, _: &Client, rate_hz: Frames) -> Control {
        if rate_hz != self.rate_hz {
            self.wires.lose(Side::Out);
        }
        Control::Continue
    }

    fn xrun(&mut self, _: &Client) -> Control {
        self.wires.slip();
        Control::Continue
    }
}

fn client() -> Result<Client, String> {
    match Client::new(CLIENT, ClientOptions::NO_START_SERVER) {
        Ok((client, _)) => Ok(client),
        Err(jack::Error::LibraryError(error)) => Err(format!("jack: its library cannot be loaded ({error})")),
        Err(_) => Err("jack: no server runs that could be reached".to_owned()),
    }
}

/// What goes wrong within JACK, on one line.
fn words(error: &jack::Error) -> String {
    format!("jack: {error}")
}

/// The client that a port belongs to.
fn owner(port: &str) -> &str {
    port.split_once(':').map_or(port, |(owner, _)| owner)
}

/// What sends MIDI: ports by their whole names, of which no two are the same.
fn midi_ports(client: &Client) -> Vec<Device> {
    let ports = client.ports(None, Some(MIDI), PortFlags::IS_OUTPUT);
    ports.into_iter().map(|name| Device { address: name.clone(), name }).collect()
}

/// Connects two ports; somebody may have done so already.
fn connect(client: &Client, from: &str, to: &str) -> Result<(), String> {
    match client.connect_ports_by_name(from, to) {
        Ok(()) | Err(jack::Error::PortAlreadyConnected(..)) => Ok(()),
        Err(error) => Err(words(&error)),
    }
}

/// Clients with audio ports of a kind, but for ourselves.
fn owners(client: &Client, flags: PortFlags) -> Vec<Device> {
    let mut devices: Vec<Device> = Vec::new();
    for port in client.ports(None, Some(AUDIO), flags) {
        let name = owner(&port).to_owned();
        if name != client.name() && devices.iter().all(|device| device.name != name) {
            devices.push(Device { address: name.clone(), name });
        }
    }
    devices
}

/// The client that is meant, and its ports; the first with sockets that can be touched without a name.
fn pick(kind: &str, client: &Client, flags: PortFlags, wanted: Option<&str>) -> Result<(String, Vec<String>), String> {
    let name = if let Some(wanted) = wanted {
        choose(kind, &owners(client, flags), wanted)?.name.clone()
    } else {
        let usual = owners(client, flags | PortFlags::IS_PHYSICAL).into_iter().next();
        usual.ok_or_else(|| format!("{kind}: jack has no device for it here (--list says what there is)"))?.name
    };
    let ports = client.ports(None, Some(AUDIO), flags);
    Ok((name.clone(), ports.into_iter().filter(|port| owner(port) == name).collect()))
}

impl Machine for JackGraph {
    type Stream = Stream;

    fn devices(&mut self) -> Result<Devices, String> {
        let client = client()?;
        Ok(Devices {
            outputs: owners(&client, PortFlags::IS_INPUT),
            inputs: owners(&client, PortFlags::IS_OUTPUT),
            midi: midi_ports(&client),
        })
    }

    fn midi(&mut self) -> Vec<Device> {
        self.running.upgrade().map(|running| midi_ports(running.as_client())).unwrap_or_default()
    }

    fn open(&mut self, wanted: &Wanted, wires: &Arc<Wires>, build: &mut Build<'_>) -> Result<(Stream, Opened), String> {
        self.midi.clear();
        let client = client()?;
        let (output, sinks) = pick("output", &client, PortFlags::IS_INPUT, wanted.output.as_deref())?;
        let (input, mut sources) = match &wanted.input {
            None => (None, Vec::new()),
            Some(name) => {
                let (name, sources) = pick("record", &client, PortFlags::IS_OUTPUT, Some(name))?;
                (Some(name), sources)
            }
        };
        if let Some(name) = &input {
            check_gates(name, wanted, sources.len())?;
        }
        sources.truncate(wanted.channels());

        let (rate_hz, block) = (client.sample_rate(), client.buffer_size());
        let fault = |error: jack::Error| words(&error);
        let out_names = if sinks.len() == 1 { &["mono"][..] } else { &["left", "right"] };
        let outputs: Result<Vec<_>, _> =
            out_names.iter().map(|name| client.register_port(name, AudioOut::default())).collect();
        let inputs: Result<Vec<_>, _> =
            (1..=sources.len()).map(|n| client.register_port(&format!("in {n}"), AudioIn::default())).collect();
        let keys = client.register_port("keys", MidiIn::default()).map_err(fault)?;
        let mut cycle = Cycle {
            deck: build(rate_hz)?,
            wires: wires.clone(),
            keys,
            inlet: Inlet::new(wires.clone(), wanted.gates_from, wanted.gate_volts, rate_hz, rate_hz)?,
            inputs: inputs.map_err(fault)?,
            outputs: outputs.map_err(fault)?,
            heard: Vec::new(),
            played: Vec::new(),
        };
        cycle.make_room(block as usize);
        let notices = Notices { wires: wires.clone(), rate_hz };
        let running = Arc::new(client.activate_async(notices, cycle).map_err(fault)?);

        let client = running.as_client();
        let ours = |name: &str| format!("{}:{name}", client.name());
        for (name, sink) in out_names.iter().zip(&sinks) {
            connect(client, &ours(name), sink)?;
        }
        for (n, source) in (1..).zip(&sources) {
            connect(client, source, &ours(&format!("in {n}")))?;
        }
        let first = |side: Side, ports: &[String]| ports.first().map(|port| (side, port.clone()));
        self.devices = [first(Side::Out, &sinks), first(Side::In, &sources)].into_iter().flatten().collect();
        self.running = Arc::downgrade(&running);
        Ok((Stream { _running: running }, Opened { output, input, rate_hz, resampled_hz: None, block }))
    }

    fn tend(&mut self, wanted: &Wanted, wires: &Arc<Wires>) -> Vec<String> {
        let Some(running) = self.running.upgrade() else { return Vec::new() };
        let client = running.as_client();
        for (side, _) in self.devices.iter().filter(|(_, port)| client.port_by_name(port).is_none()) {
            wires.lose(*side);
        }
        let (gone, come) = midi_changes(&self.midi, &midi_ports(client), wanted.midi.as_deref());
        if !gone.is_empty() {
            self.midi.retain(|device| !gone.contains(device));
            wires.let_go();
        }
        let mut said: Vec<_> = gone.iter().map(|device| format!("{} is gone", device.name)).collect();
        for device in come {
            if connect(client, &device.name, &format!("{}:keys", client.name())).is_ok() {
                said.push(device.name.clone());
                self.midi.push(device);
            }
        }
        said
    }

    fn wait(&mut self, time: Duration) {
        std::thread::sleep(time);
    }
}
