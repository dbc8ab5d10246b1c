//! The guard of the CLAP side: a `clap_plugin` of our own that calls the framework's.
//!
//! ```text
//!   Guarded<P>
//!   ├── plugin   what the host holds; `plugin_data` is the framework's, so its other functions work unchanged
//!   ├── inner    the framework's own functions
//!   └── lender   between activate and deactivate
//! ```

use super::{CheckedState, Given, Lender, Place, STATE_BYTES, check_envelope};
use clap_sys::audio_buffer::clap_audio_buffer;
use clap_sys::ext::audio_ports_activation::{
    CLAP_EXT_AUDIO_PORTS_ACTIVATION, CLAP_EXT_AUDIO_PORTS_ACTIVATION_COMPAT, clap_plugin_audio_ports_activation,
};
use clap_sys::ext::params::{CLAP_EXT_PARAMS, clap_param_info, clap_plugin_params};
use clap_sys::ext::preset_load::{
    CLAP_EXT_PRESET_LOAD, CLAP_EXT_PRESET_LOAD_COMPAT, clap_host_preset_load, clap_plugin_preset_load,
};
use clap_sys::ext::state::{CLAP_EXT_STATE, clap_plugin_state};
use clap_sys::factory::preset_discovery::{
    CLAP_PRESET_DISCOVERY_LOCATION_FILE, CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN, clap_preset_discovery_location_kind,
};
use clap_sys::host::clap_host;
use clap_sys::plugin::clap_plugin;
use clap_sys::process::{CLAP_PROCESS_ERROR, clap_process, clap_process_status};
use clap_sys::stream::clap_istream;
use nice_plug::prelude::{AudioIOLayout, ClapPlugin, nice_error};
use nice_plug::wrapper::clap::Wrapper;
use parking_lot::Mutex;
use std::ffi::{CStr, CString, c_char, c_void};
use std::marker::PhantomData;
use std::path::Path;
use std::ptr;
use std::sync::Arc;

/// The one layout that we have; it lists every port.
const fn layout<P: ClapPlugin>() -> &'static AudioIOLayout {
    &P::AUDIO_IO_LAYOUTS[0]
}

/// A plugin instance as the host gets it.
#[repr(C)]
pub struct Guarded<P> {
    /// First, so that the host's pointer to it is a pointer to the whole.
    plugin: clap_plugin,
    inner: clap_plugin,
    params: Option<clap_plugin_params>,
    inner_params: *const clap_plugin_params,
    inner_state: *const clap_plugin_state,
    host: *const clap_host,
    /// Locked only by `process` (which never waits for it) and while no processing can go on.
    loan: Mutex<Option<Loan>>,
    _plugin: PhantomData<P>,
}

/// The lender, and the host's port structures filled from it.
struct Loan {
    lender: Lender,
    inputs: Vec<clap_audio_buffer>,
    outputs: Vec<clap_audio_buffer>,
}

const NO_PORT: clap_audio_buffer = clap_audio_buffer {
    data32: ptr::null_mut(),
    data64: ptr::null_mut(),
    channel_count: 0,
    latency: 0,
    constant_mask: 0,
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
    /// `call` is a valid call of at most `lender.frames()` frames, except that ports, their channel lists and their
    /// channels may be missing (null or too few).
    unsafe fn complete(&mut self, call: &clap_process) -> clap_process {
        let (host_inputs, host_outputs) = (call.audio_inputs, call.audio_outputs.cast_const());
        let port = |ports: *const clap_audio_buffer, count: u32, port: usize| {
            if ports.is_null() || port >= count as usize {
                return NO_PORT;
            }
            // SAFETY: the list is there and has more than `port` structures.
            unsafe { *ports.add(port) }
        };
        let host_in = |number| port(host_inputs, call.audio_inputs_count, number);
        let host_out = |number| port(host_outputs, call.audio_outputs_count, number);
        let given = |port: clap_audio_buffer| Given { channels: port.data32, count: port.channel_count as usize };
        // SAFETY: what the caller vouches for. A port with double-precision data only, which we never offered, has a
        // null list here and counts as missing.
        unsafe {
            self.lender.complete(
                call.frames_count as usize,
                |number| given(host_in(number)),
                |number| given(host_out(number)),
            );
        }
        for (number, ours) in self.inputs.iter_mut().enumerate() {
            let channels = self.lender.input(number);
            // Whether a channel is constant no longer matters: the framework does not ask.
            *ours = clap_audio_buffer {
                data32: channels.as_mut_ptr(),
                channel_count: channels.len() as u32,
                latency: host_in(number).latency,
                ..NO_PORT
            };
        }
        for (number, ours) in self.outputs.iter_mut().enumerate() {
            let channels = self.lender.output(number);
            *ours = clap_audio_buffer {
                data32: channels.as_mut_ptr(),
                channel_count: channels.len() as u32,
                latency: host_out(number).latency,
                ..NO_PORT
            };
        }
        for number in 0..self.outputs.len().min(call.audio_outputs_count as usize) {
            if !call.audio_outputs.is_null() {
                // SAFETY: the list is there and has more than `number` structures, which the host lets us write.
                // What we write is not constant, whatever an earlier user of the structure left in it.
                unsafe { (*call.audio_outputs.add(number)).constant_mask = 0 };
            }
        }
        clap_process {
            audio_inputs: self.inputs.as_ptr(),
            audio_outputs: self.outputs.as_mut_ptr(),
            audio_inputs_count: self.inputs.len() as u32,
            audio_outputs_count: self.outputs.len() as u32,
            ..*call
        }
    }
}

impl<P: ClapPlugin + CheckedState> Guarded<P> {
    const STATE: &'static clap_plugin_state = &clap_plugin_state { save: Some(Self::save), load: Some(Self::load) };
    const ACTIVATION: &'static clap_plugin_audio_ports_activation = &clap_plugin_audio_ports_activation {
        can_activate_while_processing: Some(Self::can_activate_while_processing),
        set_active: Some(Self::set_active),
    };

    const PRESETS: &'static clap_plugin_preset_load =
        &clap_plugin_preset_load { from_location: Some(Self::from_location) };

    /// A new instance; null when `host` is. The host frees it through `destroy`.
    ///
    /// # Safety
    /// `host` is null, or good until the instance is destroyed.
    pub unsafe fn create(host: *const clap_host) -> *const clap_plugin {
        if host.is_null() {
            return ptr::null();
        }
        // SAFETY: the host outlives the instance, as the caller says. The strong count that `into_raw` keeps is given
        // back by the framework's `destroy`. `as_ptr` yields the framework's plugin structure, filled in by `new`; it is
        // never written again, so copying it out needs no borrow.
        let inner = unsafe { *(*Arc::into_raw(Wrapper::<P>::new(host))).clap_plugin.as_ptr() };
        // SAFETY: `inner` is a whole plugin structure of the framework's, whose functions use nothing but `plugin_data`;
        // its extensions are parts of the wrapper, good until it is destroyed. Null where there is no such extension.
        let extension =
            |id: &CStr| unsafe { inner.get_extension.map_or(ptr::null(), |get| get(&raw const inner, id.as_ptr())) };
        let inner_params = extension(CLAP_EXT_PARAMS).cast::<clap_plugin_params>();
        let inner_state = extension(CLAP_EXT_STATE).cast::<clap_plugin_state>();
        // SAFETY: null or a structure of the wrapper's, as above.
        let params = unsafe { inner_params.as_ref() };
        Box::into_raw(Box::new(Self {
            plugin: clap_plugin {
                destroy: Some(Self::destroy),
                activate: Some(Self::activate),
                process: Some(Self::process),
                get_extension: Some(Self::get_extension),
                ..inner
            },
            inner,
            params: params.map(|params| clap_plugin_params { get_info: Some(Self::param_info), ..*params }),
            inner_params,
            inner_state,
            host,
            loan: Mutex::new(None),
            _plugin: PhantomData,
        }))
        .cast::<clap_plugin>()
    }

    /// The instance behind the host's pointer.
    ///
    /// # Safety
    /// `plugin` is null or came from [`Guarded::create`] and is not destroyed.
    unsafe fn of<'a>(plugin: *const clap_plugin) -> Option<&'a Self> {
        // SAFETY: `plugin` is the first field of a `repr(C)` `Guarded` that `create` boxed. Only shared references are
        // made of it; what changes is behind the mutex.
        unsafe { plugin.cast::<Self>().as_ref() }
    }

    unsafe extern "C" fn destroy(plugin: *const clap_plugin) {
        // SAFETY: the host calls this once, last, with the pointer from `create`; the box is ours again.
        unsafe {
            if plugin.is_null() {
                return;
            }
            let guarded = Box::from_raw(plugin.cast_mut().cast::<Self>());
            if let Some(destroy) = guarded.inner.destroy {
                destroy(&raw const guarded.inner);
            }
        }
    }

    unsafe extern "C" fn activate(plugin: *const clap_plugin, rate_hz: f64, least: u32, most: u32) -> bool {
        // SAFETY: a live instance, as the interface says; not processing, so nobody holds the loan.
        unsafe {
            let Some(guarded) = Self::of(plugin) else { return false };
            *guarded.loan.lock() = Some(Loan::new(layout::<P>(), most as usize));
            guarded.inner.activate.is_some_and(|activate| activate(&raw const guarded.inner, rate_hz, least, most))
        }
    }

    unsafe extern "C" fn process(plugin: *const clap_plugin, call: *const clap_process) -> clap_process_status {
        // SAFETY: a live, active instance and a valid call (ports may be missing), as the interface says. The lengths
        // are checked before the call is completed; the completed call lives through the framework's `process`.
        unsafe {
            let (Some(guarded), Some(call)) = (Self::of(plugin), call.as_ref()) else { return CLAP_PROCESS_ERROR };
            // A host that activates while it processes finds the loan taken: an error, never a wait.
            let Some(mut loan) = guarded.loan.try_lock() else { return CLAP_PROCESS_ERROR };
            let Some(loan) = loan.as_mut().filter(|loan| call.frames_count as usize <= loan.lender.frames()) else {
                return CLAP_PROCESS_ERROR;
            };
            let call = loan.complete(call);
            guarded
                .inner
                .process
                .map_or(CLAP_PROCESS_ERROR, |process| process(&raw const guarded.inner, &raw const call))
        }
    }

    unsafe extern "C" fn get_extension(plugin: *const clap_plugin, id: *const c_char) -> *const c_void {
        // SAFETY: a live instance and a C string, as the interface says. What is returned is a constant, or a part of
        // the instance or the wrapper, good until `destroy`.
        unsafe {
            let Some(guarded) = Self::of(plugin).filter(|_| !id.is_null()) else { return ptr::null() };
            let name = CStr::from_ptr(id);
            if name == CLAP_EXT_STATE && !guarded.inner_state.is_null() {
                return ptr::from_ref(Self::STATE).cast();
            }
            if name == CLAP_EXT_AUDIO_PORTS_ACTIVATION || name == CLAP_EXT_AUDIO_PORTS_ACTIVATION_COMPAT {
                return ptr::from_ref(Self::ACTIVATION).cast();
            }
            if name == CLAP_EXT_PRESET_LOAD || name == CLAP_EXT_PRESET_LOAD_COMPAT {
                return ptr::from_ref(Self::PRESETS).cast();
            }
            match &guarded.params {
                Some(params) if name == CLAP_EXT_PARAMS => ptr::from_ref(params).cast(),
                _ => guarded.inner.get_extension.map_or(ptr::null(), |get| get(&raw const guarded.inner, id)),
            }
        }
    }

    /// The framework takes the index one past the last for a parameter, and panics.
    unsafe extern "C" fn param_info(plugin: *const clap_plugin, index: u32, info: *mut clap_param_info) -> bool {
        // SAFETY: a live instance, as the interface says; the framework's own extension, good until `destroy`.
        unsafe {
            let Some(guarded) = Self::of(plugin) else { return false };
            let Some(inner) = guarded.inner_params.as_ref() else { return false };
            inner.count.is_some_and(|count| index < count(&raw const guarded.inner))
                && inner.get_info.is_some_and(|get_info| get_info(&raw const guarded.inner, index, info))
        }
    }

    /// A port that the host leaves out is lent, so any may be inactive; but not from one block to the next.
    unsafe extern "C" fn can_activate_while_processing(_plugin: *const clap_plugin) -> bool {
        false
    }

    unsafe extern "C" fn set_active(
        _plugin: *const clap_plugin,
        is_input: bool,
        port: u32,
        _is_active: bool,
        sample_bits: u32,
    ) -> bool {
        let layout = layout::<P>();
        let ports = if is_input {
            usize::from(layout.main_input_channels.is_some()) + layout.aux_input_ports.len()
        } else {
            usize::from(layout.main_output_channels.is_some()) + layout.aux_output_ports.len()
        };
        (port as usize) < ports && matches!(sample_bits, 0 | 32)
    }

    unsafe extern "C" fn save(plugin: *const clap_plugin, stream: *const clap_sys::stream::clap_ostream) -> bool {
        // SAFETY: a live instance and stream, as the interface says; the framework's own extension.
        unsafe {
            let Some(guarded) = Self::of(plugin) else { return false };
            let save = guarded.inner_state.as_ref().and_then(|state| state.save);
            save.is_some_and(|save| save(&raw const guarded.inner, stream))
        }
    }

    unsafe extern "C" fn load(plugin: *const clap_plugin, stream: *const clap_istream) -> bool {
        // SAFETY: a live instance and stream, as the interface says.
        let (Some(guarded), Some(stream)) = (unsafe { Self::of(plugin) }, unsafe { stream.as_ref() }) else {
            return false;
        };
        // SAFETY: a live stream.
        let bytes = unsafe { read_all(stream) };
        let bytes = match bytes.and_then(|bytes| check::<P>(&bytes).map(|()| bytes)) {
            Ok(bytes) => bytes,
            Err(error) => {
                nice_error!("state refused, everything stays as it is: {error}");
                return false;
            }
        };
        // SAFETY: a live instance; the bytes have been checked.
        unsafe { guarded.take(&bytes) }
    }

    /// Lets the framework load what it would have saved.
    ///
    /// # Safety
    /// Not destroyed; on the host's main thread.
    unsafe fn take(&self, bytes: &[u8]) -> bool {
        let mut rest = bytes;
        let ours = clap_istream { ctx: (&raw mut rest).cast(), read: Some(read_rest) };
        // SAFETY: our stream reads from `rest`, which lives through the call; the framework's own extension.
        unsafe {
            let load = self.inner_state.as_ref().and_then(|state| state.load);
            load.is_some_and(|load| load(&raw const self.inner, &raw const ours))
        }
    }

    /// Loads a patch, and tells the host how it went.
    unsafe extern "C" fn from_location(
        plugin: *const clap_plugin,
        kind: clap_preset_discovery_location_kind,
        location: *const c_char,
        key: *const c_char,
    ) -> bool {
        // SAFETY: a live instance, null or C strings, and a live host, as the interface says.
        unsafe {
            let Some(guarded) = Self::of(plugin) else { return false };
            let loaded = place(kind, location, key).and_then(P::preset).and_then(|state| {
                let json = serde_json::to_vec(&state).map_err(|error| error.to_string())?;
                let bytes = [&(json.len() as u64).to_le_bytes(), json.as_slice()].concat();
                guarded.take(&bytes).then_some(()).ok_or_else(|| "the patch was not taken".to_owned())
            });
            let get = (*guarded.host).get_extension;
            let listener = |id: &CStr| get.map_or(ptr::null(), |get| get(guarded.host, id.as_ptr()));
            let listener = [CLAP_EXT_PRESET_LOAD, CLAP_EXT_PRESET_LOAD_COMPAT].map(listener);
            let listener = listener.into_iter().find(|listener| !listener.is_null());
            if let Some(listener) = listener.map(|listener| &*listener.cast::<clap_host_preset_load>()) {
                match (&loaded, listener.loaded, listener.on_error) {
                    (Ok(()), Some(tell), _) => tell(guarded.host, kind, location, key),
                    (Err(error), _, Some(tell)) => {
                        let what = CString::new(error.as_str()).unwrap_or_default();
                        tell(guarded.host, kind, location, key, 0, what.as_ptr());
                    }
                    _ => {}
                }
            }
            loaded.is_ok()
        }
    }
}

/// Where a host says that a patch lies.
///
/// # Safety
/// `location` and `key` are null, or C strings that live as long as the place is used.
unsafe fn place<'a>(
    kind: clap_preset_discovery_location_kind,
    location: *const c_char,
    key: *const c_char,
) -> Result<Place<'a>, String> {
    let text = |text: *const c_char| {
        // SAFETY: null or a C string.
        (!text.is_null()).then(|| unsafe { CStr::from_ptr(text) }).and_then(|text| text.to_str().ok())
    };
    match kind {
        CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN => text(key).map(Place::Plugin),
        CLAP_PRESET_DISCOVERY_LOCATION_FILE => text(location).map(|file| Place::File(Path::new(file))),
        _ => None,
    }
    .ok_or_else(|| {
        "given no place of a patch, allowed is the key of one in the plugin, or the path of a file".to_owned()
    })
}

/// Reads a host's stream to its end.
///
/// # Safety
/// A live stream.
unsafe fn read_all(stream: &clap_istream) -> Result<Vec<u8>, String> {
    let read = stream.read.ok_or("the stream cannot be read")?;
    let mut bytes = Vec::new();
    let mut chunk = [0u8; 4096];
    loop {
        // SAFETY: a live stream, and a buffer of the size that is told.
        let count = unsafe { read(stream, chunk.as_mut_ptr().cast(), chunk.len() as u64) };
        let Ok(count) = usize::try_from(count) else { return Err("the stream ended in an error".into()) };
        if count == 0 {
            return Ok(bytes);
        }
        bytes.extend_from_slice(&chunk[..count.min(chunk.len())]);
        if bytes.len() > STATE_BYTES {
            return Err(format!("given more than {STATE_BYTES} bytes, which no state of this plugin has"));
        }
    }
}

/// Reads on from the slice that `ctx` points to.
unsafe extern "C" fn read_rest(stream: *const clap_istream, buffer: *mut c_void, size: u64) -> i64 {
    // SAFETY: only `load` makes such a stream: `ctx` is its `&[u8]`, used by nobody else during the call. The caller's
    // buffer has `size` bytes, as the interface says.
    unsafe {
        let rest = &mut *(*stream).ctx.cast::<&[u8]>();
        let count = rest.len().min(size as usize);
        ptr::copy_nonoverlapping(rest.as_ptr(), buffer.cast::<u8>(), count);
        *rest = &rest[count..];
        count as i64
    }
}

/// Checks what the framework saves on this side: the length, eight bytes, least first, then the envelope.
fn check<P: CheckedState>(bytes: &[u8]) -> Result<(), String> {
    let (length, json) = bytes.split_first_chunk::<8>().ok_or_else(|| {
        format!("given {} bytes, allowed is a state of this plugin, which begins with its length in eight", bytes.len())
    })?;
    let length = u64::from_le_bytes(*length);
    if length != json.len() as u64 {
        return Err(format!("given {} bytes after the length, which says {length}", json.len()));
    }
    check_envelope::<P>(json)
}
