//! The guard of the VST3 side: a class of our own that has the framework's inside and answers through it.
//!
//! ```text
//!   host ──► Guarded<P> ──┬── process       every port lent, then the framework's
//!                         ├── setState      read and checked first
//!                         ├── getParameterInfo   index checked first
//!                         ├── buses         compared with our own one by one; those of voltages say what they are
//!                         └── all else      the framework's
//! ```
//! An object of our own instead of the framework's with a changed table of functions: nothing is patched, and the
//! lender goes when the object goes.

use super::{CheckedState, Given, Lender, STATE_BYTES, check_envelope};
use nice_plug::prelude::{AudioIOLayout, Vst3Plugin, nice_error};
use nice_plug::wrapper::vst3::Wrapper;
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::ChannelContext::{IInfoListener, IInfoListenerTrait};
use nice_plug::wrapper::vst3::vst3::Steinberg::Vst::{
    AudioBusBuffers, AudioBusBuffers__type0, BusDirection, BusDirections_, BusInfo,
    BusInfo_::BusFlags_::kIsControlVoltage, CString, CtrlNumber, IAttributeList, IAudioProcessor, IAudioProcessorTrait,
    IComponent, IComponentHandler, IComponentTrait, IEditController, IEditControllerTrait, IMidiMapping,
    IMidiMappingTrait, INoteExpressionController, INoteExpressionControllerTrait, IProcessContextRequirements,
    IProcessContextRequirementsTrait, IUnitInfo, IUnitInfoTrait, IoMode, MediaType, NoteExpressionTypeID,
    NoteExpressionTypeInfo, NoteExpressionValue, ParamID, ParamValue, ParameterInfo, ProcessData, ProcessSetup,
    ProgramListID, ProgramListInfo, RoutingInfo, SpeakerArrangement, String128, TChar, UnitID, UnitInfo,
};
use nice_plug::wrapper::vst3::vst3::Steinberg::{
    FIDString, FUnknown, IBStream, IBStream_::IStreamSeekMode_, IBStreamTrait, IPlugView, IPluginBaseTrait, TBool,
    TUID, int16, int32, kInvalidArgument, kResultFalse, kResultOk, tresult, uint32,
};
use nice_plug::wrapper::vst3::vst3::{Class, ComRef};
use parking_lot::Mutex;
use std::num::NonZeroU32;
use std::ptr;

/// A plugin instance as the host gets it.
pub struct Guarded<P: Vst3Plugin> {
    inner: Wrapper<P>,
    /// Locked only by `process` (which never waits for it) and while no processing can go on.
    loan: Mutex<Option<Loan>>,
}

/// The lender, and the host's port structures filled from it.
struct Loan {
    lender: Lender,
    inputs: Vec<AudioBusBuffers>,
    outputs: Vec<AudioBusBuffers>,
}

const NO_PORT: AudioBusBuffers = AudioBusBuffers {
    numChannels: 0,
    silenceFlags: 0,
    __field0: AudioBusBuffers__type0 { channelBuffers32: ptr::null_mut() },
};

impl Loan {
    fn new(layout: &AudioIOLayout, frames: usize) -> Self {
        let lender = Lender::new(layout, frames);
        let (inputs, outputs) = lender.ports();
        Self { lender, inputs: vec![NO_PORT; inputs], outputs: vec![NO_PORT; outputs] }
    }

    /// The host's call with every port there.
    ///
    /// # Safety
    /// `call` is a valid single-precision call of 0 to `lender.frames()` frames, except that ports, their channel lists
    /// and their channels may be missing (null or too few).
    unsafe fn complete(&mut self, call: &ProcessData) -> ProcessData {
        let given = |ports: *mut AudioBusBuffers, count: int32, number: usize| {
            if ports.is_null() || number >= usize::try_from(count).unwrap_or(0) {
                return Given::NOTHING;
            }
            // SAFETY: the list is there and has more than `number` structures; single precision, so the union holds
            // that list.
            let (channels, count) = unsafe {
                let port = &*ports.add(number);
                (port.__field0.channelBuffers32, port.numChannels)
            };
            Given { channels, count: usize::try_from(count).unwrap_or(0) }
        };
        // SAFETY: what the caller vouches for.
        unsafe {
            self.lender.complete(
                usize::try_from(call.numSamples).unwrap_or(0),
                |number| given(call.inputs, call.numInputs, number),
                |number| given(call.outputs, call.numOutputs, number),
            );
        }
        let port = |channels: &mut [*mut f32]| AudioBusBuffers {
            numChannels: channels.len() as int32,
            silenceFlags: 0,
            __field0: AudioBusBuffers__type0 { channelBuffers32: channels.as_mut_ptr() },
        };
        for (number, ours) in self.inputs.iter_mut().enumerate() {
            *ours = port(self.lender.input(number));
        }
        for (number, ours) in self.outputs.iter_mut().enumerate() {
            *ours = port(self.lender.output(number));
            if !call.outputs.is_null() && number < usize::try_from(call.numOutputs).unwrap_or(0) {
                // SAFETY: as in `given`; the host lets us write it. What we write is not silence, whatever an earlier
                // user of the structure left in it.
                unsafe { (*call.outputs.add(number)).silenceFlags = 0 };
            }
        }
        ProcessData {
            numInputs: self.inputs.len() as int32,
            numOutputs: self.outputs.len() as int32,
            inputs: self.inputs.as_mut_ptr(),
            outputs: self.outputs.as_mut_ptr(),
            ..*call
        }
    }
}

impl<P: Vst3Plugin> Default for Guarded<P> {
    fn default() -> Self {
        Self { inner: Wrapper::new(), loan: Mutex::new(None) }
    }
}

impl<P: Vst3Plugin + CheckedState> Class for Guarded<P> {
    type Interfaces = (
        IComponent,
        IEditController,
        IAudioProcessor,
        IMidiMapping,
        INoteExpressionController,
        IProcessContextRequirements,
        IUnitInfo,
        IInfoListener,
    );
}

/// Functions of an interface that the framework's object answers.
macro_rules! inner_answers {
    ($interface:ident: $(fn $name:ident($($arg:ident: $type:ty),*) -> $result:ty;)*) => { $(
        unsafe fn $name(&self, $($arg: $type),*) -> $result {
            // SAFETY: the same call, passed on as it came; the framework's object implements the same interface.
            unsafe { $interface::$name(&self.inner, $($arg),*) }
        }
    )* };
}

impl<P: Vst3Plugin + CheckedState> IPluginBaseTrait for Guarded<P> {
    inner_answers! { IPluginBaseTrait:
        fn initialize(context: *mut FUnknown) -> tresult;
        fn terminate() -> tresult;
    }
}

impl<P: Vst3Plugin + CheckedState> IComponentTrait for Guarded<P> {
    inner_answers! { IComponentTrait:
        fn getControllerClassId(class_id: *mut TUID) -> tresult;
        fn setIoMode(mode: IoMode) -> tresult;
        fn getBusCount(kind: MediaType, direction: BusDirection) -> int32;
        fn getRoutingInfo(input: *mut RoutingInfo, output: *mut RoutingInfo) -> tresult;
        fn activateBus(kind: MediaType, direction: BusDirection, index: int32, state: TBool) -> tresult;
        fn setActive(state: TBool) -> tresult;
        fn getState(state: *mut IBStream) -> tresult;
    }

    /// A bus of more than two channels is one of voltages, and says so: a host must keep those from loudspeakers, and
    /// leaves them off until somebody asks for them.
    unsafe fn getBusInfo(&self, kind: MediaType, direction: BusDirection, index: int32, info: *mut BusInfo) -> tresult {
        // SAFETY: the same call, passed on; what it has filled in can be written again.
        unsafe {
            let told = IComponentTrait::getBusInfo(&self.inner, kind, direction, index, info);
            if let Some(info) = info.as_mut().filter(|info| told == kResultOk && info.channelCount > 2) {
                info.flags = kIsControlVoltage as uint32;
            }
            told
        }
    }

    unsafe fn setState(&self, state: *mut IBStream) -> tresult {
        // SAFETY: null or a live stream, as the interface says.
        let Some(stream) = (unsafe { ComRef::from_raw(state) }) else { return kInvalidArgument };
        match read_ahead(&stream).and_then(|json| check_envelope::<P>(&json)) {
            // SAFETY: the same stream, back where it was.
            Ok(()) => unsafe { IComponentTrait::setState(&self.inner, state) },
            Err(error) => {
                nice_error!("state refused, everything stays as it is: {error}");
                kResultFalse
            }
        }
    }
}

/// Reads a stream from where it stands to its end, and puts it back.
fn read_ahead(stream: &ComRef<'_, IBStream>) -> Result<Vec<u8>, String> {
    let mut start = 0;
    let mut bytes = Vec::new();
    let mut chunk = [0u8; 4096];
    // SAFETY: a live stream; `start` is written, never read, by `tell`.
    if unsafe { stream.tell(&raw mut start) } != kResultOk {
        return Err("the stream does not tell where it stands".into());
    }
    loop {
        let mut count: int32 = 0;
        // SAFETY: a live stream, and a buffer of the size that is told. Some hosts answer false at the end, so the count
        // alone counts.
        unsafe { stream.read(chunk.as_mut_ptr().cast(), chunk.len() as int32, &raw mut count) };
        let count = usize::try_from(count).unwrap_or(0).min(chunk.len());
        if count == 0 {
            break;
        }
        bytes.extend_from_slice(&chunk[..count]);
        if bytes.len() > STATE_BYTES {
            return Err(format!("given more than {STATE_BYTES} bytes, which no state of this plugin has"));
        }
    }
    // SAFETY: a live stream; the result may be null.
    if unsafe { stream.seek(start, IStreamSeekMode_::kIBSeekSet as int32, ptr::null_mut()) } != kResultOk {
        return Err("the stream cannot be read twice".into());
    }
    Ok(bytes)
}

impl<P: Vst3Plugin + CheckedState> IEditControllerTrait for Guarded<P> {
    inner_answers! { IEditControllerTrait:
        fn setComponentState(state: *mut IBStream) -> tresult;
        fn setState(state: *mut IBStream) -> tresult;
        fn getState(state: *mut IBStream) -> tresult;
        fn getParameterCount() -> int32;
        fn getParamStringByValue(id: ParamID, travel: ParamValue, text: *mut String128) -> tresult;
        fn getParamValueByString(id: ParamID, text: *mut TChar, travel: *mut ParamValue) -> tresult;
        fn normalizedParamToPlain(id: ParamID, travel: ParamValue) -> ParamValue;
        fn plainParamToNormalized(id: ParamID, plain: ParamValue) -> ParamValue;
        fn getParamNormalized(id: ParamID) -> ParamValue;
        fn setParamNormalized(id: ParamID, travel: ParamValue) -> tresult;
        fn setComponentHandler(handler: *mut IComponentHandler) -> tresult;
        fn createView(name: FIDString) -> *mut IPlugView;
    }

    /// The framework takes the index one past the last for a parameter, and panics.
    unsafe fn getParameterInfo(&self, index: int32, info: *mut ParameterInfo) -> tresult {
        // SAFETY: the same call, passed on.
        unsafe {
            if (0..IEditControllerTrait::getParameterCount(&self.inner)).contains(&index) {
                IEditControllerTrait::getParameterInfo(&self.inner, index, info)
            } else {
                kInvalidArgument
            }
        }
    }
}

impl<P: Vst3Plugin + CheckedState> IAudioProcessorTrait for Guarded<P> {
    inner_answers! { IAudioProcessorTrait:
        fn canProcessSampleSize(size: int32) -> tresult;
        fn getLatencySamples() -> uint32;
        fn setProcessing(state: TBool) -> tresult;
        fn getTailSamples() -> uint32;
    }

    /// There is one arrangement, which the framework's object has from the start. It would compare side bus n with what is
    /// asked of bus n − 1.
    unsafe fn setBusArrangements(
        &self,
        inputs: *mut SpeakerArrangement,
        ins: int32,
        outputs: *mut SpeakerArrangement,
        outs: int32,
    ) -> tresult {
        let is_ours = |asked: *mut SpeakerArrangement, count: int32, ours: &[u32]| {
            // SAFETY: null, or as many as the caller says.
            let each = |bus: usize| unsafe { (*asked.add(bus)).count_ones() };
            !asked.is_null()
                && usize::try_from(count).is_ok_and(|count| count == ours.len())
                && ours.iter().enumerate().all(|(bus, channels)| each(bus) == *channels)
        };
        let (our_ins, our_outs) = channels(&P::AUDIO_IO_LAYOUTS[0]);
        if is_ours(inputs, ins, &our_ins) && is_ours(outputs, outs, &our_outs) { kResultOk } else { kResultFalse }
    }

    unsafe fn getBusArrangement(
        &self,
        direction: BusDirection,
        index: int32,
        arrangement: *mut SpeakerArrangement,
    ) -> tresult {
        let (ins, outs) = channels(&P::AUDIO_IO_LAYOUTS[0]);
        let buses = if direction == BusDirections_::kInput as BusDirection { ins } else { outs };
        let channels = usize::try_from(index).ok().and_then(|index| buses.get(index));
        // SAFETY: null or can be written.
        match (unsafe { arrangement.as_mut() }, channels) {
            (Some(arrangement), Some(&channels)) => {
                // The first so many speakers. Of two the format says stereo; of more only the number counts here.
                *arrangement = (1 << channels) - 1;
                kResultOk
            }
            _ => kInvalidArgument,
        }
    }

    unsafe fn setupProcessing(&self, setup: *mut ProcessSetup) -> tresult {
        // SAFETY: null or a valid structure, as the interface says; not processing, so nobody holds the loan.
        unsafe {
            let Some(most) = setup.as_ref().and_then(|setup| usize::try_from(setup.maxSamplesPerBlock).ok()) else {
                return kInvalidArgument;
            };
            *self.loan.lock() = Some(Loan::new(&P::AUDIO_IO_LAYOUTS[0], most));
            IAudioProcessorTrait::setupProcessing(&self.inner, setup)
        }
    }

    unsafe fn process(&self, data: *mut ProcessData) -> tresult {
        // SAFETY: null or a valid call (ports may be missing) of a set-up instance, as the interface says. The length is
        // checked before the call is completed; the completed call lives through the framework's `process`.
        unsafe {
            let Some(call) = data.as_ref() else { return kInvalidArgument };
            // A host that sets up while it processes finds the loan taken: an error, never a wait.
            let Some(mut loan) = self.loan.try_lock() else { return kResultFalse };
            let Some(loan) = loan.as_mut() else { return kResultFalse };
            match usize::try_from(call.numSamples) {
                // Parameters only: no audio, and ports that may be anything.
                Ok(0) => IAudioProcessorTrait::process(&self.inner, data),
                Ok(frames) if frames <= loan.lender.frames() && self.is_single(call) => {
                    let mut call = loan.complete(call);
                    IAudioProcessorTrait::process(&self.inner, &raw mut call)
                }
                _ => kInvalidArgument,
            }
        }
    }
}

/// Channels of every bus, in and out.
fn channels(layout: &AudioIOLayout) -> (Vec<u32>, Vec<u32>) {
    let list = |main: Option<NonZeroU32>, side: &[NonZeroU32]| main.iter().chain(side).map(|n| n.get()).collect();
    (
        list(layout.main_input_channels, layout.aux_input_ports),
        list(layout.main_output_channels, layout.aux_output_ports),
    )
}

impl<P: Vst3Plugin + CheckedState> Guarded<P> {
    /// Whether a call is in the precision that we offer.
    fn is_single(&self, call: &ProcessData) -> bool {
        // SAFETY: a question about a number.
        unsafe { IAudioProcessorTrait::canProcessSampleSize(&self.inner, call.symbolicSampleSize) == kResultOk }
    }
}

impl<P: Vst3Plugin + CheckedState> IMidiMappingTrait for Guarded<P> {
    inner_answers! { IMidiMappingTrait:
        fn getMidiControllerAssignment(port: int32, channel: int16, controller: CtrlNumber, id: *mut ParamID) -> tresult;
    }
}

impl<P: Vst3Plugin + CheckedState> INoteExpressionControllerTrait for Guarded<P> {
    inner_answers! { INoteExpressionControllerTrait:
        fn getNoteExpressionCount(port: int32, channel: int16) -> int32;
        fn getNoteExpressionInfo(port: int32, channel: int16, index: int32, info: *mut NoteExpressionTypeInfo) -> tresult;
        fn getNoteExpressionStringByValue(port: int32, channel: int16, id: NoteExpressionTypeID, value: NoteExpressionValue, text: *mut String128) -> tresult;
        fn getNoteExpressionValueByString(port: int32, channel: int16, id: NoteExpressionTypeID, text: *const TChar, value: *mut NoteExpressionValue) -> tresult;
    }
}

impl<P: Vst3Plugin + CheckedState> IProcessContextRequirementsTrait for Guarded<P> {
    inner_answers! { IProcessContextRequirementsTrait:
        fn getProcessContextRequirements() -> uint32;
    }
}

impl<P: Vst3Plugin + CheckedState> IUnitInfoTrait for Guarded<P> {
    inner_answers! { IUnitInfoTrait:
        fn getUnitCount() -> int32;
        fn getUnitInfo(index: int32, info: *mut UnitInfo) -> tresult;
        fn getProgramListCount() -> int32;
        fn getProgramListInfo(index: int32, info: *mut ProgramListInfo) -> tresult;
        fn getProgramName(list: ProgramListID, index: int32, name: *mut String128) -> tresult;
        fn getProgramInfo(list: ProgramListID, index: int32, id: CString, value: *mut String128) -> tresult;
        fn hasProgramPitchNames(list: ProgramListID, index: int32) -> tresult;
        fn getProgramPitchName(list: ProgramListID, index: int32, pitch: int16, name: *mut String128) -> tresult;
        fn getSelectedUnit() -> UnitID;
        fn selectUnit(id: UnitID) -> tresult;
        fn getUnitByBus(kind: MediaType, direction: BusDirection, port: int32, channel: int32, id: *mut UnitID) -> tresult;
        fn setUnitProgramData(list: int32, index: int32, data: *mut IBStream) -> tresult;
    }
}

impl<P: Vst3Plugin + CheckedState> IInfoListenerTrait for Guarded<P> {
    inner_answers! { IInfoListenerTrait:
        fn setChannelContextInfos(list: *mut IAttributeList) -> tresult;
    }
}
