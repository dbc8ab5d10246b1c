//! The plugin in a host: loaded, asked, and told.

use super::Event;
use clack_extensions::latency::{HostLatency, HostLatencyImpl, PluginLatency};
use clack_extensions::params::{
    HostParams, HostParamsImplMainThread, HostParamsImplShared, ParamClearFlags, ParamInfoBuffer, ParamInfoFlags,
    ParamRescanFlags, PluginParams,
};
use clack_extensions::state::{PluginState, StateError};
use clack_host::prelude::*;
use std::ffi::CString;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
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
