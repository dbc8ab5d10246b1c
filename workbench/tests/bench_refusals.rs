//! What the bench is given wrong: one line with the file, the place, what was given and what is allowed; exit code 2;
//! nothing written.

mod bench;

use bench::Bench;
use hound::{SampleFormat, WavSpec, WavWriter};
use tritank_dsp::board::Board;

/// Every word that the line must say.
fn says(told: &str, words: &[&str]) {
    for word in words {
        assert!(told.contains(word), "\"{word}\" is not in: {told}");
    }
}

#[test]
fn a_broken_board_is_named_by_file_line_and_part() {
    let bench = Bench::new();
    let good = Board::built_in().to_toml();
    for (board, words) in [
        (good.replacen("\"3 V\"", "\"30 V\"", 1), &["line 5", "supply", "30 V", "1.2 V to 9 V"][..]),
        (good.replacen("\"500 mH\"", "\"500 mF\"", 1), &["stage1.coil.inductance", "500 mF", "allowed"]),
        (good.replacen("[click]", "[clack]", 1), &["clack"]),
        (good.replacen("version = 1", "version = 2", 1), &["line 2", "version", "given 2", "allowed is 1"]),
        (good[..good.len() / 2].to_owned(), &["bad.toml"]),
        (String::new(), &["bad.toml"]),
    ] {
        bench.put("bad.toml", board);
        for command in ["circuit", "response", "board", "render --seconds 1 --out a.wav"] {
            says(&bench.refused(&format!("{command} --board bad.toml")), &["bad.toml"]);
            says(&bench.refused(&format!("{command} --board bad.toml")), words);
        }
    }
    bench.put("bad.toml", b"name = \"\xfe\"");
    says(&bench.refused("board --board bad.toml"), &["bad.toml", "line 1", "UTF-8"]);
    says(&bench.refused("board --board lost.toml"), &["lost.toml", "no such file or folder"]);
    says(&bench.refused("board --board ."), &[".: given a folder, allowed is a file"]);
}

#[test]
fn a_broken_patch_knob_or_code_is_named_with_what_is_allowed() {
    let bench = Bench::new();
    bench.put("p.toml", "patch = 1\n[knobs]\n\"unit.supply\" = 20\n");
    says(&bench.refused("circuit --patch p.toml"), &["p.toml", "knobs.unit.supply", "20", "9 V"]);
    bench.put("p.toml", "patch = 1\n[knobs]\nstage1.pulse = 0.4\n");
    let hint = "a name with a dot stands in quotes";
    says(&bench.refused("circuit --patch p.toml"), &["p.toml: line 3", "\"stage1.pulse\" = 0.4", hint]);
    bench.put("p.toml", "patch = 1\n[patterns.lanes.1.2]\nsteps = \"x..\"\n");
    says(&bench.refused("circuit --patch p.toml"), &["p.toml: line 2", "[patterns.lanes.\"1.2\"]", hint]);
    bench.put("p.toml", "patch = 1\n[knobs]\n\"stage1.puls\" = 0.4\n");
    says(&bench.refused("circuit --patch p.toml"), &["knobs.stage1.puls", "stage1.pulse", "`tritank knobs`"]);
    bench.put("p.toml", "patch = 7\n");
    says(&bench.refused("circuit --patch p.toml"), &["p.toml", "given 7", "allowed is 1"]);
    bench.put("b.toml", Board::built_in().to_toml());
    says(&bench.refused("circuit --patch b.toml"), &["b.toml: given a board, allowed is a patch", "--board"]);
    says(&bench.refused("circuit --board p.toml"), &["p.toml: given a patch, allowed is a board", "--patch"]);
    let hint = "`tritank patches --write small-choir.toml small-choir`";
    says(&bench.refused("circuit --patch small-choir"), &["small-choir: there is no such file", hint]);
    assert!(!bench.refused("circuit --patch lost/small-choir").contains("tritank patches"));
    says(&bench.refused("circuit --set stage1.swich2=on"), &["stage1.swich2", "stage1.switch2"]);
    says(&bench.refused("circuit --set stage1.switch2"), &["stage1.switch2", "name=value"]);
    says(&bench.refused("circuit --set exciter.rate=5Hz"), &["exciter.rate", "5Hz", "20 Hz to 2 kHz"]);
    says(&bench.refused("circuit --code 1,2"), &["--code", "2 codes", "three"]);
    says(&bench.refused("circuit --code 1,2,16"), &["--code", "stage 3", "16", "0 to 15"]);
    says(&bench.refused("circuit --colour red"), &["--colour"]);
    says(&bench.refused("sing"), &["sing"]);
}

#[test]
fn a_sound_that_cannot_be_read_is_named_with_its_place() {
    let bench = Bench::new();
    let wav = |channels, sample_rate, bits_per_sample, frames: usize| {
        let spec = WavSpec { channels, sample_rate, bits_per_sample, sample_format: SampleFormat::Int };
        let mut writer = WavWriter::create(bench.path("in.wav"), spec).unwrap();
        (0..frames * usize::from(channels)).for_each(|_| writer.write_sample(1).unwrap());
        writer.finalize().unwrap();
        std::fs::read(bench.path("in.wav")).unwrap()
    };
    let whole = wav(1, 48_000, 16, 1000);
    for (bytes, words) in [
        (whole[..1044].to_vec(), &["data", "1000 frames", "a whole file"][..]),
        (whole[..20].to_vec(), &["header", "breaks off"]),
        (Vec::new(), &["header", "breaks off"]),
        (b"seconds,line,state\n".repeat(9), &["header", "no WAV file", "allowed is WAV"]),
        (wav(3, 48_000, 16, 10), &["header", "3 channels", "1 or 2"]),
        (wav(1, 4_000, 16, 10), &["header", "4000 Hz", "8000 Hz to 768000 Hz"]),
        (wav(1, 48_000, 8, 10), &["header", "8 bit", "16, 24 or 32 bit"]),
        (wav(1, 48_000, 16, 0), &["data", "no samples"]),
    ] {
        bench.put("in.wav", bytes);
        for jack in ["in1", "in2", "in3"] {
            let told = bench.refused(&format!("render --{jack} in.wav --out out.wav --taps taps.wav"));
            says(&told, &["in.wav: "]);
            says(&told, words);
        }
    }
    says(&bench.refused("render --in1 lost.wav --out out.wav"), &["lost.wav", "no such file or folder"]);
    for input in ["--in1", "--in2", "--in3", "--lines", "--keys", "--patch", "--board"] {
        says(
            &bench.refused(&format!("render {input} . --out out.wav")),
            &["tritank: .: given a folder, allowed is a file"],
        );
    }
}

#[test]
fn a_bad_cell_of_a_score_is_named_by_line_and_column() {
    let bench = Bench::new();
    for (score, words) in [
        ("seconds,line,state\n0,1.0,on\n0.5,1.4,on\n", &["line 3, column 2 (line)", "\"1.4\"", "1.0 to 1.3"][..]),
        ("seconds,line,state\nsoon,1.0,on\n", &["line 2, column 1 (seconds)", "\"soon\""]),
        ("seconds,line,state\n0,soft,half\n", &["line 2, column 3 (state)", "\"half\"", "on, off, 1 or 0"]),
        ("0,1.0,on\n", &["line 1", "seconds,line,state"]),
    ] {
        bench.put("steps.csv", score);
        let told = bench.refused("render --seconds 0.1 --lines steps.csv --out out.wav");
        says(&told, &["steps.csv: "]);
        says(&told, words);
    }
}

#[test]
fn a_file_that_cannot_be_written_is_refused_before_the_work() {
    let bench = Bench::new();
    bench.put("mine.toml", Board::built_in().to_toml());
    bench.put("steps.csv", "seconds,line,state\n");
    // Long enough that the test would not end if the work came first.
    let render = "render --seconds 4000 --lines steps.csv";
    says(&bench.refused(&format!("{render} --out lost/out.wav")), &["lost/out.wav", "no such file or folder"]);
    says(&bench.refused(&format!("{render} --out .")), &["a folder"]);
    says(&bench.refused(&format!("{render} --out out.mp3")), &["out.mp3", "\"mp3\"", "allowed is wav"]);
    says(&bench.refused(&format!("{render} --out out.wav --taps lost/taps.wav")), &["lost/taps.wav"]);
    says(&bench.refused(&format!("{render} --out out.wav --taps out.wav")), &["out.wav", "--taps"]);
    says(&bench.refused(&format!("{render} --out steps.csv")), &["steps.csv", "input"]);
    says(&bench.refused("render --seconds 900000 --out out.wav"), &["out.wav", "900000 s", "allowed in a WAV file"]);
    says(&bench.refused("response --out lost/r.svg"), &["lost/r.svg"]);
    says(&bench.refused("board --write mine.toml"), &["mine.toml", "taken"]);
    assert_eq!(std::fs::read_to_string(bench.path("mine.toml")).unwrap(), Board::built_in().to_toml());
    assert_eq!(bench.names(), ["mine.toml", "steps.csv"]);
}

#[test]
fn numbers_that_mean_nothing_are_refused_with_their_range() {
    let bench = Bench::new();
    for (line, words) in [
        ("render --out out.wav", &["no input", "--seconds"][..]),
        ("render --out out.wav --seconds 0", &["--seconds", "given 0"]),
        ("render --out out.wav --seconds=-3", &["--seconds", "given -3"]),
        ("render --out out.wav --seconds nan", &["--seconds", "NaN"]),
        ("render --out out.wav --seconds 1 --rate 100", &["--rate", "100"]),
        ("render --out out.wav --seconds 1 --quality 3", &["--quality", "1, 2, 4, 8, 16"]),
        ("render --seconds 1", &["--out"]),
        ("response --from 2000 --to 200", &["2000 Hz to 200 Hz", "lower first"]),
        ("response --points 1", &["--points", "given 1"]),
        ("response --out r.bmp", &["r.bmp", "\"bmp\"", "svg"]),
        ("response --format gif", &["gif", "svg"]),
    ] {
        says(&bench.refused(line), words);
    }
}
