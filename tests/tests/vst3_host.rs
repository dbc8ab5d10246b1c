//! The VST3 side through its COM interfaces, in this process: ports, parameters, state, automation, and every bus that a
//! host may leave out. The reference for sound is the instrument itself, driven directly; the interfaces are VST 3.7's.

// The interfaces count with signed numbers, and `char16` is a `u16` on some systems only.
#![allow(clippy::cast_possible_wrap, clippy::unnecessary_cast)]

mod host;

use host::{
    Given, Heard, INS, OUTS, Performance, Ports, assert_same, claimed, difference_db, directly, instrument, memory,
    number, pointers, written,
};
use nice_plug::prelude::Vst3Plugin;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    AudioBusBuffers, AudioBusBuffers__type0, BusDirections_, BusInfo,
    BusInfo_::BusFlags_::{kDefaultActive, kIsControlVoltage},
    Event,
    Event_::EventTypes_,
    Event__type0, IAudioProcessor, IAudioProcessorTrait, IComponent, IComponentTrait, IEditController,
    IEditControllerTrait, IEventList, IEventListTrait, IParamValueQueue, IParamValueQueueTrait, IParameterChanges,
    IParameterChangesTrait, IUnitInfo, IUnitInfoTrait, MediaTypes_, NoteExpressionValueEvent, NoteOffEvent,
    NoteOnEvent, ParamID, ParamValue, ParameterInfo,
    ParameterInfo_::ParameterFlags_,
    PolyPressureEvent, ProcessData, ProcessModes_, ProcessSetup, SymbolicSampleSizes_,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    IBStream, IBStream_::IStreamSeekMode_, IBStreamTrait, IPluginBaseTrait, IPluginFactory, IPluginFactoryTrait,
    PClassInfo, int32, int64, kInvalidArgument, kResultFalse, kResultOk, tresult,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComPtr, ComWrapper, Interface};
use std::cell::{Cell, RefCell};
use std::ffi::c_void;
use std::ptr;
use tritank::panel::{LEARN, patch_of, state_of};
use tritank_dsp::board::Board;
use tritank_dsp::factory::PATCHES;
use tritank_dsp::instrument::Instrument;
use tritank_dsp::knobs::{Knob, Settings};
use tritank_dsp::patch::Patch;
use tritank_workbench::preset;

const RATE_HZ: f64 = 48e3;
const BLOCK: usize = 512;
const AUDIO: int32 = MediaTypes_::kAudio as int32;
const EVENT: int32 = MediaTypes_::kEvent as int32;
const IN: int32 = BusDirections_::kInput as int32;
const OUT: int32 = BusDirections_::kOutput as int32;

/// A host's stream.
#[derive(Default)]
struct Stream {
    bytes: RefCell<Vec<u8>>,
    place: Cell<usize>,
}

impl Class for Stream {
    type Interfaces = (IBStream,);
}

impl IBStreamTrait for Stream {
    unsafe fn read(&self, buffer: *mut c_void, most: int32, count: *mut int32) -> tresult {
        let bytes = self.bytes.borrow();
        let rest = &bytes[self.place.get()..];
        let length = rest.len().min(most as usize);
        // SAFETY: the caller's buffer has `most` bytes; `count` is null or can be written.
        unsafe {
            ptr::copy_nonoverlapping(rest.as_ptr(), buffer.cast(), length);
            if let Some(count) = count.as_mut() {
                *count = length as int32;
            }
        }
        self.place.set(self.place.get() + length);
        kResultOk
    }

    unsafe fn write(&self, buffer: *mut c_void, length: int32, count: *mut int32) -> tresult {
        // SAFETY: the caller's buffer has `length` bytes; `count` is null or can be written.
        unsafe {
            self.bytes.borrow_mut().extend_from_slice(std::slice::from_raw_parts(buffer.cast::<u8>(), length as usize));
            if let Some(count) = count.as_mut() {
                *count = length;
            }
        }
        kResultOk
    }

    unsafe fn seek(&self, place: int64, mode: int32, result: *mut int64) -> tresult {
        let from = match mode as u32 {
            IStreamSeekMode_::kIBSeekSet => 0,
            IStreamSeekMode_::kIBSeekCur => self.place.get() as int64,
            _ => self.bytes.borrow().len() as int64,
        };
        self.place.set((from + place) as usize);
        // SAFETY: null or can be written.
        if let Some(result) = unsafe { result.as_mut() } {
            *result = from + place;
        }
        kResultOk
    }

    unsafe fn tell(&self, place: *mut int64) -> tresult {
        // SAFETY: can be written.
        unsafe { *place = self.place.get() as int64 };
        kResultOk
    }
}

/// One parameter's points in a block.
struct Queue {
    id: ParamID,
    points: Vec<(int32, ParamValue)>,
}

impl Class for Queue {
    type Interfaces = (IParamValueQueue,);
}

impl IParamValueQueueTrait for Queue {
    unsafe fn getParameterId(&self) -> ParamID {
        self.id
    }
    unsafe fn getPointCount(&self) -> int32 {
        self.points.len() as int32
    }
    unsafe fn getPoint(&self, index: int32, offset: *mut int32, value: *mut ParamValue) -> tresult {
        // SAFETY: both can be written.
        unsafe { (*offset, *value) = self.points[index as usize] };
        kResultOk
    }
    unsafe fn addPoint(&self, _offset: int32, _value: ParamValue, _index: *mut int32) -> tresult {
        kResultFalse
    }
}

/// All that is turned in a block.
struct Changes(Vec<ComPtr<IParamValueQueue>>);

impl Class for Changes {
    type Interfaces = (IParameterChanges,);
}

impl IParameterChangesTrait for Changes {
    unsafe fn getParameterCount(&self) -> int32 {
        self.0.len() as int32
    }
    unsafe fn getParameterData(&self, index: int32) -> *mut IParamValueQueue {
        self.0[index as usize].as_ptr()
    }
    unsafe fn addParameterData(&self, _id: *const ParamID, _index: *mut int32) -> *mut IParamValueQueue {
        ptr::null_mut()
    }
}

/// What is played in a block.
struct Played(RefCell<Vec<Event>>);

impl Class for Played {
    type Interfaces = (IEventList,);
}

impl IEventListTrait for Played {
    unsafe fn getEventCount(&self) -> int32 {
        self.0.borrow().len() as int32
    }
    unsafe fn getEvent(&self, index: int32, event: *mut Event) -> tresult {
        // SAFETY: it can be written.
        unsafe { event.write(self.0.borrow()[index as usize]) };
        kResultOk
    }
    unsafe fn addEvent(&self, _event: *mut Event) -> tresult {
        kResultFalse
    }
}

/// An event at a frame.
fn event(frame: usize, kind: u32, what: Event__type0) -> (usize, Event) {
    let r#type = kind as u16;
    (frame, Event { busIndex: 0, sampleOffset: 0, ppqPosition: 0.0, flags: 0, r#type, __field0: what })
}

/// A turn of a knob to a travel, at a frame.
type Turn = (usize, &'static str, f64);

struct Rig {
    component: ComPtr<IComponent>,
    processor: ComPtr<IAudioProcessor>,
    controller: ComPtr<IEditController>,
}

impl Rig {
    fn new() -> Self {
        // SAFETY: the factory comes with one reference; the class id is the factory's own; the object comes with one
        // reference to the interface that was asked for.
        let component = unsafe {
            let factory = tritank::entry::vst3::GetPluginFactory().cast::<IPluginFactory>();
            let factory = ComPtr::from_raw(factory).expect("a factory");
            assert_eq!(factory.countClasses(), 1);
            let mut info: PClassInfo = std::mem::zeroed();
            assert_eq!(factory.getClassInfo(0, &raw mut info), kResultOk);
            assert_eq!(factory.getClassInfo(1, &raw mut info), kInvalidArgument);
            let mut object: *mut c_void = ptr::null_mut();
            let interface = IComponent::IID;
            let made = factory.createInstance(info.cid.as_ptr(), interface.as_ptr().cast(), &raw mut object);
            assert_eq!(made, kResultOk);
            ComPtr::from_raw(object.cast::<IComponent>()).expect("a component")
        };
        let processor = component.cast().expect("it processes audio");
        let controller = component.cast().expect("it has parameters");
        let rig = Self { component, processor, controller };
        // SAFETY: the calls of a host, in their order.
        unsafe {
            assert_eq!(rig.component.initialize(ptr::null_mut()), kResultOk);
            let mut setup = ProcessSetup {
                processMode: ProcessModes_::kRealtime as int32,
                symbolicSampleSize: SymbolicSampleSizes_::kSample32 as int32,
                maxSamplesPerBlock: BLOCK as int32,
                sampleRate: RATE_HZ,
            };
            assert_eq!(rig.processor.setupProcessing(&raw mut setup), kResultOk);
            assert_eq!(rig.component.setActive(1), kResultOk);
            assert_eq!(rig.processor.setProcessing(1), kResultOk);
        }
        rig
    }

    /// Off and on again: everything back to rest.
    fn restart(&self) {
        // SAFETY: as a host does between two performances.
        unsafe {
            assert_eq!(self.processor.setProcessing(0), kResultOk);
            assert_eq!(self.processor.setProcessing(1), kResultOk);
        }
    }

    fn turn(&self, frame: usize, knob: &'static str, text: &str) -> Turn {
        let mut text: Vec<_> = text.encode_utf16().chain([0]).collect();
        let mut travel = f64::NAN;
        // SAFETY: a text with its end, and a place for the result.
        let read = unsafe {
            self.controller.getParamValueByString(number(knob).get(), text.as_mut_ptr().cast(), &raw mut travel)
        };
        assert_eq!(read, kResultOk, "{knob}");
        (frame, knob, travel)
    }

    fn save(&self) -> Vec<u8> {
        let stream = ComWrapper::new(Stream::default());
        let interface = stream.to_com_ptr::<IBStream>().expect("a stream");
        // SAFETY: a live stream.
        assert_eq!(unsafe { IComponentTrait::getState(&self.component, interface.as_ptr()) }, kResultOk);
        stream.bytes.take()
    }

    fn load(&self, bytes: &[u8]) -> tresult {
        let stream = ComWrapper::new(Stream { bytes: RefCell::new(bytes.to_vec()), place: Cell::new(0) });
        let interface = stream.to_com_ptr::<IBStream>().expect("a stream");
        // SAFETY: a live stream.
        unsafe { IComponentTrait::setState(&self.component, interface.as_ptr()) }
    }

    /// Plays a performance in blocks of `BLOCK`; the outputs are dirtied first.
    fn play(&self, performance: &Performance, turns: &[Turn]) -> Heard {
        self.play_keys(performance, turns, &[])
    }

    /// The same, with what a player does.
    fn play_keys(&self, performance: &Performance, turns: &[Turn], events: &[(usize, Event)]) -> Heard {
        let mut heard = Heard::default();
        let frames = performance.main.len();
        let present = |given: &[Given]| given.iter().position(|how| *how == Given::Absent).unwrap_or(given.len());
        for start in (0..frames).step_by(BLOCK) {
            let length = BLOCK.min(frames - start);
            let (mut inputs, mut outputs) = memory(performance, start..start + length);
            let ports = performance.ports;
            let lists = |given: &[Given], memory: &mut [Vec<Vec<f32>>]| -> (Vec<Vec<*mut f32>>, Vec<AudioBusBuffers>) {
                let mut lists: Vec<_> = given.iter().zip(memory).map(|(how, memory)| pointers(*how, memory)).collect();
                let buses = lists
                    .iter_mut()
                    .zip(given)
                    .map(|(list, how)| AudioBusBuffers {
                        numChannels: claimed(*how, list.len()) as int32,
                        // Left over from an earlier user of the structure.
                        silenceFlags: 0b11,
                        __field0: AudioBusBuffers__type0 {
                            channelBuffers32: if matches!(how, Given::NullList | Given::Empty) {
                                ptr::null_mut()
                            } else {
                                list.as_mut_ptr()
                            },
                        },
                    })
                    .collect();
                (lists, buses)
            };
            let (_ins, mut in_buses) = lists(&ports.inputs[..present(&ports.inputs)], &mut inputs);
            let (_outs, mut out_buses) = lists(&ports.outputs[..present(&ports.outputs)], &mut outputs);
            let queues = turns
                .iter()
                .filter(|(frame, ..)| (start..start + length).contains(frame))
                .map(|&(frame, knob, travel)| {
                    let queue = Queue { id: number(knob).get(), points: vec![((frame - start) as int32, travel)] };
                    ComWrapper::new(queue).to_com_ptr().expect("a queue")
                })
                .collect();
            let changes = ComWrapper::new(Changes(queues)).to_com_ptr::<IParameterChanges>().expect("changes");
            let due = events.iter().filter(|(frame, _)| (start..start + length).contains(frame));
            let due = due.map(|(frame, event)| Event { sampleOffset: (frame - start) as int32, ..*event }).collect();
            let played = ComWrapper::new(Played(RefCell::new(due))).to_com_ptr::<IEventList>().expect("events");
            let list = |buses: &mut Vec<AudioBusBuffers>| {
                if buses.is_empty() { ptr::null_mut() } else { buses.as_mut_ptr() }
            };
            let mut data = ProcessData {
                processMode: ProcessModes_::kRealtime as int32,
                symbolicSampleSize: SymbolicSampleSizes_::kSample32 as int32,
                numSamples: length as int32,
                numInputs: in_buses.len() as int32,
                numOutputs: out_buses.len() as int32,
                inputs: list(&mut in_buses),
                outputs: list(&mut out_buses),
                inputParameterChanges: changes.as_ptr(),
                outputParameterChanges: ptr::null_mut(),
                inputEvents: played.as_ptr(),
                outputEvents: ptr::null_mut(),
                processContext: ptr::null_mut(),
            };
            // SAFETY: the channels that are given are `length` samples long; what is left out is what this host is for.
            assert_eq!(unsafe { self.processor.process(&raw mut data) }, kResultOk);
            assert!(out_buses.iter().all(|bus| bus.silenceFlags == 0), "sound is reported as silence");
            for port in 0..out_buses.len() {
                let written = written(ports.outputs[port], OUTS[port]);
                for (place, channel) in heard.port(port).iter_mut().zip(&outputs[port]).take(written) {
                    place.extend_from_slice(channel);
                }
            }
        }
        heard
    }
}

impl Drop for Rig {
    fn drop(&mut self) {
        // SAFETY: the calls of a host, in their order.
        unsafe {
            self.processor.setProcessing(0);
            self.component.setActive(0);
            self.component.terminate();
        }
    }
}

fn patched(rig: &Rig) -> Vec<Turn> {
    [("exciter.level", "0.5"), ("direct.level", "0.2"), ("stage2.in", "0.3"), ("stage3.in", "0.3")]
        .map(|(knob, text)| rig.turn(0, knob, text))
        .to_vec()
}

fn patched_settings() -> Settings {
    let mut settings = Settings::of(&Board::built_in());
    for (knob, text) in [("exciter.level", "0.5"), ("direct.level", "0.2"), ("stage2.in", "0.3"), ("stage3.in", "0.3")]
    {
        settings.assign(knob, text).unwrap();
    }
    settings
}

fn text(units: &[u16]) -> String {
    String::from_utf16(&units[..units.iter().position(|unit| *unit == 0).unwrap()]).unwrap()
}

#[test]
fn buses_are_named_and_those_of_voltages_say_so_and_notes_come_in() {
    let rig = Rig::new();
    let names = |direction: int32, channels: &[usize]| -> Vec<String> {
        // SAFETY: plain questions, with a place for the answer.
        unsafe {
            assert_eq!(rig.component.getBusCount(AUDIO, direction) as usize, channels.len());
            (0..rig.component.getBusCount(AUDIO, direction))
                .map(|index| {
                    let mut info: BusInfo = std::mem::zeroed();
                    assert_eq!(rig.component.getBusInfo(AUDIO, direction, index, &raw mut info), kResultOk);
                    assert_eq!(info.channelCount as usize, channels[index as usize]);
                    let flags = if info.channelCount > 2 { kIsControlVoltage } else { kDefaultActive };
                    assert_eq!(info.flags as u32, flags as u32);
                    let mut arrangement = 0;
                    let told = rig.processor.getBusArrangement(direction, index, &raw mut arrangement);
                    assert_eq!((told, arrangement.count_ones() as int32), (kResultOk, info.channelCount));
                    text(&info.name.map(|unit| unit as u16))
                })
                .collect()
        }
    };
    assert_eq!(names(IN, &INS), ["Input", "Stage 2 in", "Stage 3 in", "Gates", "Control"]);
    assert_eq!(names(OUT, &OUTS), ["Output", "Pulse", "Tap 1", "Tap 2", "Tap 3", "Lines"]);
    // SAFETY: plain questions.
    unsafe {
        assert_eq!((rig.component.getBusCount(EVENT, IN), rig.component.getBusCount(EVENT, OUT)), (1, 0));
        let arranged = |ins: &[usize], outs: &[usize]| {
            let speakers = |channels: &usize| (1u64 << channels) - 1;
            let (mut ins, mut outs): (Vec<_>, Vec<_>) =
                (ins.iter().map(speakers).collect(), outs.iter().map(speakers).collect());
            let count = (ins.len() as int32, outs.len() as int32);
            rig.processor.setBusArrangements(ins.as_mut_ptr(), count.0, outs.as_mut_ptr(), count.1)
        };
        assert_eq!(arranged(&INS, &OUTS), kResultOk);
        assert_eq!(arranged(&[2, 2, 2, 2, 4], &OUTS), kResultFalse);
        assert_eq!(arranged(&INS, &[2, 2, 2, 2, 1, 14]), kResultFalse);
        assert_eq!(arranged(&INS[..3], &OUTS), kResultFalse);
        assert_eq!(rig.processor.setBusArrangements(ptr::null_mut(), 0, ptr::null_mut(), 0), kResultFalse);
        let mut none = 0;
        for (direction, bus) in [(IN, INS.len() as int32), (OUT, -1)] {
            assert_eq!(rig.processor.getBusArrangement(direction, bus, &raw mut none), kInvalidArgument);
        }
        for port in 0..INS.len() as int32 {
            assert_eq!(rig.component.activateBus(AUDIO, IN, port, 0), kResultOk);
        }
    }
}

/// The two ports of voltages on this side too: edges and pitch on their frame, and the lines at their output.
#[test]
fn gates_and_control_voltages_reach_the_instrument_and_lines_come_back() {
    let rig = Rig::new();
    let mut performance = Performance::tones(3000, RATE_HZ);
    for n in 900..1700 {
        performance.gates[n][6] = 5.0;
    }
    for n in 1200..3000 {
        performance.control[n] = [-0.5, 0.0, 1.25, 0.0];
    }
    let heard = rig.play(&performance, &patched(&rig));
    let mut reference = instrument(&patched_settings(), RATE_HZ);
    let late = reference.latency();
    let expected = directly(&mut reference, &performance, |_, _| {});
    assert_same(&heard, &expected, "voltages");
    for (line, volts) in heard.lines.iter().enumerate() {
        let on = |n: &usize| line == 6 && (900 + late..1700 + late).contains(n);
        assert!(volts.iter().enumerate().all(|(n, volts)| *volts == if on(&n) { 5.0 } else { 0.0 }), "line {line}");
    }
}

#[test]
fn parameters_are_the_knob_table_the_bypass_and_the_learning_and_no_controllers() {
    let rig = Rig::new();
    // SAFETY: plain questions, with places for the answers.
    unsafe {
        let count = rig.controller.getParameterCount();
        assert_eq!(count as usize, Knob::COUNT + 2, "controllers would add 2080");
        let mut info: ParameterInfo = std::mem::zeroed();
        for (index, &knob) in Knob::ALL.iter().enumerate() {
            assert_eq!(rig.controller.getParameterInfo(index as int32, &raw mut info), kResultOk);
            assert_eq!(info.id, number(knob.id()).get());
            assert_eq!(text(&info.title.map(|unit| unit as u16)), knob.full_name());
            assert_eq!(info.flags & ParameterFlags_::kCanAutomate != 0, !knob.rebuilds(), "{}", knob.id());
        }
        assert_eq!(rig.controller.getParameterInfo(count - 2, &raw mut info), kResultOk);
        assert_ne!(info.flags & ParameterFlags_::kIsBypass, 0);
        assert_eq!(rig.controller.getParameterInfo(count - 1, &raw mut info), kResultOk);
        assert_eq!(info.id, number(LEARN).get());
        assert_eq!(info.flags & (ParameterFlags_::kIsBypass | ParameterFlags_::kCanAutomate), 0);
        for outside in [-1, count] {
            assert_eq!(rig.controller.getParameterInfo(outside, &raw mut info), kInvalidArgument);
        }
        let units: ComPtr<IUnitInfo> = rig.component.cast().expect("groups");
        assert!(units.getUnitCount() > 10);
    }
}

/// VST 3.7: a note's tuning is 0.5 ± 120 semitones / 240, its brightness 0 to 1; pressure comes as an event of its own.
#[test]
fn keys_pressure_tuning_and_brightness_reach_the_instrument() {
    const TUNING: u32 = 2;
    const EXPRESSION: u32 = 4;
    const BRIGHTNESS: u32 = 5;
    let rig = Rig::new();
    let mut patch = Patch::new(Board::built_in());
    patch.settings = patched_settings();
    patch.settings.assign("exciter.pitch", "keys").unwrap();
    patch.keys.pressure = [2.0, 0.0, 0.0];
    patch.keys.control(74, Some(Knob::Stage2Sweep.into()));
    let state = serde_json::to_vec(&tritank::panel::state_of(&patch)).unwrap();
    assert_eq!(rig.load(&state), kResultOk);
    let on = NoteOnEvent { channel: 0, pitch: 57, tuning: 0.0, velocity: 0.5, length: 0, noteId: 7 };
    let off = NoteOffEvent { channel: 0, pitch: 57, velocity: 0.0, noteId: 7, tuning: 0.0 };
    let press = PolyPressureEvent { channel: 0, pitch: 57, pressure: 0.75, noteId: 7 };
    let express = |frame, kind, value| {
        let expression = NoteExpressionValueEvent { typeId: kind, noteId: 7, value };
        event(frame, EventTypes_::kNoteExpressionValueEvent, Event__type0 { noteExpressionValue: expression })
    };
    let events = [
        event(700, EventTypes_::kNoteOnEvent, Event__type0 { noteOn: on }),
        express(1000, TUNING, 0.5 + 1.5 / 240.0),
        event(1500, EventTypes_::kPolyPressureEvent, Event__type0 { polyPressure: press }),
        express(2000, BRIGHTNESS, 0.25),
        express(2200, EXPRESSION, 0.9),
        event(2600, EventTypes_::kNoteOffEvent, Event__type0 { noteOff: off }),
    ];
    let performance = Performance::tones(3000, RATE_HZ);
    let heard = rig.play_keys(&performance, &[], &events);
    let mut unit = Instrument::of(&patch, RATE_HZ).unwrap();
    let expected = directly(&mut unit, &performance, |n, unit| match n {
        700 => unit.key(57, 0.5),
        1000 => unit.bend_key(57, f64::from(240.0 * ((0.5f64 + 1.5 / 240.0) as f32 - 0.5))),
        1500 => unit.pressure(Some(57), 0.75),
        2000 => unit.set(Knob::Stage2Sweep, Knob::Stage2Sweep.at_travel(0.25)),
        2600 => unit.key(57, 0.0),
        _ => {}
    });
    assert_same(&heard, &expected, "keys");
}

#[test]
fn automation_lands_on_its_frame() {
    let rig = Rig::new();
    let performance = Performance::tones(3000, RATE_HZ);
    let moves = [(613, "stage1.switch2", "on"), (1024, "stage2.code", "9"), (1907, "exciter.rate", "173 Hz")];
    let mut turns = patched(&rig);
    turns.extend(moves.map(|(frame, knob, text)| rig.turn(frame, knob, text)));
    let heard = rig.play(&performance, &turns);
    let expected = directly(&mut instrument(&patched_settings(), RATE_HZ), &performance, |n, instrument| {
        for (_, id, text) in moves.iter().filter(|(frame, ..)| *frame == n) {
            let knob = Knob::find(id).unwrap();
            instrument.set(knob, knob.parse(text).unwrap());
        }
    });
    assert_same(&heard, &expected, "automation");
}

#[test]
fn what_a_host_leaves_out_is_lent_and_the_rest_is_right() {
    use Given::{Absent, Empty, HalfNull, Mono, NullChannels, NullList, Whole};
    let mut cases = vec![Ports::ALL];
    for how in [Absent, Empty, NullList, NullChannels, HalfNull, Mono] {
        for port in 0..INS.len() {
            let mut ports = Ports::ALL;
            ports.inputs[port] = how;
            cases.push(ports);
        }
        for port in 0..OUTS.len() {
            let mut ports = Ports::ALL;
            ports.outputs[port] = how;
            cases.push(ports);
        }
        // The side inputs with no side output: the framework alone looks for input n only if there are n outputs.
        cases.push(Ports { inputs: [Whole; 5], outputs: [Whole, how, how, how, how, how] });
        cases.push(Ports { inputs: [Whole, how, how, how, how], outputs: [Whole, how, how, how, how, how] });
    }
    cases.push(Ports { inputs: [Absent; 5], outputs: [Absent; 6] });

    let rig = Rig::new();
    let turns = patched(&rig);
    let mut performance = Performance::tones(1500, RATE_HZ);
    for ports in cases {
        performance.ports = ports;
        rig.restart();
        let heard = rig.play(&performance, &turns);
        let mut heard_in = performance.clone();
        if let Some(first) = ports.inputs.iter().position(|how| *how == Absent) {
            heard_in.ports.inputs[first..].fill(Absent);
        }
        let expected = directly(&mut instrument(&patched_settings(), RATE_HZ), &heard_in, |_, _| {});
        assert_same(&heard, &expected, &format!("{ports:?}"));
    }
}

#[test]
fn a_call_that_was_not_agreed_is_refused() {
    let rig = Rig::new();
    let mut data = ProcessData {
        processMode: ProcessModes_::kRealtime as int32,
        symbolicSampleSize: SymbolicSampleSizes_::kSample32 as int32,
        numSamples: BLOCK as int32 + 1,
        numInputs: 0,
        numOutputs: 0,
        inputs: ptr::null_mut(),
        outputs: ptr::null_mut(),
        inputParameterChanges: ptr::null_mut(),
        outputParameterChanges: ptr::null_mut(),
        inputEvents: ptr::null_mut(),
        outputEvents: ptr::null_mut(),
        processContext: ptr::null_mut(),
    };
    // SAFETY: a call with no port that is refused or needs none.
    unsafe {
        assert_eq!(rig.processor.process(&raw mut data), kInvalidArgument, "too long");
        data.numSamples = 16;
        data.symbolicSampleSize = SymbolicSampleSizes_::kSample64 as int32;
        assert_eq!(rig.processor.process(&raw mut data), kInvalidArgument, "double precision");
        data.symbolicSampleSize = SymbolicSampleSizes_::kSample32 as int32;
        data.numSamples = 0;
        assert_eq!(rig.processor.process(&raw mut data), kResultOk, "parameters only");
        assert_eq!(rig.processor.process(ptr::null_mut()), kInvalidArgument);
    }
}

#[test]
fn a_state_comes_back_and_a_broken_one_is_refused() {
    let rig = Rig::new();
    let performance = Performance::tones(2000, RATE_HZ);
    let mut turns = patched(&rig);
    turns.push(rig.turn(0, "stage3.switch1", "on"));
    let heard = rig.play(&performance, &turns);
    let state = rig.save();
    let other = Rig::new();
    assert_eq!(other.load(&state), kResultOk);
    assert_eq!(other.save(), state);
    other.restart();
    assert!(other.play(&performance, &[]) == heard, "the loaded state sounds different");

    let text = String::from_utf8(state.clone()).unwrap();
    for broken in [
        text.replacen(r#"\"unit.supply\" = \"3 V\""#, r#"\"unit.supply\" = \"30 V\""#, 1),
        text.replacen(r#"\"stage1.switch2\" ="#, r#"\"stage1.swich2\" ="#, 1),
        text[..text.len() - 20].to_owned(),
        String::new(),
    ] {
        assert_ne!(broken, text);
        assert_ne!(other.load(broken.as_bytes()), kResultOk);
        assert_eq!(other.save(), state);
    }
    // Sound went on: after the refusals it is that of the good state.
    other.restart();
    let again = other.play(&performance, &[]);
    assert!(again == heard);
    assert!(difference_db(&again.main[0], heard.main[0].iter().map(|volts| f64::from(*volts))) == f64::NEG_INFINITY);
}

/// The bench writes what this side would save; a host finds the state where `bench_preset` reads it, from byte 48 to the list.
#[test]
fn a_preset_file_of_the_bench_s_is_for_this_class_and_holds_a_state_that_is_taken() {
    let rig = Rig::new();
    let untouched = rig.save();
    let class_id = format!("{:032X}", u128::from_be_bytes(tritank::Vst3Shell::VST3_CLASS_ID));
    for factory in PATCHES {
        let file = preset::file(&factory.patch());
        assert_eq!(file[8..40], *class_id.as_bytes());
        let list = u64::from_le_bytes(file[40..48].try_into().unwrap()) as usize;
        let state = &file[48..list];
        assert_eq!(state, serde_json::to_vec(&state_of(&factory.patch())).unwrap());
        assert_eq!(rig.load(state), kResultOk, "{}", factory.name);
        let saved = rig.save();
        assert!(saved != untouched, "{}", factory.name);
        let (now, wanted) = (patch_of(&serde_json::from_slice(&saved).unwrap()).unwrap(), factory.patch());
        assert_eq!(
            (now.board, now.keys, now.patterns),
            (wanted.board, wanted.keys, wanted.patterns),
            "{}",
            factory.name
        );
        for &knob in Knob::ALL {
            // A host's travel is of single precision.
            let [now, wanted] = [&now.settings, &wanted.settings].map(|settings| knob.travel(settings.get(knob)));
            assert!((now - wanted).abs() < 1e-6, "{}: {}", factory.name, knob.id());
        }
    }
    // The file as it lies is no state: a host that hands over the whole of it is told so.
    assert_eq!(rig.load(&preset::file(&PATCHES[0].patch())), kResultFalse);
}
