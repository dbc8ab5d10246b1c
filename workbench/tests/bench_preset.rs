//! Preset files for VST3 hosts: the file by the layout that the standard publishes, read here without the writer's numbers,
//! and the patch in it. What the plugin and its hosts make of it is checked in `tests/`.

mod bench;

use bench::Bench;
use std::collections::BTreeMap;
use tritank_dsp::board::Board;
use tritank_dsp::factory::PATCHES;
use tritank_dsp::knobs::Knob;
use tritank_dsp::patch::Patch;

/// A file of the layout in "Preset Format" (VST 3 documentation, "VST 3 Locations / Format"): class id and chunks by id.
/// Byte order, version 1, and that chunks follow one another: `vstpresetfile.cpp` of the standard's public sources.
fn read(file: &[u8]) -> (String, BTreeMap<String, Vec<u8>>) {
    let text = |from: usize, length: usize| String::from_utf8(file[from..from + length].to_vec()).unwrap();
    let int32 = |from: usize| i32::from_le_bytes(file[from..from + 4].try_into().unwrap());
    let int64 = |from: usize| i64::from_le_bytes(file[from..from + 8].try_into().unwrap()) as usize;
    assert_eq!((text(0, 4).as_str(), int32(4)), ("VST3", 1));
    let class_id = text(8, 32);
    let list = int64(40);
    assert_eq!(text(list, 4), "List");
    let count = int32(list + 4) as usize;
    let mut chunks = BTreeMap::new();
    let mut end = 48;
    for n in 0..count {
        let entry = list + 8 + 20 * n;
        let (place, size) = (int64(entry + 4), int64(entry + 12));
        assert_eq!(place, end, "chunks in order, with nothing between");
        end = place + size;
        assert!(chunks.insert(text(entry, 4), file[place..end].to_vec()).is_none(), "a chunk twice");
    }
    assert_eq!(end, list, "the list follows the last chunk");
    assert_eq!(file.len(), list + 8 + 20 * count, "nothing follows the list");
    (class_id, chunks)
}

/// The patch in the state of a preset.
fn patch(file: &[u8]) -> Patch {
    let (class_id, chunks) = read(file);
    assert!(class_id.bytes().all(|digit| digit.is_ascii_digit() || (b'A'..=b'F').contains(&digit)), "{class_id}");
    assert_eq!(chunks.keys().collect::<Vec<_>>(), ["Comp"]);
    let state: serde_json::Value = serde_json::from_slice(&chunks["Comp"]).unwrap();
    Patch::from_toml(state["fields"]["patch"].as_str().unwrap(), &Board::built_in()).unwrap()
}

#[test]
fn a_preset_for_every_patch_that_comes_with_the_program() {
    let bench = Bench::new();
    let told = bench.well("preset --all for/hosts");
    let names: Vec<_> = PATCHES.iter().map(|factory| format!("{}.vstpreset", factory.title())).collect();
    let there = std::fs::read_dir(bench.path("for/hosts")).unwrap().count();
    assert_eq!((told.lines().count(), there), (names.len(), names.len()), "{told}");
    for (factory, name) in PATCHES.iter().zip(&names) {
        assert!(told.contains(name), "{told}");
        let file = std::fs::read(bench.path("for/hosts").join(name)).unwrap();
        assert_eq!(patch(&file), factory.patch(), "{name}");
    }
}

#[test]
fn a_preset_of_ones_own_patch_on_ones_own_board() {
    let bench = Bench::new();
    let mut own = Patch::new(Board::built_in());
    own.board.name = "Ours — 3 V".into();
    own.settings.set(Knob::Stage2Link, 0.3);
    bench.put("own.toml", own.to_toml());
    let told =
        bench.facts("preset --patch own.toml --set exciter.rate=97.3Hz --code 5,0,12 --out own.vstpreset --json");
    assert_eq!(told["written"], serde_json::json!(["own.vstpreset"]));
    let mut wanted = own.clone();
    wanted.settings.set(Knob::ExciterRate, 97.3);
    wanted.settings.set(Knob::Stage1Code, 5.0);
    wanted.settings.set(Knob::Stage3Code, 12.0);
    assert_eq!(patch(&std::fs::read(bench.path("own.vstpreset")).unwrap()), wanted);
    // Another take on the same name.
    bench.well("preset --patch own.toml --out own.vstpreset");
    assert_eq!(patch(&std::fs::read(bench.path("own.vstpreset")).unwrap()), own);
}

#[test]
fn what_is_no_preset_is_refused() {
    let bench = Bench::new();
    bench.put("own.toml", Patch::new(Board::built_in()).to_toml());
    bench.put("broken.toml", "patch = 7\n");
    bench.put("taken", "a file, no folder");
    for (line, says) in [
        ("preset", "--out"),
        ("preset --patch own.toml --out own.preset", "allowed is .vstpreset"),
        ("preset --patch own.toml --out own.toml", "own.toml"),
        ("preset --patch broken.toml --out own.vstpreset", "broken.toml"),
        ("preset --patch own.toml --out lost/own.vstpreset", "lost/own.vstpreset"),
        ("preset --all taken", "taken: --all taken: given a file, allowed is a folder"),
        ("preset --all taken/for/hosts", "taken: --all taken/for/hosts: given a file, allowed is a folder"),
        ("preset --all presets --patch own.toml", "--patch"),
    ] {
        let told = bench.refused(line);
        assert!(told.contains(says), "{line}: {told}");
    }
}
