//! The built CLAP file's patches in a host: found by preset discovery, and loaded; the interface is CLAP 1.2's.

mod host;

use host::Rig;
use host::presets::{Location, load, look};
use std::path::{Path, PathBuf};
use tritank_dsp::factory::PATCHES;
use tritank_dsp::knobs::Knob;

#[test]
fn patches_that_come_with_the_plugin_are_found_and_loaded() {
    // A folder of the user's own may be another place; `clap_own_patches` looks into that.
    let told = look(|places| {
        assert_eq!(places.iter().filter(|place| place.folder.is_none()).count(), 1);
        vec![None, Some(PathBuf::from("/"))]
    });
    let keys: Vec<_> = told.presets.iter().map(|(_, key)| key.as_deref()).collect();
    assert_eq!(keys, PATCHES.iter().map(|factory| Some(factory.name)).collect::<Vec<_>>());
    assert_eq!(told.plugins, vec![["clap", "tritank.formant-voice"]; PATCHES.len()]);

    let mut rig = Rig::in_process();
    let untouched = rig.save();
    let folder = Location::File(Some(Path::new("/")));
    for (place, key) in [
        (Location::Plugin, Some("no such patch")),
        (Location::Plugin, None),
        (Location::File(None), Some("organ-insert")),
        (folder, Some("organ-insert")),
    ] {
        assert!(load(&mut rig, place, key) == (false, untouched.clone()), "{key:?}");
    }
    for factory in PATCHES {
        let (loaded, state) = load(&mut rig, Location::Plugin, Some(factory.name));
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
