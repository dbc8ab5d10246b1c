//! The user's own patch files in a CLAP host: listed from the user's folder, and loaded from it. The interface is CLAP 1.2's, the
//! folder the one of VST 3, "Preset Locations". One test, since it moves its own home.
#![cfg(unix)]

mod host;

use clap_sys::ext::preset_load::{CLAP_EXT_PRESET_LOAD, clap_plugin_preset_load};
use clap_sys::factory::preset_discovery::{
    CLAP_PRESET_DISCOVERY_FACTORY_ID, CLAP_PRESET_DISCOVERY_IS_USER_CONTENT, CLAP_PRESET_DISCOVERY_LOCATION_FILE,
    clap_preset_discovery_factory, clap_preset_discovery_filetype, clap_preset_discovery_indexer,
    clap_preset_discovery_location, clap_preset_discovery_metadata_receiver,
};
use clap_sys::version::CLAP_VERSION;
use host::Rig;
use std::ffi::{CStr, CString, c_char};
use std::fs;
use std::path::{Path, PathBuf};
use std::ptr;
use tritank_dsp::factory::Factory;
use tritank_dsp::knobs::Knob;

/// What the host was told: endings and folders, then names, descriptions and complaints.
#[derive(Default)]
struct Told {
    endings: Vec<String>,
    folders: Vec<PathBuf>,
    names: Vec<String>,
    about: Vec<String>,
    wrong: Vec<String>,
}

unsafe fn owned(text: *const c_char) -> String {
    // SAFETY: a C string.
    unsafe { CStr::from_ptr(text) }.to_str().unwrap().to_owned()
}

unsafe extern "C" fn filetype(
    indexer: *const clap_preset_discovery_indexer,
    kind: *const clap_preset_discovery_filetype,
) -> bool {
    // SAFETY: the test's own indexer, and what is good for the call.
    unsafe { (*(*indexer).indexer_data.cast::<Told>()).endings.push(owned((*kind).file_extension)) };
    true
}

unsafe extern "C" fn location(
    indexer: *const clap_preset_discovery_indexer,
    place: *const clap_preset_discovery_location,
) -> bool {
    // SAFETY: the test's own indexer, and what is good for the call.
    unsafe {
        if (*place).kind == CLAP_PRESET_DISCOVERY_LOCATION_FILE {
            assert_eq!((*place).flags, CLAP_PRESET_DISCOVERY_IS_USER_CONTENT);
            (*(*indexer).indexer_data.cast::<Told>()).folders.push(owned((*place).location).into());
        }
    }
    true
}

unsafe fn told<'a>(receiver: *const clap_preset_discovery_metadata_receiver) -> &'a mut Told {
    // SAFETY: the test's own receiver, used by one call at a time.
    unsafe { &mut *(*receiver).receiver_data.cast::<Told>() }
}

unsafe extern "C" fn begin(
    receiver: *const clap_preset_discovery_metadata_receiver,
    name: *const c_char,
    key: *const c_char,
) -> bool {
    assert!(key.is_null(), "a file with one patch has no keys");
    // SAFETY: the test's own receiver, and C strings.
    unsafe { told(receiver).names.push(owned(name)) };
    true
}

unsafe extern "C" fn describe(receiver: *const clap_preset_discovery_metadata_receiver, about: *const c_char) {
    // SAFETY: the test's own receiver, and C strings.
    unsafe { told(receiver).about.push(owned(about)) };
}

unsafe extern "C" fn complain(
    receiver: *const clap_preset_discovery_metadata_receiver,
    _number: i32,
    what: *const c_char,
) {
    // SAFETY: the test's own receiver, and C strings.
    unsafe { told(receiver).wrong.push(owned(what)) };
}

/// A host that looks for presets: the places first, then every file in the user's folder, by name.
fn look() -> Told {
    let mut told = Told::default();
    let no_text = c"".as_ptr();
    let indexer = clap_preset_discovery_indexer {
        clap_version: CLAP_VERSION,
        name: no_text,
        vendor: no_text,
        url: no_text,
        version: no_text,
        indexer_data: (&raw mut told).cast(),
        declare_filetype: Some(filetype),
        declare_location: Some(location),
        declare_soundpack: None,
        get_extension: None,
    };
    let receiver = clap_preset_discovery_metadata_receiver {
        receiver_data: (&raw mut told).cast(),
        on_error: Some(complain),
        begin_preset: Some(begin),
        add_plugin_id: None,
        set_soundpack_id: None,
        set_flags: None,
        add_creator: None,
        set_description: Some(describe),
        set_timestamps: None,
        add_feature: None,
        add_extra_info: None,
    };
    // SAFETY: the calls of a host, in their order; indexer and receiver live to the end.
    unsafe {
        let get_factory = tritank::entry::clap::clap_entry.get_factory.unwrap();
        let factory = get_factory(CLAP_PRESET_DISCOVERY_FACTORY_ID.as_ptr()).cast::<clap_preset_discovery_factory>();
        let id = (*(*factory).get_descriptor.unwrap()(factory, 0)).id;
        let provider = (*factory).create.unwrap()(factory, &raw const indexer, id);
        assert!((*provider).init.unwrap()(provider));
        let folders = told.folders.clone();
        for file in folders.iter().flat_map(|folder| sorted(folder)) {
            let before = told.names.len();
            let file = path(&file);
            let kind = CLAP_PRESET_DISCOVERY_LOCATION_FILE;
            let read = (*provider).get_metadata.unwrap()(provider, kind, file.as_ptr(), &raw const receiver);
            assert_eq!(read, told.names.len() > before, "{file:?}");
        }
        (*provider).destroy.unwrap()(provider);
    }
    told
}

fn sorted(folder: &Path) -> Vec<PathBuf> {
    let mut files: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    files
}

fn path(file: &Path) -> CString {
    CString::new(file.to_str().unwrap()).unwrap()
}

#[test]
fn patches_in_the_user_s_folder_are_listed_and_loaded_and_what_is_none_is_refused() {
    let home = tempfile::tempdir().unwrap();
    // SAFETY: the one test of this program; no other thread asks for the environment.
    unsafe { std::env::set_var("HOME", home.path()) };
    let presets = if cfg!(target_os = "macos") { "Library/Audio/Presets" } else { ".vst3/presets" };
    let folder = home.path().join(presets).join("Tritank/Tritank");

    let told = look();
    assert!(told.folders.is_empty(), "a folder that is not there is no place");
    assert_eq!(told.endings, ["toml"]);

    let riff = Factory::find("talking-riff").unwrap();
    fs::create_dir_all(&folder).unwrap();
    fs::write(folder.join("Our riff.toml"), riff.toml.replacen("# ", "# Ours: ", 1)).unwrap();
    fs::write(folder.join("broken.toml"), "patch = 7\n").unwrap();
    fs::write(folder.join("board.toml"), tritank_dsp::board::Board::built_in().to_toml()).unwrap();
    let told = look();
    assert_eq!(told.folders, [folder.as_path()]);
    assert_eq!(told.names, ["Our riff"]);
    assert_eq!(told.about, [format!("Ours: {} {}", riff.note(), riff.play())]);
    assert_eq!(told.wrong.len(), 2);
    assert!(told.wrong.iter().all(|what| what.contains(".toml: ")), "{:?}", told.wrong);

    let mut rig = Rig::in_process();
    let untouched = rig.save();
    let mut load = |file: Option<&Path>| {
        let plugin = ptr::from_ref(rig.instance.raw_instance());
        let file = file.map(path);
        // SAFETY: a live plugin on its main thread; null or C strings.
        let loaded = unsafe {
            let load = (*plugin).get_extension.unwrap()(plugin, CLAP_EXT_PRESET_LOAD.as_ptr());
            let load = (*load.cast::<clap_plugin_preset_load>()).from_location.unwrap();
            let place = file.as_ref().map_or(ptr::null(), |file| file.as_ptr());
            load(plugin, CLAP_PRESET_DISCOVERY_LOCATION_FILE, place, ptr::null())
        };
        (loaded, rig.save())
    };
    for file in [Some(folder.join("broken.toml")), Some(folder.join("none.toml")), Some(folder.clone()), None] {
        assert!(load(file.as_deref()) == (false, untouched.clone()), "{file:?}");
    }
    let (loaded, state) = load(Some(&folder.join("Our riff.toml")));
    assert!(loaded);
    let patch = tritank::panel::patch_of(&serde_json::from_slice(&state[8..]).unwrap()).unwrap();
    assert_eq!(patch.patterns, riff.patch().patterns);
    for &knob in Knob::ALL {
        let [now, wanted] = [&patch, &riff.patch()].map(|patch| knob.travel(patch.settings.get(knob)));
        assert!((now - wanted).abs() < 1e-6, "{}", knob.id());
    }
}
