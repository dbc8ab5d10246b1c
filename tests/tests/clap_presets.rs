//! The built CLAP file's patches in a host: found by preset discovery, and loaded; the interface is CLAP 1.2's.

mod host;

use clap_sys::ext::preset_load::{CLAP_EXT_PRESET_LOAD, clap_plugin_preset_load};
use clap_sys::factory::preset_discovery::{
    CLAP_PRESET_DISCOVERY_FACTORY_ID, CLAP_PRESET_DISCOVERY_LOCATION_FILE, CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN,
    clap_preset_discovery_factory, clap_preset_discovery_filetype, clap_preset_discovery_indexer,
    clap_preset_discovery_location, clap_preset_discovery_metadata_receiver,
};
use clap_sys::universal_plugin_id::clap_universal_plugin_id;
use clap_sys::version::CLAP_VERSION;
use host::Rig;
use std::ffi::{CStr, c_char};
use tritank_dsp::factory::PATCHES;
use tritank_dsp::knobs::Knob;

/// What the preset discovery of this host's was told, by name and key.
struct Found(Vec<(String, String)>, u32);

unsafe extern "C" fn begin_preset(
    receiver: *const clap_preset_discovery_metadata_receiver,
    name: *const c_char,
    key: *const c_char,
) -> bool {
    // SAFETY: the test's own receiver, and C strings.
    unsafe {
        let found = &mut *(*receiver).receiver_data.cast::<Found>();
        found.0.push([name, key].map(|text| CStr::from_ptr(text).to_str().unwrap().to_owned()).into());
    }
    true
}

unsafe extern "C" fn add_plugin_id(
    receiver: *const clap_preset_discovery_metadata_receiver,
    id: *const clap_universal_plugin_id,
) {
    // SAFETY: the test's own receiver, and C strings.
    unsafe {
        assert_eq!((CStr::from_ptr((*id).abi), CStr::from_ptr((*id).id)), (c"clap", c"tritank.formant-voice"));
        (*(*receiver).receiver_data.cast::<Found>()).1 += 1;
    }
}

unsafe extern "C" fn declare_filetype(
    _indexer: *const clap_preset_discovery_indexer,
    _kind: *const clap_preset_discovery_filetype,
) -> bool {
    true
}

/// A folder of the user's own may be another place; `clap_own_patches` looks into that.
unsafe extern "C" fn declare_location(
    indexer: *const clap_preset_discovery_indexer,
    place: *const clap_preset_discovery_location,
) -> bool {
    // SAFETY: the test's own indexer, and a place that is good for the call.
    unsafe {
        let in_plugin = (*place).kind == CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN;
        assert_eq!(in_plugin, (*place).location.is_null());
        *(*indexer).indexer_data.cast::<u32>() += u32::from(in_plugin);
    }
    true
}

#[test]
fn patches_that_come_with_the_plugin_are_found_and_loaded() {
    let mut found = Found(Vec::new(), 0);
    let mut places = 0u32;
    let no_text = c"".as_ptr();
    let indexer = clap_preset_discovery_indexer {
        clap_version: CLAP_VERSION,
        name: no_text,
        vendor: no_text,
        url: no_text,
        version: no_text,
        indexer_data: (&raw mut places).cast(),
        declare_filetype: Some(declare_filetype),
        declare_location: Some(declare_location),
        declare_soundpack: None,
        get_extension: None,
    };
    let receiver = clap_preset_discovery_metadata_receiver {
        receiver_data: (&raw mut found).cast(),
        on_error: None,
        begin_preset: Some(begin_preset),
        add_plugin_id: Some(add_plugin_id),
        set_soundpack_id: None,
        set_flags: None,
        add_creator: None,
        set_description: None,
        set_timestamps: None,
        add_feature: None,
        add_extra_info: None,
    };
    // SAFETY: the calls of a host, in their order; indexer and receiver live to the end.
    unsafe {
        let get_factory = tritank::entry::clap::clap_entry.get_factory.unwrap();
        let factory = get_factory(CLAP_PRESET_DISCOVERY_FACTORY_ID.as_ptr()).cast::<clap_preset_discovery_factory>();
        assert_eq!((*factory).count.unwrap()(factory), 1);
        let id = (*(*factory).get_descriptor.unwrap()(factory, 0)).id;
        assert!((*factory).get_descriptor.unwrap()(factory, 1).is_null());
        assert!((*factory).create.unwrap()(factory, &raw const indexer, c"another".as_ptr()).is_null());
        let provider = (*factory).create.unwrap()(factory, &raw const indexer, id);
        assert!((*provider).init.unwrap()(provider));
        let tell = (*provider).get_metadata.unwrap();
        assert!(tell(provider, CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN, std::ptr::null(), &raw const receiver));
        assert!(!tell(provider, CLAP_PRESET_DISCOVERY_LOCATION_FILE, c"/".as_ptr(), &raw const receiver));
        (*provider).destroy.unwrap()(provider);
    }
    assert_eq!((places, found.1 as usize), (1, PATCHES.len()));
    assert_eq!(
        found.0.iter().map(|(_, key)| key.as_str()).collect::<Vec<_>>(),
        PATCHES.iter().map(|factory| factory.name).collect::<Vec<_>>()
    );

    let mut rig = Rig::in_process();
    let untouched = rig.save();
    let mut load = |kind, key: Option<&CStr>| {
        let plugin = std::ptr::from_ref(rig.instance.raw_instance());
        // SAFETY: a live plugin on its main thread; null or C strings.
        let loaded = unsafe {
            let load = (*plugin).get_extension.unwrap()(plugin, CLAP_EXT_PRESET_LOAD.as_ptr());
            let load = (*load.cast::<clap_plugin_preset_load>()).from_location.unwrap();
            load(plugin, kind, std::ptr::null(), key.map_or(std::ptr::null(), CStr::as_ptr))
        };
        (loaded, rig.save())
    };
    for (kind, key) in [
        (CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN, Some(c"no such patch")),
        (CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN, None),
        (CLAP_PRESET_DISCOVERY_LOCATION_FILE, Some(c"organ-insert")),
    ] {
        assert!(load(kind, key) == (false, untouched.clone()), "{key:?}");
    }
    for factory in PATCHES {
        let key = std::ffi::CString::new(factory.name).unwrap();
        let (loaded, state) = load(CLAP_PRESET_DISCOVERY_LOCATION_PLUGIN, Some(&key));
        assert!(loaded, "{}", factory.name);
        let state = serde_json::from_slice(&state[8..]).unwrap();
        let patch = tritank::panel::patch_of(&state).unwrap();
        assert_eq!((&patch.board, &patch.keys), (&factory.patch().board, &factory.patch().keys), "{}", factory.name);
        for &knob in Knob::ALL {
            let (now, wanted) = (patch.settings.get(knob), factory.patch().settings.get(knob));
            assert!((knob.travel(now) - knob.travel(wanted)).abs() < 1e-6, "{}: {}", factory.name, knob.id());
        }
    }
}
