//! Patches as hosts list them: CLAP's preset discovery.
//!
//! ```text
//!   host ──► factory ──► provider ──┬► the plugin itself ──► name, note, key of every patch that comes with it
//!                                   └► a folder ──► name and comments of every patch file in it
//!   host ──► plugin's preset-load ──► the patch of that key or file, as a state
//! ```
//! The folder is the one that VST 3 names for presets of a user, so that both kinds lie together: `.toml` for CLAP hosts, and for
//! VST3 hosts preset files, which the bench writes (`tritank preset`). VST3's other way, program lists, hangs on a parameter
//! that picks a program; the framework (0.4.2) has no such parameter.

use crate::guard::Place;
use crate::panel;
use clap_sys::factory::preset_discovery::{
    CLAP_PRESET_DISCOVERY_IS_FACTORY_CONTENT, CLAP_PRESET_DISCOVERY_IS_USER_CONTENT,
    CLAP_PRESET_DISCOVERY_LOCATION_FILE, CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN, clap_preset_discovery_factory,
    clap_preset_discovery_filetype, clap_preset_discovery_indexer, clap_preset_discovery_location,
    clap_preset_discovery_location_kind, clap_preset_discovery_metadata_receiver, clap_preset_discovery_provider,
    clap_preset_discovery_provider_descriptor,
};
use clap_sys::universal_plugin_id::clap_universal_plugin_id;
use clap_sys::version::CLAP_VERSION;
use nice_plug::prelude::{ClapPlugin, PluginState};
use std::ffi::{CStr, CString, c_char, c_void};
use std::path::{Path, PathBuf};
use std::ptr;
use tritank_dsp::board::Board;
use tritank_dsp::factory::{Factory, PATCHES};
use tritank_dsp::patch::Patch;

/// What the name of a patch file ends in.
const ENDING: &CStr = c"toml";
/// The longest patch file that is read, bytes: some hundred times a usual one.
const LONGEST: u64 = 1 << 20;

/// The state of a patch. One without a board of its own is played on the board that comes with the program.
///
/// # Errors
/// Why it cannot be read, on one line.
pub fn state(place: Place<'_>) -> Result<PluginState, String> {
    match place {
        Place::Plugin(key) => Factory::find(key)
            .map(|factory| panel::state_of(&factory.patch()))
            .ok_or_else(|| format!("given \"{key}\", allowed is the key of a patch that comes with the plugin")),
        Place::File(file) => read(file).map(|(patch, _)| panel::state_of(&patch)),
    }
}

/// A patch file: the patch, and the text that it was read from.
fn read(file: &Path) -> Result<(Patch, String), String> {
    let refuse = |what: String| format!("{}: {what}", file.display());
    let about = std::fs::metadata(file).map_err(|error| refuse(error.to_string()))?;
    if !about.is_file() || about.len() > LONGEST {
        return Err(refuse(format!("given no file of a patch, allowed is one of at most {LONGEST} bytes")));
    }
    let text = std::fs::read_to_string(file).map_err(|error| refuse(error.to_string()))?;
    let patch = Patch::from_toml(&text, &Board::built_in()).map_err(|error| refuse(error.to_string()))?;
    Ok((patch, text))
}

/// The folder of a user's own patches: VST 3, "Preset Locations".
fn own_patches() -> Option<PathBuf> {
    #[cfg(windows)]
    let presets = known_folders::get_known_folder_path(known_folders::KnownFolder::Documents)?.join("VST3 Presets");
    #[cfg(target_os = "macos")]
    let presets = std::env::home_dir()?.join("Library/Audio/Presets");
    #[cfg(not(any(windows, target_os = "macos")))]
    let presets = std::env::home_dir()?.join(".vst3/presets");
    Some(presets.join("Tritank").join("Tritank"))
}

/// The comments that a patch opens with: what it is for and how it is played.
fn comments(toml: &str) -> String {
    toml.lines().map_while(|line| line.strip_prefix("# ")).collect::<Vec<_>>().join(" ")
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

/// Says where patches are: in the plugin, and in the user's folder if there is one.
unsafe extern "C" fn init(provider: *const clap_preset_discovery_provider) -> bool {
    let file = clap_preset_discovery_filetype {
        name: c"Tritank patch".as_ptr(),
        description: ptr::null(),
        file_extension: ENDING.as_ptr(),
    };
    let plugin = clap_preset_discovery_location {
        flags: CLAP_PRESET_DISCOVERY_IS_FACTORY_CONTENT,
        name: c"Tritank".as_ptr(),
        kind: CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN,
        location: ptr::null(),
    };
    let folder = own_patches().filter(|folder| folder.is_dir());
    let folder = folder.and_then(|folder| CString::new(folder.to_str()?).ok());
    let own = folder.as_ref().map(|folder| clap_preset_discovery_location {
        flags: CLAP_PRESET_DISCOVERY_IS_USER_CONTENT,
        name: c"Tritank: your own".as_ptr(),
        kind: CLAP_PRESET_DISCOVERY_LOCATION_FILE,
        location: folder.as_ptr(),
    });
    // SAFETY: a live provider, whose data is the indexer that it was created with, which outlives it; what is declared is
    // read during the calls alone.
    unsafe {
        let Some(provider) = provider.as_ref() else { return false };
        let indexer = provider.provider_data.cast::<clap_preset_discovery_indexer>();
        let (Some(kind), Some(place)) = ((*indexer).declare_filetype, (*indexer).declare_location) else {
            return false;
        };
        kind(indexer, &raw const file)
            && place(indexer, &raw const plugin)
            && own.is_none_or(|own| place(indexer, &raw const own))
    }
}

/// Tells of every patch in a place: its name, its key if it has one, and what it is for.
unsafe extern "C" fn get_metadata(
    _provider: *const clap_preset_discovery_provider,
    kind: clap_preset_discovery_location_kind,
    location: *const c_char,
    receiver: *const clap_preset_discovery_metadata_receiver,
) -> bool {
    // SAFETY: null or a live receiver, as the interface says.
    let Some(listener) = (unsafe { receiver.as_ref() }) else { return false };
    match kind {
        CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN => {
            for factory in PATCHES {
                let (name, key, about) = (factory.title(), Some(factory.name), comments(factory.toml));
                if !tell(listener, &name, key, CLAP_PRESET_DISCOVERY_IS_FACTORY_CONTENT, &about) {
                    break;
                }
            }
            true
        }
        CLAP_PRESET_DISCOVERY_LOCATION_FILE if !location.is_null() => {
            // SAFETY: a C string, as the interface says.
            let file = Path::new(unsafe { CStr::from_ptr(location) }.to_str().unwrap_or_default());
            match read(file) {
                Ok((_, text)) => {
                    let name = file.file_stem().unwrap_or_default().to_string_lossy();
                    tell(listener, &name, None, CLAP_PRESET_DISCOVERY_IS_USER_CONTENT, &comments(&text));
                    true
                }
                Err(error) => {
                    if let Some(complain) = listener.on_error {
                        let what = CString::new(error).unwrap_or_default();
                        // SAFETY: a live receiver; the string is read during the call alone.
                        unsafe { complain(receiver, 0, what.as_ptr()) };
                    }
                    false
                }
            }
        }
        _ => false,
    }
}

/// Tells of one patch; whether the listener wants more.
fn tell(
    listener: &clap_preset_discovery_metadata_receiver,
    name: &str,
    key: Option<&str>,
    flags: u32,
    about: &str,
) -> bool {
    // A text with a zero in it is left out.
    let text = |text: &str| CString::new(text).unwrap_or_default();
    let (name, key, about) = (text(name), key.map(text), text(about));
    let plugin_id = text(<crate::ClapShell as ClapPlugin>::CLAP_ID);
    let plugin = clap_universal_plugin_id { abi: c"clap".as_ptr(), id: plugin_id.as_ptr() };
    let receiver = ptr::from_ref(listener);
    // SAFETY: a live receiver; the strings are read during the calls alone.
    unsafe {
        let key = key.as_ref().map_or(ptr::null(), |key| key.as_ptr());
        if !listener.begin_preset.is_some_and(|begin| begin(receiver, name.as_ptr(), key)) {
            return false;
        }
        if let Some(add) = listener.add_plugin_id {
            add(receiver, &raw const plugin);
        }
        if let Some(set) = listener.set_flags {
            set(receiver, flags);
        }
        if let Some(set) = listener.set_description {
            set(receiver, about.as_ptr());
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_patch_is_a_state_that_is_taken() {
        for factory in PATCHES {
            let mut state = state(Place::Plugin(factory.name)).expect("a patch of that key");
            assert_eq!(panel::patch_of(&state).as_ref(), Ok(&factory.patch()), "{}", factory.name);
            panel::filter_state(&mut state).expect("a state that is taken");
        }
        assert!(state(Place::Plugin("nothing")).unwrap_err().contains("nothing"));
    }
}
