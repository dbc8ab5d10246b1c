//! The user's own patch files in a CLAP host: listed from the user's folder, and loaded from it. The interface is CLAP 1.2's, the
//! folder the one of VST 3, "Preset Locations". One test, since it moves its own home.
#![cfg(unix)]

mod host;

use clap_sys::factory::preset_discovery::CLAP_PRESET_DISCOVERY_IS_USER_CONTENT;
use host::Rig;
use host::presets::{Location, Place, Told, load, look};
use std::fs;
use std::path::PathBuf;
use tritank_dsp::factory::Factory;
use tritank_dsp::knobs::Knob;

/// Looks into every file of the user's folder, by name.
fn look_at_own() -> Told {
    look(|places| {
        let folders = places.iter().filter_map(|place| place.folder.as_ref());
        let mut files: Vec<PathBuf> =
            folders.flat_map(|folder| fs::read_dir(folder).unwrap()).map(|entry| entry.unwrap().path()).collect();
        files.sort();
        files.into_iter().map(Some).collect()
    })
}

#[test]
fn patches_in_the_user_s_folder_are_listed_and_loaded_and_what_is_none_is_refused() {
    let home = tempfile::tempdir().unwrap();
    // SAFETY: the one test of this program; no other thread asks for the environment.
    unsafe { std::env::set_var("HOME", home.path()) };
    let presets = if cfg!(target_os = "macos") { "Library/Audio/Presets" } else { ".vst3/presets" };
    let folder = home.path().join(presets).join("Tritank/Tritank");

    let told = look_at_own();
    assert!(told.places.iter().all(|place| place.folder.is_none()), "a folder that is not there is no place");
    assert_eq!(told.endings, ["toml"]);

    let riff = Factory::find("talking-riff").unwrap();
    fs::create_dir_all(&folder).unwrap();
    fs::write(folder.join("Our riff.toml"), riff.toml.replacen("# ", "# Ours: ", 1)).unwrap();
    fs::write(folder.join("broken.toml"), "patch = 7\n").unwrap();
    fs::write(folder.join("board.toml"), tritank_dsp::board::Board::built_in().to_toml()).unwrap();
    let told = look_at_own();
    let own = Place { folder: Some(folder.clone()), flags: CLAP_PRESET_DISCOVERY_IS_USER_CONTENT };
    assert!(told.places.contains(&own), "{:?}", told.places);
    assert_eq!(told.presets, [("Our riff".to_owned(), None)], "a file with one patch has no key");
    assert_eq!(told.about, [format!("Ours: {} {}", riff.note(), riff.play())]);
    assert_eq!(told.wrong.len(), 2);
    assert!(told.wrong.iter().all(|what| what.contains(".toml: ")), "{:?}", told.wrong);

    let mut rig = Rig::in_process();
    let untouched = rig.save();
    for file in [Some(folder.join("broken.toml")), Some(folder.join("none.toml")), Some(folder.clone()), None] {
        assert!(load(&mut rig, Location::File(file.as_deref()), None) == (false, untouched.clone()), "{file:?}");
    }
    let (loaded, state) = load(&mut rig, Location::File(Some(&folder.join("Our riff.toml"))), None);
    assert!(loaded);
    let patch = tritank::panel::patch_of(&serde_json::from_slice(&state[8..]).unwrap()).unwrap();
    assert_eq!(patch.patterns, riff.patch().patterns);
    for &knob in Knob::ALL {
        let [now, wanted] = [&patch, &riff.patch()].map(|patch| knob.travel(patch.settings.get(knob)));
        assert!((now - wanted).abs() < 1e-6, "{}", knob.id());
    }
}
