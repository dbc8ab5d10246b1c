//! A small CLAP host: loads the plugin, turns its parameters, and calls it with whatever ports a host may give.
//!
//! ```text
//!   Rig::built()       the library that Cargo built in release, loaded as a host does
//!   Rig::in_process()  the same entry, linked into the test
//!   Rig::play          one performance: audio in, events at their frames, blocks of any size, ports given or not
//! ```
#![allow(dead_code, unreachable_pub)] // Each test file uses its own part.

pub mod patched;

use clack_extensions::latency::{HostLatency, HostLatencyImpl, PluginLatency};
use clack_extensions::params::{
    HostParams, HostParamsImplMainThread, HostParamsImplShared, ParamClearFlags, ParamInfoBuffer, ParamInfoFlags,
    ParamRescanFlags, PluginParams,
};
use clack_extensions::state::{PluginState, StateError};
pub use clack_host::events::event_types::NoteExpressionType as Expression;
use clack_host::events::event_types::{
    MidiEvent, NoteExpressionEvent, ParamValueEvent, TransportEvent, TransportFlags,
};
use clack_host::events::{EventFlags, EventHeader, Match};
use clack_host::prelude::*;
use clack_host::utils::{BeatTime, SecondsTime};
use clap_sys::audio_buffer::clap_audio_buffer;
use std::ffi::CString;
use std::ops::Range;
use std::ptr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use tritank_dsp::instrument::{Input, Instrument, Output, Voltage};
use tritank_dsp::knobs::Settings;
use tritank_dsp::lines::{Line, Source};
use tritank_dsp::patch::Patch;
use tritank_tests::built_library;

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
    /// Every channel.
    Whole,
    /// One channel.
    Mono,
    /// Every channel, all but the first of them null pointers.
    HalfNull,
    /// Every channel, all null pointers.
    NullChannels,
    /// A null list that claims every channel.
    NullList,
    /// No channels.
    Empty,
    /// Neither this port nor any after it is in the list.
    Absent,
}

/// Channels of every input: Input, Stage 2 in, Stage 3 in, Gates, Control.
pub const INS: [usize; 5] = [2, 2, 2, Line::COUNT, Voltage::COUNT];
/// Channels of every output: Output, Pulse, Tap 1, Tap 2, Tap 3, Lines.
pub const OUTS: [usize; 6] = [2, 2, 2, 2, 2, Line::COUNT];

/// How a host gives all ports.
#[derive(Clone, Copy, Debug)]
pub struct Ports {
    pub inputs: [Given; 5],
    pub outputs: [Given; 6],
}

impl Ports {
    pub const ALL: Self = Self { inputs: [Given::Whole; 5], outputs: [Given::Whole; 6] };
}

/// The rate at which a performance with a transport is played.
pub const TRANSPORT_RATE_HZ: f64 = 48e3;

/// What is played.
#[derive(Clone, Debug)]
pub struct Performance {
    pub main: Vec<[f32; 2]>,
    pub jacks: [Vec<f32>; 2],
    pub gates: Vec<[f32; Line::COUNT]>,
    pub control: Vec<[f32; Voltage::COUNT]>,
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
            gates: vec![[0.0; Line::COUNT]; frames],
            control: vec![[0.0; Voltage::COUNT]; frames],
            blocks: vec![256],
            ports: Ports::ALL,
            tempi: Vec::new(),
        }
    }

    /// Volts at a channel of an input.
    pub fn volts(&self, port: usize, channel: usize, n: usize) -> f32 {
        match port {
            0 => self.main[n][channel],
            3 => self.gates[n][channel],
            4 => self.control[n][channel],
            jack => self.jacks[jack - 1][n],
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

/// What came out: left, right, pulse, tap 1 to 3, lines. A channel that the host did not give is empty.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Heard {
    pub main: [Vec<f32>; 2],
    pub sides: [[Vec<f32>; 2]; 4],
    pub lines: [Vec<f32>; Line::COUNT],
}

impl Heard {
    /// The channels of an output.
    pub fn port(&mut self, port: usize) -> &mut [Vec<f32>] {
        match port {
            0 => &mut self.main,
            5 => &mut self.lines,
            side => &mut self.sides[side - 1],
        }
    }
}

/// Channels that a host can have written to.
pub fn written(how: Given, channels: usize) -> usize {
    match how {
        Given::Whole => channels,
        Given::Mono | Given::HalfNull => 1,
        _ => 0,
    }
}

/// An event at its frame.
#[derive(Clone, Copy, Debug)]
pub enum Event {
    /// A parameter goes to a value of the host's.
    Turn(ClapId, f64),
    /// Three bytes of MIDI 1.0.
    Midi([u8; 3]),
    /// An expression of a key on a channel.
    Express(Expression, u16, u16, f64),
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

    /// The state of a patch: that of a new unit with the patch in its place; the length in front follows.
    pub fn state_of(&mut self, patch: &Patch) -> Vec<u8> {
        let mut state: serde_json::Value = serde_json::from_slice(&self.save()[8..]).unwrap();
        let place = state.pointer_mut("/fields/patch").expect("the state carries the patch");
        *place = patch.to_toml().into();
        let json = serde_json::to_vec(&state).unwrap();
        [&(json.len() as u64).to_le_bytes(), json.as_slice()].concat()
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
    pointers: Vec<Vec<*mut f32>>,
    buffers: Vec<clap_audio_buffer>,
}

/// Pointers to the channels of a port, as it is given.
pub fn pointers(how: Given, memory: &mut [Vec<f32>]) -> Vec<*mut f32> {
    let null = |channel: usize| match how {
        Given::Whole | Given::Mono => false,
        Given::HalfNull => channel > 0,
        _ => true,
    };
    let pointer = |(n, channel): (usize, &mut Vec<f32>)| if null(n) { ptr::null_mut() } else { channel.as_mut_ptr() };
    memory.iter_mut().enumerate().map(pointer).collect()
}

/// Channels that a host says there are.
pub fn claimed(how: Given, channels: usize) -> usize {
    match how {
        Given::Mono => 1,
        Given::Empty => 0,
        _ => channels,
    }
}

impl Lists {
    /// Ports over memory of a test's.
    fn new(given: &[Given], memory: &mut [Vec<Vec<f32>>]) -> Self {
        let present = given.iter().position(|port| *port == Given::Absent).unwrap_or(given.len());
        let given = &given[..present];
        let mut pointers: Vec<_> = given.iter().zip(memory).map(|(how, memory)| pointers(*how, memory)).collect();
        let buffers = given
            .iter()
            .zip(&mut pointers)
            .map(|(how, list)| clap_audio_buffer {
                data32: if matches!(how, Given::NullList | Given::Empty) { ptr::null_mut() } else { list.as_mut_ptr() },
                data64: ptr::null_mut(),
                channel_count: claimed(*how, list.len()) as u32,
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
    inputs: Memory,
    outputs: Memory,
    ins: Lists,
    outs: Lists,
    due: EventBuffer,
    transport: Option<TransportEvent>,
    start: usize,
    length: usize,
}

/// By port, channel and frame, volts.
pub type Memory = Vec<Vec<Vec<f32>>>;

/// The channels of every input over a span of frames, and those of every output, dirtied so that nothing is right by luck.
pub fn memory(performance: &Performance, span: Range<usize>) -> (Memory, Memory) {
    let input = |(port, channels): (usize, usize)| {
        (0..channels).map(|channel| span.clone().map(|n| performance.volts(port, channel, n)).collect()).collect()
    };
    (
        INS.into_iter().enumerate().map(input).collect(),
        OUTS.map(|channels| vec![vec![f32::NAN; span.len()]; channels]).to_vec(),
    )
}

/// A performance cut into calls, ready to be played.
pub struct Prepared {
    calls: Vec<Call>,
    ports: Ports,
}

impl Prepared {
    /// Cuts a performance into blocks.
    pub fn new(performance: &Performance, events: &[(usize, Event)]) -> Self {
        let ports = performance.ports;
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
            let (mut inputs, mut outputs) = memory(performance, span.clone());
            let ins = Lists::new(&ports.inputs, &mut inputs);
            let outs = Lists::new(&ports.outputs, &mut outputs);
            let mut due = EventBuffer::new();
            for (frame, event) in events.iter().filter(|(frame, _)| span.contains(frame)) {
                let time = (frame - start) as u32;
                match *event {
                    Event::Turn(id, value) => due.push(&ParamValueEvent::new(time, id, Pckn::match_all(), value)),
                    Event::Midi(bytes) => due.push(&MidiEvent::new(time, 0, bytes)),
                    Event::Express(kind, channel, key, value) => {
                        let note = Pckn::new(0u16, channel, key, Match::All);
                        due.push(&NoteExpressionEvent::new(time, note, kind, value));
                    }
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
        let absent = self.ports.outputs.iter().position(|how| *how == Given::Absent).unwrap_or(OUTS.len());
        for port in 0..absent {
            let written = written(self.ports.outputs[port], OUTS[port]);
            for (channel, place) in heard.port(port).iter_mut().enumerate().take(written) {
                *place = self.calls.iter().flat_map(|call| &call.outputs[port][channel]).copied().collect();
            }
        }
        for call in &self.calls {
            let untouched = call.inputs[..3].iter().flatten().flatten().all(|volts| volts.is_finite());
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
    let ports = performance.ports.inputs;
    let mut high = [false; Line::COUNT];
    let mut stands = [0.0; Voltage::COUNT];
    (0..performance.main.len())
        .map(|n| {
            before(n, instrument);
            for (line, high) in Line::all().zip(&mut high).take(written(ports[3], Line::COUNT)) {
                let volts = performance.gates[n][line.index()];
                if volts.is_finite() && if *high { volts < 0.5 } else { volts >= 1.0 } {
                    *high ^= true;
                    instrument.gate(Source::Inputs, line, *high);
                }
            }
            for (place, stands) in stands.iter_mut().enumerate().take(written(ports[4], Voltage::COUNT)) {
                let volts = f64::from(performance.control[n][place]);
                if volts != *stands {
                    *stands = volts;
                    instrument.control(Voltage::ALL[place], volts);
                }
            }
            let given = |port: usize, volts: f64| match ports[port] {
                Given::Whole | Given::Mono => volts,
                // One channel of two: the jack hears the mean.
                Given::HalfNull => volts / 2.0,
                _ => 0.0,
            };
            let [left, right] = performance.main[n].map(f64::from);
            let main = match ports[0] {
                Given::Whole => [left, right],
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
