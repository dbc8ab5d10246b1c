//! A song and patterns on the built bench: heard in tune and in time, and refused when they are broken.

mod bench;

use bench::Bench;
use hound::WavReader;

/// One track of format 0, 96 ticks a quarter at 120 a minute: key 57 for a second.
fn song() -> Vec<u8> {
    of_track(&[0, 0x90, 57, 100, 0x81, 0x40, 0x80, 57, 0, 0, 0xff, 0x2f, 0])
}

fn of_track(track: &[u8]) -> Vec<u8> {
    let mut file = b"MThd\0\0\0\x06\0\0\0\x01\0\x60MTrk\0\0\0".to_vec();
    file.push(track.len() as u8);
    file.extend(track);
    file
}

const PATCH: &str = "patch = 1
[knobs]
\"exciter.pitch\" = \"keys\"
\"exciter.level\" = 0.5
[keys.rows.57]
code = [5, 3, 0]
[patterns]
tempo = 60
[patterns.lanes.\"1.1\"]
steps = \"x..\"
rate = \"1/4\"
gate = 1.0
";

fn taps(bench: &Bench, name: &str) -> Vec<Vec<f64>> {
    let samples: Vec<f64> =
        WavReader::open(bench.path(name)).unwrap().samples::<f32>().map(|x| f64::from(x.unwrap())).collect();
    (0..4).map(|n| samples.iter().skip(n).step_by(4).copied().collect()).collect()
}

/// 220 Hz is key 57 (MIDI Tuning: 440·2^((57 − 69)/12)); the song ends after a second.
#[test]
fn a_song_plays_the_exciter_in_tune_for_as_long_as_it_lasts() {
    let bench = Bench::new();
    bench.put("song.mid", song());
    bench.put("patch.toml", PATCH);
    let facts = bench.facts("render --keys song.mid --patch patch.toml --rate 48000 --out a.wav --taps t.wav --json");
    assert_eq!((facts["frames"].as_u64(), facts["messages_beyond_end"].as_u64()), (Some(48_000), Some(0)));
    let short = bench.facts("render --keys song.mid --patch patch.toml --seconds 0.5 --out a.wav --json");
    assert_eq!(short["messages_beyond_end"], 1);
    bench.well("render --keys song.mid --patch patch.toml --rate 48000 --out a.wav --taps t.wav");
    let pulse = &taps(&bench, "t.wav")[0];
    let half = 0.5 * pulse.iter().copied().fold(0.0, f64::max);
    let rises: Vec<f64> = (1..pulse.len())
        .filter(|&n| pulse[n - 1] < half && pulse[n] >= half)
        .map(|n| n as f64 + (half - pulse[n - 1]) / (pulse[n] - pulse[n - 1]))
        .collect();
    let hertz = (rises.len() - 1) as f64 * 48e3 / (rises[rises.len() - 1] - rises[0]);
    assert!((1200.0 * (hertz / 220.0).log2()).abs() < 1.0, "{hertz}");

    // The same by hand: the row's code, and the lane at the song's 120 a minute, quarters of 24000 frames.
    let flat = "patch = 1\n[knobs]\n\"exciter.pitch\" = \"keys\"\n\"exciter.level\" = 0.5\n";
    bench.put("flat.toml", flat);
    bench.put("lines.csv", "seconds,line,state\n0,1.0,1\n0,1.2,1\n0,2.0,1\n0,2.1,1\n0,1.1,1\n0.5,1.1,0\n");
    bench.well("render --keys song.mid --patch flat.toml --lines lines.csv --rate 48000 --out b.wav --taps u.wav");
    assert!(taps(&bench, "t.wav") == taps(&bench, "u.wav"), "keys and lanes are not where a score has them");
}

#[test]
fn without_a_song_patterns_run_at_the_tempo_of_the_patch() {
    let bench = Bench::new();
    bench.put("patch.toml", PATCH);
    bench.put("flat.toml", "patch = 1\n");
    bench.put("lines.csv", "seconds,line,state\n0,1.1,1\n1,1.1,0\n");
    let input = "--set exciter.pitch=knob --set exciter.level=0.5 --rate 8000 --seconds 1.5";
    bench.well(&format!("render --patch patch.toml {input} --out a.wav --taps t.wav"));
    bench.well(&format!("render --patch flat.toml {input} --lines lines.csv --out b.wav --taps u.wav"));
    assert!(taps(&bench, "t.wav") == taps(&bench, "u.wav"));
}

#[test]
fn broken_songs_and_tables_are_refused_with_their_place_and_nothing_is_written() {
    let bench = Bench::new();
    bench.put("song.mid", song());
    bench.put("short.mid", &song()[..30]);
    // A quarter in, a tempo of no time at all.
    bench.put("rush.mid", of_track(&[0x60, 0xff, 0x51, 3, 0, 0, 0, 0, 0xff, 0x2f, 0]));
    bench.put("still.mid", of_track(&[0, 0x90, 57, 100, 0, 0xff, 0x2f, 0]));
    bench.put("text.mid", "once upon a time");
    bench.put("lane.toml", PATCH.replace("1/4", "1/5"));
    bench.put("row.toml", PATCH.replace("[5, 3, 0]", "[5, 16, 0]"));
    for (line, place, given) in [
        ("--keys short.mid", "short.mid: track 1, byte 14", "no Standard MIDI File"),
        ("--keys text.mid", "text.mid: byte 0", "no header"),
        ("--keys rush.mid", "rush.mid: track 1, tick 96 (0.500 s)", "0 µs"),
        ("--keys none.mid", "none.mid", "no such file"),
        ("--keys still.mid", "still.mid", "a song of no length"),
        ("--keys song.mid --patch lane.toml", "lane.toml: patterns.lanes.1.1.rate", "\"1/5\""),
        ("--keys song.mid --patch row.toml", "row.toml: keys.rows.57.code", "[5, 16, 0]"),
    ] {
        let told = bench.refused(&format!("render {line} --out a.wav"));
        assert!(told.contains(place) && told.contains(given), "{told}");
    }
    for line in ["--keys short.mid", "--keys rush.mid"] {
        let told = bench.refused(&format!("gates {line} --midi a.mid"));
        assert!(told.contains(".mid: track 1, ") && told.contains("allowed"), "{told}");
    }
    let told = bench.refused("render --keys song.mid --out song.mid");
    assert!(told.contains("as input and as output"), "{told}");
}

#[test]
fn the_vowels_of_a_plan_lie_on_keys() {
    let bench = Bench::new();
    let row = |vowel: &str, group: &str, code: [u8; 3]| serde_json::json!({ "vowel": vowel, "group": group, "code": code, "target": [300, 2300, 3000] });
    let codes = [row("i", "men", [1, 2, 3]), row("a", "men", [15, 0, 8]), row("i", "women", [4, 5, 6])];
    bench.put("plan.json", serde_json::json!({ "board": "x", "codes": codes }).to_string());
    let facts = bench.facts("keys --plan plan.json --first 60 --out all.toml --json");
    assert_eq!(facts["keys"][2], serde_json::json!({ "key": 62, "vowel": "i", "group": "women", "code": [4, 5, 6] }));
    bench.well("keys --plan plan.json --group women --patch all.toml --first 127 --out more.toml");
    let text = std::fs::read_to_string(bench.path("more.toml")).unwrap();
    let patch = tritank_dsp::patch::Patch::from_toml(&text, &tritank_dsp::board::Board::built_in()).unwrap();
    assert_eq!(
        [60, 61, 62, 127, 63].map(|key| patch.keys.row(key).lines),
        [Some(0x321), Some(0x80f), Some(0x654), Some(0x654), None]
    );
    let mixed = [row("i", "men", [1, 2, 3]), row("i", "women", [4, 5, 6]), row("a", "men", [15, 0, 8])];
    bench.put("mixed.json", serde_json::json!({ "codes": mixed }).to_string());
    bench.put("wide.json", serde_json::json!({ "codes": [row("i", "men", [1, 16, 3])] }).to_string());
    bench.put("text.json", "once upon a time");
    for (line, given) in [
        ("--plan wide.json --out b.toml", "[1, 16, 3]"),
        ("--plan text.json --out b.toml", "text.json: line 1, column 1: given what is no plan"),
        ("--plan mixed.json --group children --out b.toml", "\"children\", allowed is one of men, women\n"),
        ("--plan plan.json --out all.toml", "a name that is taken"),
    ] {
        let told = bench.refused(&format!("keys {line}"));
        assert!(told.contains(given) && told.contains("allowed"), "{told}");
    }
}

/// The codes of a plan mean its vowels on the board that was planned and on no other: the command says so.
#[test]
fn codes_laid_on_another_board_than_the_planned_are_remarked() {
    let bench = Bench::new();
    let plan = bench.well("plan --wiring 30p --out planned.toml --json");
    bench.put("plan.json", plan);
    for (board, other) in [("", true), ("--board planned.toml", false)] {
        let name = if other { "a.toml" } else { "b.toml" };
        let output = bench.run(&format!("keys --plan plan.json {board} --out {name}").replace("  ", " "));
        assert!(output.status.success());
        let told = String::from_utf8(output.stderr).unwrap();
        assert_eq!(told.contains("another board"), other, "{told}");
    }
}

/// A unit whose pulse is down and that hears nothing is silent, and the command says why.
#[test]
fn silence_is_remarked() {
    let bench = Bench::new();
    for (set, silent) in [("exciter.level=0", true), ("exciter.level=0.5", false)] {
        let output = bench.run(&format!("render --seconds 0.2 --rate 8000 --quality 1 --set {set} --out a.wav"));
        assert!(output.status.success());
        let told = String::from_utf8(output.stderr).unwrap();
        assert_eq!(told.contains("nothing is heard"), silent, "{told}");
    }
}

/// An exciter that is up and gives no pulse: the note says what it waits for, and its own words help.
#[test]
fn a_still_exciter_is_remarked_with_what_it_waits_for() {
    let bench = Bench::new();
    bench.put("song.mid", song());
    bench.put("mute.mid", of_track(&[0x60, 0xff, 0x2f, 0]));
    bench.well("patches --write choir.toml small-choir");
    // A sound that main in brings, so that it is not all silence.
    bench.well("render --set exciter.level=0.5 --rate 8000 --quality 1 --seconds 0.3 --out in.wav");
    let up = "render --set exciter.level=0.5 --rate 8000 --quality 1 --out a.wav --json";
    for (line, says) in [
        (
            "--seconds 0.3 --set exciter.pitch=keys",
            &["nothing is heard: keys give", "--keys", "exciter.pitch=knob"][..],
        ),
        ("--seconds 0.3 --set exciter.pitch=keys --in1 in.wav", &["keys give the exciter's pitch, and none is down"]),
        ("--seconds 0.3 --patch choir.toml --in1 in.wav", &["keys give the exciter's pitch, and none is down"]),
        ("--keys mute.mid --set exciter.pitch=keys", &["nothing is heard", "mute.mid strikes none"]),
        (
            "--seconds 0.3 --set unit.temperature=-10C --set exciter.rate=50Hz",
            &["nothing is heard", "-10 °C", "too cold for exciter.rate"],
        ),
        ("--seconds 0.3 --set exciter.hard_gate=on", &["nothing is heard", "soft or hard stops it"]),
        ("--seconds 0.3 --set stage1.pulse=0", &["nothing is heard: sound comes in with --in1"]),
        ("--keys song.mid --set exciter.pitch=keys", &[]),
        ("--seconds 0.3 --set exciter.pitch=knob", &[]),
        ("--seconds 0.3", &[]),
    ] {
        still(&bench, &format!("{up} {line}"), says, |note| !note.contains("has no notes"));
    }
}

/// What does not happen is told, with the reason and what helps, to a person and to a program.
#[test]
fn a_song_or_score_that_moves_nothing_is_remarked() {
    let bench = Bench::new();
    bench.put("song.mid", song());
    bench.put("patch.toml", PATCH);
    bench.put("keys.toml", "patch = 1\n[keys.rows.40]\ncode = [5, 3, 0]\n[keys.rows.45]\ncode = [1, 0, 0]\n");
    bench.put("soft.toml", "patch = 1\n[keys]\nvelocity = 0.7\n[knobs]\n\"exciter.level\" = 0.5\n");
    bench.put("pedal.mid", of_track(&[0, 0xb0, 80, 127, 0x60, 0xff, 0x2f, 0]));
    bench.put("mute.mid", of_track(&[0x60, 0xff, 0x2f, 0]));
    bench.put("none.csv", "seconds,line,state\n");
    bench.put("off.csv", "seconds,line,state\n0.1,1.2,off\n0.2,hard,0\n");
    bench.put("late.csv", "seconds,line,state\n3,1.2,on\n");
    bench.put("steps.csv", "seconds,line,state\n0.1,1.2,on\n");
    let render = "render --rate 8000 --quality 1 --out a.wav --json";
    for (line, says) in [
        ("--keys song.mid", &["no key of the patch pulls a line", "--set exciter.pitch=keys"][..]),
        ("--keys song.mid --patch keys.toml", &["song.mid plays key 57", "keys 40 to 45", "exciter.pitch=keys"]),
        ("--keys mute.mid", &["mute.mid has no notes"]),
        ("--lines none.csv --seconds 1", &["none.csv has no edges"]),
        ("--lines off.csv --seconds 1", &["off.csv pulls no line"]),
        ("--lines late.csv --seconds 1", &["late.csv begins at 3 s", "--seconds"]),
        ("--keys song.mid --set exciter.pitch=keys", &[]),
        ("--keys song.mid --set exciter.chord=voices", &[]),
        // Velocity turns the pulse down, whatever gives the pitch.
        ("--keys song.mid --patch soft.toml", &[]),
        ("--keys song.mid --patch patch.toml", &[]),
        ("--keys mute.mid --patch patch.toml", &[]),
        ("--keys pedal.mid", &[]),
        ("--lines steps.csv --seconds 1", &[]),
    ] {
        still(&bench, &format!("{render} {line}"), says, |note| {
            ["nothing is heard", "beyond the end", "keys give the exciter's pitch"]
                .iter()
                .all(|other| !note.contains(other))
        });
    }
    for (line, says) in [
        ("", &["no line moves in 1.0 s", "nothing pulls", "--lines", "--keys", "--patch"][..]),
        ("--keys song.mid --seconds 12", &["no line moves in 12.0 s", "no key of the patch pulls a line"]),
        ("--keys song.mid --patch keys.toml", &["song.mid plays key 57", "keys 40 to 45"]),
        ("--lines none.csv", &["none.csv has no edges"]),
        ("--lines off.csv --keys song.mid", &["off.csv pulls no line", "no key of the patch"]),
        ("--lines late.csv --seconds 1", &["no line moves in 1.0 s: --seconds takes more"]),
        ("--lines steps.csv --channels 1.1,soft", &["what moves is 1.2", "--channels"]),
        ("--keys song.mid --patch patch.toml", &[]),
        ("--keys song.mid --set exciter.pitch=keys", &[]),
        ("--keys pedal.mid", &[]),
        ("--lines steps.csv", &[]),
    ] {
        still(&bench, &format!("gates --midi a.mid --json {line}"), says, |note| note.starts_with("no line moves"));
    }
}

/// The notes of a command that are of a kind: one with all these words, or none where there are none to say.
fn still(bench: &Bench, line: &str, says: &[&str], kind: impl Fn(&str) -> bool) {
    let output = bench.run(line);
    let told = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success(), "{line}: {told}");
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let notes: Vec<_> = document["notes"].as_array().unwrap().iter().map(|note| note.as_str().unwrap()).collect();
    for note in &notes {
        assert!(told.contains(&format!("tritank: note: {note}\n")), "{line}: {note} is not in {told}");
    }
    let notes: Vec<_> = notes.into_iter().filter(|note| kind(note)).collect();
    assert_eq!(notes.len(), usize::from(!says.is_empty()), "{line}: {notes:?}");
    assert!(says.iter().all(|word| notes[0].contains(word)), "{line}: {notes:?}");
}

/// Keys of a plan on a new unit pull lines and sound nothing: the note says so, and its own words help.
#[test]
fn keys_that_will_be_silent_are_remarked_with_what_helps() {
    let bench = Bench::new();
    bench.put("plan.json", r#"{"codes":[{"vowel":"i","group":"men","code":[1,2,3],"target":[300,2300,3000]}]}"#);
    bench.put("song.mid", of_track(&[0, 0x90, 48, 100, 0x60, 0x80, 48, 0, 0, 0xff, 0x2f, 0]));
    let mut helps = String::new();
    for (n, (set, says)) in [
        ("", &["the patch is silent", "--set exciter.level=0.6 --set exciter.pitch=keys"][..]),
        (
            "--set exciter.level=0.3 --set stage1.pulse=0",
            &["silent", "--set stage1.pulse=0.4 --set exciter.pitch=keys"],
        ),
        ("--set exciter.level=0.3", &["exciter.rate 110 Hz", "--set exciter.pitch=keys"]),
        ("--set exciter.level=0.3 --set exciter.pitch=keys", &[]),
    ]
    .into_iter()
    .enumerate()
    {
        let line = format!("keys --plan plan.json --out {n}.toml --json {set}");
        still(&bench, &line, says, |_| true);
        if n == 0 {
            let render = |patch: &str| {
                let facts = bench.facts(&format!(
                    "render --keys song.mid --patch {patch} --rate 8000 --quality 1 --out a.wav --json"
                ));
                facts["peak_volts"][0].as_f64().unwrap()
            };
            assert!(render("0.toml") < 1e-6);
            says[1].clone_into(&mut helps);
            bench.well(&format!("keys --plan plan.json --out helped.toml {helps}"));
            assert!(render("helped.toml") > 1e-3);
        }
    }
}
