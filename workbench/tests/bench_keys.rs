//! A song and patterns on the built bench: heard in tune and in time, and refused when they are broken.

mod bench;

use bench::Bench;
use hound::WavReader;

/// One track of format 0, 96 ticks a quarter at 120 a minute: key 57 for a second.
fn song() -> Vec<u8> {
    let track = [0, 0x90, 57, 100, 0x81, 0x40, 0x80, 57, 0, 0, 0xff, 0x2f, 0];
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
steps = \"x.\"
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
    assert_eq!((facts["frames"].as_u64(), facts["messages_beyond_end"].as_u64()), (Some(48_000), Some(1)));
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
    bench.put("text.mid", "once upon a time");
    bench.put("lane.toml", PATCH.replace("1/4", "1/5"));
    bench.put("row.toml", PATCH.replace("[5, 3, 0]", "[5, 16, 0]"));
    for (line, place, given) in [
        ("--keys short.mid", "short.mid", "no Standard MIDI File"),
        ("--keys text.mid", "text.mid: byte 0", "no header"),
        ("--keys none.mid", "none.mid", "no such file"),
        ("--keys song.mid --patch lane.toml", "lane.toml: patterns.lanes.1.1.rate", "\"1/5\""),
        ("--keys song.mid --patch row.toml", "row.toml: keys.rows.57.code", "[5, 16, 0]"),
    ] {
        let told = bench.refused(&format!("render {line} --out a.wav"));
        assert!(told.contains(place) && told.contains(given), "{told}");
    }
    let told = bench.refused("render --keys song.mid --out song.mid");
    assert!(told.contains("as input and as output"), "{told}");
}
