//! What a host finds in the file: `clap_entry` and `GetPluginFactory`, with one plugin each, guarded.
//!
//! The framework's export macros would hand out its own, unguarded objects; the parts they use are public.

use crate::guard;
use crate::presets;
use crate::{ClapShell, Vst3Shell};
use nice_plug::wrapper::setup_logger;

/// The CLAP side.
pub mod clap {
    use super::{ClapShell, guard, presets, setup_logger};
    use clap_sys::entry::clap_plugin_entry;
    use clap_sys::factory::plugin_factory::{CLAP_PLUGIN_FACTORY_ID, clap_plugin_factory};
    use clap_sys::factory::preset_discovery::{
        CLAP_PRESET_DISCOVERY_FACTORY_ID, CLAP_PRESET_DISCOVERY_FACTORY_ID_COMPAT,
    };
    use clap_sys::host::clap_host;
    use clap_sys::plugin::{clap_plugin, clap_plugin_descriptor};
    use clap_sys::version::CLAP_VERSION;
    use nice_plug::wrapper::clap::PluginDescriptor;
    use std::ffi::{CStr, c_char, c_void};
    use std::ptr;
    use std::sync::OnceLock;

    /// The entry point.
    #[unsafe(no_mangle)]
    #[used]
    #[allow(non_upper_case_globals)] // The name is the format's.
    pub static clap_entry: clap_plugin_entry = clap_plugin_entry {
        clap_version: CLAP_VERSION,
        init: Some(init),
        deinit: Some(deinit),
        get_factory: Some(get_factory),
    };

    static FACTORY: clap_plugin_factory = clap_plugin_factory {
        get_plugin_count: Some(plugin_count),
        get_plugin_descriptor: Some(plugin_descriptor),
        create_plugin: Some(create_plugin),
    };

    fn descriptor() -> &'static PluginDescriptor {
        static DESCRIPTOR: OnceLock<PluginDescriptor> = OnceLock::new();
        DESCRIPTOR.get_or_init(PluginDescriptor::for_plugin::<ClapShell>)
    }

    extern "C" fn init(_path: *const c_char) -> bool {
        setup_logger::<ClapShell>();
        true
    }

    extern "C" fn deinit() {}

    unsafe extern "C" fn get_factory(id: *const c_char) -> *const c_void {
        if id.is_null() {
            return ptr::null();
        }
        // SAFETY: a C string, as the interface says.
        let id = unsafe { CStr::from_ptr(id) };
        if id == CLAP_PLUGIN_FACTORY_ID {
            (&raw const FACTORY).cast()
        } else if id == CLAP_PRESET_DISCOVERY_FACTORY_ID || id == CLAP_PRESET_DISCOVERY_FACTORY_ID_COMPAT {
            (&raw const presets::FACTORY).cast()
        } else {
            ptr::null()
        }
    }

    extern "C" fn plugin_count(_factory: *const clap_plugin_factory) -> u32 {
        1
    }

    extern "C" fn plugin_descriptor(_factory: *const clap_plugin_factory, index: u32) -> *const clap_plugin_descriptor {
        if index == 0 { descriptor().clap_plugin_descriptor() } else { ptr::null() }
    }

    unsafe extern "C" fn create_plugin(
        _factory: *const clap_plugin_factory,
        host: *const clap_host,
        id: *const c_char,
    ) -> *const clap_plugin {
        // SAFETY: null or a C string, and null or a host that outlives the plugin, as the interface says.
        unsafe {
            if id.is_null() || CStr::from_ptr(id) != descriptor().clap_id() {
                return ptr::null();
            }
            guard::clap::Guarded::<ClapShell>::create(host)
        }
    }
}

/// The VST3 side.
pub mod vst3 {
    use super::{Vst3Shell, guard, setup_logger};
    use nice_plug::wrapper::vst3::PluginInfo;
    use nice_plug::wrapper::vst3::vst3::Steinberg::{
        FIDString, FUnknown, IPluginFactory, IPluginFactory2, IPluginFactory2Trait, IPluginFactory3,
        IPluginFactory3Trait, IPluginFactoryTrait, PClassInfo, PClassInfo2, PClassInfoW, PFactoryInfo, TUID, int32,
        kInvalidArgument, kResultOk, tresult,
    };
    use nice_plug::wrapper::vst3::vst3::{Class, ComWrapper};
    use std::ffi::c_void;
    use std::ptr;

    /// Lists the one plugin, and makes instances of it.
    pub struct Factory(PluginInfo);

    impl Class for Factory {
        type Interfaces = (IPluginFactory, IPluginFactory2, IPluginFactory3);
    }

    /// Fills in what a host asked for.
    ///
    /// # Safety
    /// `place` is null or can be written.
    unsafe fn tell<T>(place: *mut T, known: bool, what: impl FnOnce() -> T) -> tresult {
        if place.is_null() || !known {
            return kInvalidArgument;
        }
        // SAFETY: not null, so it can be written.
        unsafe { place.write(what()) };
        kResultOk
    }

    impl IPluginFactoryTrait for Factory {
        unsafe fn getFactoryInfo(&self, info: *mut PFactoryInfo) -> tresult {
            // SAFETY: as the interface says.
            unsafe { tell(info, true, || self.0.create_factory_info()) }
        }

        unsafe fn countClasses(&self) -> int32 {
            1
        }

        unsafe fn getClassInfo(&self, index: int32, info: *mut PClassInfo) -> tresult {
            // SAFETY: as the interface says.
            unsafe { tell(info, index == 0, || self.0.create_class_info()) }
        }

        unsafe fn createInstance(&self, class: FIDString, interface: FIDString, object: *mut *mut c_void) -> tresult {
            // SAFETY: `class` and `interface` are null or ids of sixteen bytes, `object` is null or can be written, as
            // the interface says. The new object holds one reference while it is asked for the interface, which takes
            // another for the host.
            unsafe {
                if class.is_null() || interface.is_null() || object.is_null() {
                    return kInvalidArgument;
                }
                *object = ptr::null_mut();
                if *class.cast::<[u8; 16]>() != *self.0.cid {
                    return kInvalidArgument;
                }
                let instance = ComWrapper::new(guard::vst3::Guarded::<Vst3Shell>::default());
                let Some(unknown) = instance.as_com_ref::<FUnknown>() else { return kInvalidArgument };
                let unknown = unknown.as_ptr();
                ((*(*unknown).vtbl).queryInterface)(unknown, interface.cast::<TUID>(), object)
            }
        }
    }

    impl IPluginFactory2Trait for Factory {
        unsafe fn getClassInfo2(&self, index: int32, info: *mut PClassInfo2) -> tresult {
            // SAFETY: as the interface says.
            unsafe { tell(info, index == 0, || self.0.create_class_info_2()) }
        }
    }

    impl IPluginFactory3Trait for Factory {
        unsafe fn getClassInfoUnicode(&self, index: int32, info: *mut PClassInfoW) -> tresult {
            // SAFETY: as the interface says.
            unsafe { tell(info, index == 0, || self.0.create_class_info_unicode()) }
        }

        unsafe fn setHostContext(&self, _context: *mut FUnknown) -> tresult {
            kResultOk
        }
    }

    /// The factory, with one reference for the host.
    #[unsafe(no_mangle)]
    #[allow(non_snake_case)] // The name is the format's.
    pub extern "system" fn GetPluginFactory() -> *mut c_void {
        ComWrapper::new(Factory(PluginInfo::for_plugin::<Vst3Shell>()))
            .to_com_ptr::<IPluginFactory>()
            .map_or(ptr::null_mut(), |factory| factory.into_raw().cast())
    }

    /// The file was loaded (Linux).
    #[unsafe(no_mangle)]
    #[allow(non_snake_case)] // The name is the format's.
    #[cfg(all(target_family = "unix", not(target_os = "macos")))]
    pub extern "C" fn ModuleEntry(_library: *mut c_void) -> bool {
        setup_logger::<Vst3Shell>();
        true
    }

    /// The file will be unloaded (Linux).
    #[unsafe(no_mangle)]
    #[allow(non_snake_case)] // The name is the format's.
    #[cfg(all(target_family = "unix", not(target_os = "macos")))]
    pub extern "C" fn ModuleExit() -> bool {
        true
    }

    /// The file was loaded (macOS).
    #[unsafe(no_mangle)]
    #[allow(non_snake_case)] // The name is the format's.
    #[cfg(target_os = "macos")]
    pub extern "C" fn bundleEntry(_bundle: *mut c_void) -> bool {
        setup_logger::<Vst3Shell>();
        true
    }

    /// The file will be unloaded (macOS).
    #[unsafe(no_mangle)]
    #[allow(non_snake_case)] // The name is the format's.
    #[cfg(target_os = "macos")]
    pub extern "C" fn bundleExit() -> bool {
        true
    }

    /// The file was loaded (Windows).
    #[unsafe(no_mangle)]
    #[allow(non_snake_case)] // The name is the format's.
    #[cfg(target_os = "windows")]
    pub extern "system" fn InitDll() -> bool {
        setup_logger::<Vst3Shell>();
        true
    }

    /// The file will be unloaded (Windows).
    #[unsafe(no_mangle)]
    #[allow(non_snake_case)] // The name is the format's.
    #[cfg(target_os = "windows")]
    pub extern "system" fn ExitDll() -> bool {
        true
    }
}
