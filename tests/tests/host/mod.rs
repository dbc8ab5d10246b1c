//! A small CLAP host: loads the plugin, turns its parameters, and calls it with whatever ports a host may give.
//!
//! ```text
//!   Rig::built()       the library that Cargo built in release, loaded as a host does
//!   Rig::in_process()  the same entry, linked into the test
//!   Rig::play          one performance: audio in, events at their frames, blocks of any size, ports given or not
//! ```
#![allow(dead_code, unreachable_pub)] // Each test file uses its own part.

use clack_extensions::latency::{HostLatency, HostLatencyImpl, PluginLatency};
use clack_extensions::params::{
    HostParams, HostParamsImplMainThread, HostParamsImplShared, ParamClearFlags, ParamInfoBuffer, ParamInfoFlags,
    ParamRescanFlags, PluginParams,
};
use clack_extensions::state::{PluginState, StateError};
use clack_host::events::event_types::{MidiEvent, ParamValueEvent, TransportEvent, TransportFlags};
use clack_host::events::{EventFlags, EventHeader};
use clack_host::prelude::*;
use clack_host::utils::{BeatTime, SecondsTime};
use clap_sys::audio_buffer::clap_audio_buffer;
use std::env::consts::{DLL_PREFIX, DLL_SUFFIX};
use std::ffi::CString;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::ptr;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, OnceLock};
use tritank_dsp::instrument::{Input, Instrument, Output};
use tritank_dsp::knobs::Settings;

/// What the plugin asked the host for.
#[derive(Debug, Default)]
pub struct Asked {
    pub restart: AtomicBool,
    pub callback: AtomicBool,
    pub latency_changed: AtomicU32,
    pub rescans: AtomicU32,
}

pub struct Shared(Arc<Asked>);
pub struct Main(Arc<Asked>);
pub struct Host;

impl SharedHandler<'_> for Shared {
    fn request_restart(&self) {
        self.0.restart.store(true, Ordering::SeqCst);
    }
    fn request_process(&self) {}
    fn request_callback(&self) {
        self.0.callback.store(true, Ordering::SeqCst);
    }
}

impl HostParamsImplShared for Shared {
    fn request_flush(&self) {}
}

impl MainThreadHandler<'_> for Main {}

impl HostParamsImplMainThread for Main {
    fn rescan(&self, _flags: ParamRescanFlags) {
        self.0.rescans.fetch_add(1, Ordering::SeqCst);
    }
    fn clear(&self, _id: ClapId, _flags: ParamClearFlags) {}
}

impl HostLatencyImpl for Main {
    fn changed(&self) {
        self.0.latency_changed.fetch_add(1, Ordering::SeqCst);
    }
}

impl HostHandlers for Host {
    type Shared<'a> = Shared;
    type MainThread<'a> = Main;
    type AudioProcessor<'a> = ();

    fn declare_extensions(extensions: &mut HostExtensions<'_, Self>, _shared: &Shared) {
        extensions.register::<HostLatency>().register::<HostParams>();
    }
}

/// The built library: named by `TRITANK_CLAP`, or built here by Cargo, in release, once.
fn built_library() -> &'static Path {
    static LIBRARY: OnceLock<PathBuf> = OnceLock::new();
    LIBRARY.get_or_init(|| {
        if let Some(path) = std::env::var_os("TRITANK_CLAP") {
            return path.into();
        }
        // The test itself lies in <target>/<profile>/deps.
        let test = std::env::current_exe().expect("a test knows where it is");
        let target = test.ancestors().nth(3).expect("a test lies in the target folder");
        let done = Command::new(env!("CARGO"))
            .args(["build", "--quiet", "--release", "--package", "tritank", "--lib", "--target-dir"])
            .arg(target)
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .status()
            .expect("cargo runs");
        assert!(done.success(), "the plugin does not build");
        target.join("release").join(format!("{DLL_PREFIX}tritank{DLL_SUFFIX}"))
    })
}

/// A parameter as the plugin lists it.
#[derive(Clone, Debug)]
pub struct Listed {
    pub id: ClapId,
    pub name: String,
    pub module: String,
    pub flags: ParamInfoFlags,
    pub least: f64,
    pub most: f64,
    pub default: f64,
}

/// How a host gives a port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Given {
    /// Two channels.
    Stereo,
    /// One channel.
    Mono,
    /// Two channels, the second a null pointer.
    HalfNull,
    /// Two channels that are null pointers.
    NullChannels,
    /// A null list that claims two channels.
    NullList,
    /// No channels.
    Empty,
    /// Neither this port nor any after it is in the list.
    Absent,
}

/// How a host gives all ports: Input, Stage 2 in, Stage 3 in; Output, Pulse, Tap 1, Tap 2, Tap 3.
#[derive(Clone, Copy, Debug)]
pub struct Ports {
    pub inputs: [Given; 3],
    pub outputs: [Given; 5],
}

impl Ports {
    pub const ALL: Self = Self { inputs: [Given::Stereo; 3], outputs: [Given::Stereo; 5] };
}

/// The rate at which a performance with a transport is played.
pub const TRANSPORT_RATE_HZ: f64 = 48e3;

/// What is played.
#[derive(Clone, Debug)]
pub struct Performance {
    pub main: Vec<[f32; 2]>,
    pub jacks: [Vec<f32>; 2],
    /// Sizes of the blocks, over and over.
    pub blocks: Vec<usize>,
    pub ports: Ports,
    /// The transport: from a frame on, the place in quarters there and the tempo. Without any, the host says nothing.
    pub tempi: Vec<(usize, f64, f64)>,
}

impl Performance {
    /// A performance on every port, with a tone in each input that is none of the others'.
    pub fn tones(frames: usize, rate_hz: f64) -> Self {
        let tone = |hertz: f64, volts: f64| {
            move |n: usize| (volts * (n as f64 * hertz * std::f64::consts::TAU / rate_hz).sin()) as f32
        };
        let (left, right, two, three) = (tone(220.0, 0.5), tone(331.0, 0.3), tone(1400.0, 0.2), tone(2500.0, 0.2));
        Self {
            main: (0..frames).map(|n| [left(n), right(n)]).collect(),
            jacks: [(0..frames).map(two).collect(), (0..frames).map(three).collect()],
            blocks: vec![256],
            ports: Ports::ALL,
            tempi: Vec::new(),
        }
    }

    /// What the host says of its transport at a frame. A block begins at every tempo, or the test is wrong.
    fn transport(&self, frame: usize, rate_hz: f64) -> Option<TransportEvent> {
        let &(from, quarters, tempo) = self.tempi.iter().rev().find(|(from, ..)| *from <= frame)?;
        let place = quarters + (frame - from) as f64 / rate_hz * tempo / 60.0;
        let flags = TransportFlags::HAS_TEMPO
            | TransportFlags::HAS_BEATS_TIMELINE
            | TransportFlags::HAS_SECONDS_TIMELINE
            | TransportFlags::IS_PLAYING;
        let none = SecondsTime::from_int(0);
        Some(TransportEvent {
            header: EventHeader::new_core(0, EventFlags::empty()),
            flags,
            song_pos_beats: BeatTime::from_float(place),
            song_pos_seconds: SecondsTime::from_float(frame as f64 / rate_hz),
            tempo,
            tempo_inc: 0.0,
            loop_start_beats: BeatTime::from_int(0),
            loop_end_beats: BeatTime::from_int(0),
            loop_start_seconds: none,
            loop_end_seconds: none,
            bar_start: BeatTime::from_int(0),
            bar_number: 0,
            time_signature_numerator: 4,
            time_signature_denominator: 4,
        })
    }
}

/// What came out: left, right, pulse, tap 1 to 3. A channel that the host did not give is empty.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Heard {
    pub main: [Vec<f32>; 2],
    pub sides: [[Vec<f32>; 2]; 4],
}

/// An event at its frame.
#[derive(Clone, Copy, Debug)]
pub enum Event {
    /// A parameter goes to a value of the host's.
    Turn(ClapId, f64),
    /// Three bytes of MIDI 1.0.
    Midi([u8; 3]),
}

/// A loaded plugin.
pub struct Rig {
    pub instance: PluginInstance<Host>,
    pub asked: Arc<Asked>,
}

pub type Processor = StartedPluginAudioProcessor<Host>;

/// The number that a host keeps for a parameter: the framework's hash of its id. Songs refer to it.
pub fn number(id: &str) -> ClapId {
    let hash = id.bytes().fold(0u32, |hash, byte| hash.wrapping_mul(31).wrapping_add(u32::from(byte)));
    ClapId::new(hash & !(1 << 31))
}

impl Rig {
    /// The built library.
    pub fn built() -> Self {
        // SAFETY: our own library; its initialisers are those of any Rust library.
        Self::of(&unsafe { PluginEntry::load(built_library()) }.expect("the library is a CLAP file"))
    }

    /// The entry that is linked into the test.
    pub fn in_process() -> Self {
        // SAFETY: a valid, static entry.
        Self::of(
            &unsafe { PluginEntry::load_from_raw(&tritank::entry::clap::clap_entry, c"in process") }.expect("an entry"),
        )
    }

    fn of(entry: &PluginEntry) -> Self {
        let asked = Arc::new(Asked::default());
        let info = HostInfo::new("Tritank bench", "Tritank", "", "1").expect("no zero in the names");
        let (shared, main) = (asked.clone(), asked.clone());
        let instance =
            PluginInstance::new(move |()| Shared(shared), move |_| Main(main), entry, c"tritank.formant-voice", &info);
        Self { instance: instance.expect("the plugin is in the file"), asked }
    }

    pub fn extension<
        E: clack_host::extensions::Extension<ExtensionSide = clack_host::extensions::PluginExtensionSide>,
    >(
        &mut self,
    ) -> E {
        self.instance.plugin_handle().get_extension().expect("the plugin has this extension")
    }

    pub fn parameters(&mut self) -> Vec<Listed> {
        let params: PluginParams = self.extension();
        let handle = self.instance.plugin_handle();
        let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).expect("names are UTF-8");
        (0..params.count(&handle))
            .map(|index| {
                let mut buffer = ParamInfoBuffer::new();
                let info = params.get_info(&handle, index, &mut buffer).expect("every index below the count");
                Listed {
                    id: info.id,
                    name: text(info.name),
                    module: text(info.module),
                    flags: info.flags,
                    least: info.min_value,
                    most: info.max_value,
                    default: info.default_value,
                }
            })
            .collect()
    }

    /// Where a parameter stands, in the host's numbers.
    pub fn value(&mut self, id: ClapId) -> f64 {
        let params: PluginParams = self.extension();
        params.get_value(&self.instance.plugin_handle(), id).expect("the parameter is there")
    }

    /// The host's number for a text; none if it is refused.
    pub fn read(&mut self, id: ClapId, text: &str) -> Option<f64> {
        let params: PluginParams = self.extension();
        params.text_to_value(&self.instance.plugin_handle(), id, &CString::new(text).expect("no zero in the text"))
    }

    /// The text for a number of the host's.
    pub fn write(&mut self, id: ClapId, value: f64) -> String {
        let params: PluginParams = self.extension();
        let mut buffer = [0u8; 128];
        let text = params.value_to_text(&self.instance.plugin_handle(), id, value, &mut buffer).expect("a text");
        String::from_utf8(text.to_vec()).expect("texts are UTF-8")
    }

    /// An event that turns a parameter to a text.
    pub fn turn(&mut self, id: &str, text: &str) -> Event {
        let number = number(id);
        Event::Turn(number, self.read(number, text).unwrap_or_else(|| panic!("{id} refuses \"{text}\"")))
    }

    pub fn latency(&mut self) -> usize {
        let latency: PluginLatency = self.extension();
        latency.get(&self.instance.plugin_handle()) as usize
    }

    pub fn save(&mut self) -> Vec<u8> {
        let state: PluginState = self.extension();
        let mut bytes = Vec::new();
        state.save(&self.instance.plugin_handle(), &mut bytes).expect("a state is saved");
        bytes
    }

    pub fn load(&mut self, mut bytes: &[u8]) -> Result<(), StateError> {
        let state: PluginState = self.extension();
        state.load(&self.instance.plugin_handle(), &mut bytes)
    }

    /// Activates for blocks up to `most` frames and starts.
    pub fn start(&mut self, rate_hz: f64, most: u32) -> Processor {
        let configuration =
            PluginAudioConfiguration { sample_rate: rate_hz, min_frames_count: 1, max_frames_count: most };
        let stopped = self.instance.activate(|_, _| (), configuration).expect("the plugin activates");
        stopped.start_processing().expect("the plugin starts")
    }

    pub fn stop(&mut self, processor: Processor) {
        self.instance.deactivate(processor.stop_processing());
    }

    /// What a host does when it is asked to: the main-thread call, and off and on again.
    pub fn answer(&mut self, processor: Processor, rate_hz: f64, most: u32) -> Processor {
        if self.asked.callback.swap(false, Ordering::SeqCst) {
            self.instance.call_on_main_thread_callback();
        }
        if !self.asked.restart.swap(false, Ordering::SeqCst) {
            return processor;
        }
        self.stop(processor);
        self.start(rate_hz, most)
    }
}

/// Lists of channels for one kind of port, with what a host may leave out.
struct Lists {
    pointers: Vec<[*mut f32; 2]>,
    buffers: Vec<clap_audio_buffer>,
}

impl Lists {
    /// Ports over memory that a test gives: `channel(port, channel)`.
    fn new(given: &[Given], mut channel: impl FnMut(usize, usize) -> *mut f32) -> Self {
        let present = given.iter().position(|port| *port == Given::Absent).unwrap_or(given.len());
        let given = &given[..present];
        let mut pointers: Vec<[*mut f32; 2]> = given
            .iter()
            .enumerate()
            .map(|(port, how)| match how {
                Given::Stereo | Given::Mono => [channel(port, 0), channel(port, 1)],
                Given::HalfNull => [channel(port, 0), ptr::null_mut()],
                _ => [ptr::null_mut(); 2],
            })
            .collect();
        let buffers = given
            .iter()
            .zip(&mut pointers)
            .map(|(how, list)| clap_audio_buffer {
                data32: if matches!(how, Given::NullList | Given::Empty) { ptr::null_mut() } else { list.as_mut_ptr() },
                data64: ptr::null_mut(),
                channel_count: match how {
                    Given::Mono => 1,
                    Given::Empty => 0,
                    _ => 2,
                },
                latency: 0,
                // Left over from an earlier user of the structure.
                constant_mask: 0b11,
            })
            .collect();
        Self { pointers, buffers }
    }
}

/// One process call, with everything that it needs.
struct Call {
    inputs: Vec<[Vec<f32>; 2]>,
    outputs: Vec<[Vec<f32>; 2]>,
    ins: Lists,
    outs: Lists,
    due: EventBuffer,
    transport: Option<TransportEvent>,
    start: usize,
    length: usize,
}

/// A performance cut into calls, ready to be played.
pub struct Prepared {
    calls: Vec<Call>,
    ports: Ports,
}

impl Prepared {
    /// Cuts a performance into blocks. Every output is dirtied, so that nothing is right by luck.
    pub fn new(performance: &Performance, events: &[(usize, Event)]) -> Self {
        let ports = performance.ports;
        let volts = |port: usize, channel: usize, n: usize| match port {
            0 => performance.main[n][channel],
            jack => performance.jacks[jack - 1][n],
        };
        let mut events = events.to_vec();
        events.sort_by_key(|(frame, _)| *frame);
        let mut calls = Vec::new();
        let mut start = 0;
        for &block in performance.blocks.iter().cycle() {
            let length = block.min(performance.main.len() - start);
            if length == 0 {
                break;
            }
            let span = start..start + length;
            let mut inputs: Vec<[Vec<f32>; 2]> = (0..3)
                .map(|port| [0, 1].map(|channel| span.clone().map(|n| volts(port, channel, n)).collect()))
                .collect();
            let mut outputs: Vec<[Vec<f32>; 2]> = vec![[vec![f32::NAN; length], vec![f32::NAN; length]]; 5];
            let ins = Lists::new(&ports.inputs, |port, channel| inputs[port][channel].as_mut_ptr());
            let outs = Lists::new(&ports.outputs, |port, channel| outputs[port][channel].as_mut_ptr());
            let mut due = EventBuffer::new();
            for (frame, event) in events.iter().filter(|(frame, _)| span.contains(frame)) {
                let time = (frame - start) as u32;
                match *event {
                    Event::Turn(id, value) => due.push(&ParamValueEvent::new(time, id, Pckn::match_all(), value)),
                    Event::Midi(bytes) => due.push(&MidiEvent::new(time, 0, bytes)),
                }
            }
            let transport = performance.transport(start, TRANSPORT_RATE_HZ);
            calls.push(Call { inputs, outputs, ins, outs, due, transport, start, length });
            start += length;
        }
        Self { calls, ports }
    }

    /// Makes the calls, and allocates nothing in between.
    pub fn run(&mut self, processor: &mut Processor) {
        for call in &mut self.calls {
            // SAFETY: the channels that are given are `length` samples long and live as long as the call; what is left
            // out is what this host is for.
            let (ins, mut outs) = unsafe {
                (
                    InputAudioBuffers::from_raw_buffers(&call.ins.buffers, call.length as u32),
                    OutputAudioBuffers::from_raw_buffers(&mut call.outs.buffers, call.length as u32),
                )
            };
            let (due, steady) = (call.due.as_input(), Some(call.start as u64));
            let transport = call.transport.as_ref();
            processor
                .process(&ins, &mut outs, &due, &mut OutputEvents::void(), steady, transport)
                .expect("it processes");
        }
    }

    /// What the calls left in the ports that were given.
    pub fn heard(&self) -> Heard {
        let mut heard = Heard::default();
        let absent = self.ports.outputs.iter().position(|how| *how == Given::Absent).unwrap_or(5);
        for port in 0..absent {
            let written = match self.ports.outputs[port] {
                Given::Stereo => 2,
                Given::Mono | Given::HalfNull => 1,
                _ => 0,
            };
            let places = if port == 0 { &mut heard.main } else { &mut heard.sides[port - 1] };
            for (channel, place) in places.iter_mut().enumerate().take(written) {
                *place = self.calls.iter().flat_map(|call| &call.outputs[port][channel]).copied().collect();
            }
        }
        for call in &self.calls {
            let untouched = call.inputs.iter().flatten().flatten().all(|volts| volts.is_finite());
            assert!(untouched && call.outs.pointers.len() == absent);
        }
        heard
    }
}

/// Plays a performance once.
pub fn play(processor: &mut Processor, performance: &Performance, events: &[(usize, Event)]) -> Heard {
    let mut calls = Prepared::new(performance, events);
    calls.run(processor);
    calls.heard()
}

/// The instrument itself, driven directly: what the plugin must sound like.
pub fn directly(
    instrument: &mut Instrument,
    performance: &Performance,
    mut before: impl FnMut(usize, &mut Instrument),
) -> Vec<Output> {
    (0..performance.main.len())
        .map(|n| {
            before(n, instrument);
            let given = |port: usize, volts: f64| match performance.ports.inputs[port] {
                Given::Stereo | Given::Mono => volts,
                // One channel of two: the jack hears the mean.
                Given::HalfNull => volts / 2.0,
                _ => 0.0,
            };
            let [left, right] = performance.main[n].map(f64::from);
            let main = match performance.ports.inputs[0] {
                Given::Stereo => [left, right],
                Given::Mono => [left, left],
                Given::HalfNull => [left, 0.0],
                _ => [0.0, 0.0],
            };
            let [two, three] = [0, 1].map(|jack| given(jack + 1, f64::from(performance.jacks[jack][n])));
            instrument.tick(Input { main, stage2: two, stage3: three })
        })
        .collect()
}

/// A new instrument on the built-in board.
pub fn instrument(settings: &Settings, rate_hz: f64) -> Instrument {
    Instrument::new(&tritank_dsp::board::Board::built_in(), settings, rate_hz).expect("a usual rate")
}

/// Largest difference from a reference, in decibels re its largest value.
pub fn difference_db(heard: &[f32], reference: impl Iterator<Item = f64>) -> f64 {
    let reference: Vec<f64> = reference.collect();
    assert_eq!(heard.len(), reference.len());
    let most = reference.iter().fold(0.0f64, |most, x| most.max(x.abs()));
    assert!(most > 1e-3, "a reference of silence proves nothing");
    let error = heard.iter().zip(&reference).fold(0.0f64, |error, (h, r)| {
        let difference = (f64::from(*h) - r).abs();
        // Not a number is no small difference.
        if difference.is_nan() { f64::INFINITY } else { error.max(difference) }
    });
    20.0 * (error / most).log10()
}

/// Holds everything that was heard against the reference, to −120 dB.
pub fn assert_same(heard: &Heard, reference: &[Output], what: &str) {
    let check = |name: &str, heard: &[f32], of: &dyn Fn(&Output) -> f64| {
        if !heard.is_empty() {
            let error = difference_db(heard, reference.iter().map(of));
            println!("{what}, {name}: {error:.1} dB");
            assert!(error <= -120.0, "{what}, {name}: {error:.1} dB");
        }
    };
    for channel in 0..2 {
        check("main", &heard.main[channel], &|out| out.main[channel]);
        check("pulse", &heard.sides[0][channel], &|out| out.pulse);
        for tap in 0..3 {
            check("tap", &heard.sides[tap + 1][channel], &|out| out.taps[tap]);
        }
    }
}
