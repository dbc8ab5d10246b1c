//! A performance cut into process calls, with ports over memory of the test's own.

use super::{Event, Given, Heard, INS, OUTS, Performance, Ports, Processor, TRANSPORT_RATE_HZ, written};
use clack_host::events::Match;
use clack_host::events::event_types::{MidiEvent, NoteExpressionEvent, ParamValueEvent, TransportEvent};
use clack_host::prelude::*;
use clap_sys::audio_buffer::clap_audio_buffer;
use std::ops::Range;
use std::ptr;

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
