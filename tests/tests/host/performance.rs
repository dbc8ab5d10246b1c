//! What a host plays: audio, events, a transport, and the ports that it gives.

pub use clack_host::events::event_types::NoteExpressionType as Expression;
use clack_host::events::event_types::{TransportEvent, TransportFlags};
use clack_host::events::{EventFlags, EventHeader};
use clack_host::utils::{BeatTime, ClapId, SecondsTime};
use tritank_dsp::instrument::Voltage;
use tritank_dsp::lines::Line;

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
    pub fn transport(&self, frame: usize, rate_hz: f64) -> Option<TransportEvent> {
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
