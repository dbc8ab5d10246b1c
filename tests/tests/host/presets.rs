//! A host that looks for presets and loads them: CLAP 1.2's preset discovery.

use super::Rig;
use clap_sys::ext::preset_load::{CLAP_EXT_PRESET_LOAD, clap_plugin_preset_load};
use clap_sys::factory::preset_discovery::{
    CLAP_PRESET_DISCOVERY_FACTORY_ID, CLAP_PRESET_DISCOVERY_LOCATION_FILE, CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN,
    clap_preset_discovery_factory, clap_preset_discovery_filetype, clap_preset_discovery_indexer,
    clap_preset_discovery_location, clap_preset_discovery_metadata_receiver,
};
use clap_sys::universal_plugin_id::clap_universal_plugin_id;
use clap_sys::version::CLAP_VERSION;
use std::ffi::{CStr, CString, c_char};
use std::path::{Path, PathBuf};
use std::ptr;

/// Where a preset is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Location<'a> {
    /// In the plugin.
    Plugin,
    /// In a file, or in what should be one.
    File(Option<&'a Path>),
}

impl Location<'_> {
    fn kind(self) -> u32 {
        match self {
            Self::Plugin => CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN,
            Self::File(_) => CLAP_PRESET_DISCOVERY_LOCATION_FILE,
        }
    }

    fn path(self) -> Option<CString> {
        match self {
            Self::Plugin | Self::File(None) => None,
            Self::File(Some(file)) => Some(CString::new(file.to_str().unwrap()).unwrap()),
        }
    }
}

/// A place where a plugin says that presets are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Of the user's own folder its path; none for the plugin itself.
    pub folder: Option<PathBuf>,
    pub flags: u32,
}

/// What a host was told.
#[derive(Clone, Debug, Default)]
pub struct Told {
    pub endings: Vec<String>,
    pub places: Vec<Place>,
    /// Name, and key if it has one.
    pub presets: Vec<(String, Option<String>)>,
    pub about: Vec<String>,
    pub wrong: Vec<String>,
    /// Interface and plugin of each preset.
    pub plugins: Vec<[String; 2]>,
}

unsafe fn owned(text: *const c_char) -> String {
    // SAFETY: a C string.
    unsafe { CStr::from_ptr(text) }.to_str().unwrap().to_owned()
}

unsafe fn of_indexer<'a>(indexer: *const clap_preset_discovery_indexer) -> &'a mut Told {
    // SAFETY: this host's own indexer, used by one call at a time.
    unsafe { &mut *(*indexer).indexer_data.cast() }
}

unsafe fn of_receiver<'a>(receiver: *const clap_preset_discovery_metadata_receiver) -> &'a mut Told {
    // SAFETY: this host's own receiver, used by one call at a time.
    unsafe { &mut *(*receiver).receiver_data.cast() }
}

unsafe extern "C" fn filetype(
    indexer: *const clap_preset_discovery_indexer,
    kind: *const clap_preset_discovery_filetype,
) -> bool {
    // SAFETY: the host's own indexer, and what is good for the call.
    unsafe { of_indexer(indexer).endings.push(owned((*kind).file_extension)) };
    true
}

unsafe extern "C" fn location(
    indexer: *const clap_preset_discovery_indexer,
    place: *const clap_preset_discovery_location,
) -> bool {
    // SAFETY: the host's own indexer, and what is good for the call.
    unsafe {
        let in_plugin = (*place).kind == CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN;
        assert_eq!(in_plugin, (*place).location.is_null());
        let folder = (!in_plugin).then(|| owned((*place).location).into());
        of_indexer(indexer).places.push(Place { folder, flags: (*place).flags });
    }
    true
}

unsafe extern "C" fn begin(
    receiver: *const clap_preset_discovery_metadata_receiver,
    name: *const c_char,
    key: *const c_char,
) -> bool {
    // SAFETY: the host's own receiver, and C strings or null.
    unsafe {
        let key = (!key.is_null()).then(|| owned(key));
        of_receiver(receiver).presets.push((owned(name), key));
    }
    true
}

unsafe extern "C" fn belongs(
    receiver: *const clap_preset_discovery_metadata_receiver,
    id: *const clap_universal_plugin_id,
) {
    // SAFETY: the host's own receiver, and C strings.
    unsafe { of_receiver(receiver).plugins.push([owned((*id).abi), owned((*id).id)]) };
}

unsafe extern "C" fn describe(receiver: *const clap_preset_discovery_metadata_receiver, about: *const c_char) {
    // SAFETY: the host's own receiver, and a C string.
    unsafe { of_receiver(receiver).about.push(owned(about)) };
}

unsafe extern "C" fn complain(
    receiver: *const clap_preset_discovery_metadata_receiver,
    _number: i32,
    what: *const c_char,
) {
    // SAFETY: the host's own receiver, and a C string.
    unsafe { of_receiver(receiver).wrong.push(owned(what)) };
}

/// Looks for presets: the places first, then what `asked` makes of them, one after the other. Whether the plugin says that it
/// read one, and what it said, must agree.
pub fn look(asked: impl FnOnce(&[Place]) -> Vec<Option<PathBuf>>) -> Told {
    let mut told = Told::default();
    let data: *mut Told = &raw mut told;
    let no_text = c"".as_ptr();
    let indexer = clap_preset_discovery_indexer {
        clap_version: CLAP_VERSION,
        name: no_text,
        vendor: no_text,
        url: no_text,
        version: no_text,
        indexer_data: data.cast(),
        declare_filetype: Some(filetype),
        declare_location: Some(location),
        declare_soundpack: None,
        get_extension: None,
    };
    let receiver = clap_preset_discovery_metadata_receiver {
        receiver_data: data.cast(),
        on_error: Some(complain),
        begin_preset: Some(begin),
        add_plugin_id: Some(belongs),
        set_soundpack_id: None,
        set_flags: None,
        add_creator: None,
        set_description: Some(describe),
        set_timestamps: None,
        add_feature: None,
        add_extra_info: None,
    };
    // SAFETY: the calls of a host, in their order; indexer, receiver and what they point at live to the end.
    unsafe {
        let get_factory = tritank::entry::clap::clap_entry.get_factory.unwrap();
        let factory = get_factory(CLAP_PRESET_DISCOVERY_FACTORY_ID.as_ptr()).cast::<clap_preset_discovery_factory>();
        assert_eq!((*factory).count.unwrap()(factory), 1);
        let id = (*(*factory).get_descriptor.unwrap()(factory, 0)).id;
        assert!((*factory).get_descriptor.unwrap()(factory, 1).is_null());
        assert!((*factory).create.unwrap()(factory, &raw const indexer, c"another".as_ptr()).is_null());
        let provider = (*factory).create.unwrap()(factory, &raw const indexer, id);
        assert!((*provider).init.unwrap()(provider));
        for file in asked(&(*data).places.clone()) {
            let before = (*data).presets.len();
            let place = file.as_deref().map_or(Location::Plugin, |file| Location::File(Some(file)));
            let path = place.path();
            let path = path.as_ref().map_or(ptr::null(), |path| path.as_ptr());
            let read = (*provider).get_metadata.unwrap()(provider, place.kind(), path, &raw const receiver);
            assert_eq!(read, (*data).presets.len() > before, "{place:?}");
        }
        (*provider).destroy.unwrap()(provider);
    }
    told
}

/// Whether the plugin takes a preset, and its state afterwards.
pub fn load(rig: &mut Rig, place: Location<'_>, key: Option<&str>) -> (bool, Vec<u8>) {
    let plugin = ptr::from_ref(rig.instance.raw_instance());
    let path = place.path();
    let key = key.map(|key| CString::new(key).unwrap());
    let [path, key] = [&path, &key].map(|text| text.as_ref().map_or(ptr::null(), |text| text.as_ptr()));
    // SAFETY: a live plugin on its main thread; null or C strings.
    let loaded = unsafe {
        let load = (*plugin).get_extension.unwrap()(plugin, CLAP_EXT_PRESET_LOAD.as_ptr());
        let load = (*load.cast::<clap_plugin_preset_load>()).from_location.unwrap();
        load(plugin, place.kind(), path, key)
    };
    (loaded, rig.save())
}
