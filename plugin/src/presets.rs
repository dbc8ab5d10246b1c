//! The patches that come with the program, as hosts list them: CLAP's preset discovery.
//!
//! ```text
//!   host ──► factory ──► provider ──► one place, the plugin itself ──► name, note, key of every patch
//!   host ──► plugin's preset-load ──► the patch of that key, as a state
//! ```
//! They lie in the program, so there is no file to be found, and none to be lost. VST3 has program lists, which hang on a
//! parameter that picks a program; the framework (0.4.2) has no such parameter, so there are none on that side.

use crate::panel;
use clap_sys::factory::preset_discovery::{
    CLAP_PRESET_DISCOVERY_IS_FACTORY_CONTENT, CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN, clap_preset_discovery_factory,
    clap_preset_discovery_indexer, clap_preset_discovery_location, clap_preset_discovery_location_kind,
    clap_preset_discovery_metadata_receiver, clap_preset_discovery_provider, clap_preset_discovery_provider_descriptor,
};
use clap_sys::universal_plugin_id::clap_universal_plugin_id;
use clap_sys::version::CLAP_VERSION;
use nice_plug::prelude::{ClapPlugin, PluginState};
use std::ffi::{CStr, CString, c_char, c_void};
use std::ptr;
use tritank_dsp::factory::{Factory, PATCHES};

/// The state of a patch by its key.
pub fn state(key: &str) -> Option<PluginState> {
    Factory::find(key).map(|factory| panel::state_of(&factory.patch()))
}

/// As a host shows it: `organ-insert` becomes `Organ insert`.
pub fn shown(key: &str) -> String {
    let words = key.replace('-', " ");
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

const ID: &CStr = c"tritank.patches";

/// Strings that live as long as the program; a provider points to nothing else.
struct Descriptor(clap_preset_discovery_provider_descriptor);

static DESCRIPTOR: Descriptor = Descriptor(clap_preset_discovery_provider_descriptor {
    clap_version: CLAP_VERSION,
    id: ID.as_ptr(),
    name: c"Tritank patches".as_ptr(),
    vendor: c"Tritank".as_ptr(),
});

/// What `clap_entry` hands out beside the plugin.
pub static FACTORY: clap_preset_discovery_factory =
    clap_preset_discovery_factory { count: Some(count), get_descriptor: Some(get_descriptor), create: Some(create) };

unsafe extern "C" fn count(_factory: *const clap_preset_discovery_factory) -> u32 {
    1
}

unsafe extern "C" fn get_descriptor(
    _factory: *const clap_preset_discovery_factory,
    index: u32,
) -> *const clap_preset_discovery_provider_descriptor {
    if index == 0 { &raw const DESCRIPTOR.0 } else { ptr::null() }
}

unsafe extern "C" fn create(
    _factory: *const clap_preset_discovery_factory,
    indexer: *const clap_preset_discovery_indexer,
    id: *const c_char,
) -> *const clap_preset_discovery_provider {
    // SAFETY: null or a C string, as the interface says.
    if indexer.is_null() || id.is_null() || unsafe { CStr::from_ptr(id) } != ID {
        return ptr::null();
    }
    Box::into_raw(Box::new(clap_preset_discovery_provider {
        desc: &raw const DESCRIPTOR.0,
        provider_data: indexer.cast_mut().cast(),
        init: Some(init),
        destroy: Some(destroy),
        get_metadata: Some(get_metadata),
        get_extension: Some(get_extension),
    }))
}

unsafe extern "C" fn destroy(provider: *const clap_preset_discovery_provider) {
    if !provider.is_null() {
        // SAFETY: the host calls this once, last, with what `create` boxed.
        drop(unsafe { Box::from_raw(provider.cast_mut()) });
    }
}

unsafe extern "C" fn get_extension(
    _provider: *const clap_preset_discovery_provider,
    _id: *const c_char,
) -> *const c_void {
    ptr::null()
}

/// Says where the patches are: in the plugin.
unsafe extern "C" fn init(provider: *const clap_preset_discovery_provider) -> bool {
    let place = clap_preset_discovery_location {
        flags: CLAP_PRESET_DISCOVERY_IS_FACTORY_CONTENT,
        name: c"Tritank".as_ptr(),
        kind: CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN,
        location: ptr::null(),
    };
    // SAFETY: a live provider, whose data is the indexer that it was created with, which outlives it; the place is read
    // during the call alone.
    unsafe {
        let Some(provider) = provider.as_ref() else { return false };
        let indexer = provider.provider_data.cast::<clap_preset_discovery_indexer>();
        (*indexer).declare_location.is_some_and(|declare| declare(indexer, &raw const place))
    }
}

/// Tells of every patch: its name, its key, and what it is for.
unsafe extern "C" fn get_metadata(
    _provider: *const clap_preset_discovery_provider,
    kind: clap_preset_discovery_location_kind,
    _location: *const c_char,
    receiver: *const clap_preset_discovery_metadata_receiver,
) -> bool {
    // SAFETY: null or a live receiver, as the interface says.
    let Some(listener) = (unsafe { receiver.as_ref() }) else { return false };
    if kind != CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN {
        return false;
    }
    let plugin_id = CString::new(<crate::ClapShell as ClapPlugin>::CLAP_ID).unwrap_or_default();
    let plugin = clap_universal_plugin_id { abi: c"clap".as_ptr(), id: plugin_id.as_ptr() };
    for factory in PATCHES {
        let about = format!("{} {}", factory.note(), factory.play());
        // None of these has a zero in it.
        let [name, key, about] =
            [shown(factory.name), factory.name.to_owned(), about].map(|text| CString::new(text).unwrap_or_default());
        // SAFETY: a live receiver; the strings are read during the calls alone.
        unsafe {
            if !listener.begin_preset.is_some_and(|begin| begin(receiver, name.as_ptr(), key.as_ptr())) {
                break;
            }
            if let Some(add) = listener.add_plugin_id {
                add(receiver, &raw const plugin);
            }
            if let Some(set) = listener.set_flags {
                set(receiver, CLAP_PRESET_DISCOVERY_IS_FACTORY_CONTENT);
            }
            if let Some(set) = listener.set_description {
                set(receiver, about.as_ptr());
            }
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_patch_is_a_state_that_is_taken_and_has_a_name_to_show() {
        for factory in PATCHES {
            let mut state = state(factory.name).expect("a patch of that key");
            assert_eq!(panel::patch_of(&state).as_ref(), Ok(&factory.patch()), "{}", factory.name);
            panel::filter_state(&mut state).expect("a state that is taken");
        }
        assert!(state("nothing").is_none());
        assert_eq!(shown("organ-insert"), "Organ insert");
    }
}
