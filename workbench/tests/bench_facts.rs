//! What the bench says to programs and to people.

mod bench;

use bench::Bench;
use std::fmt::Write as _;
use tritank_dsp::board::Board;
use tritank_dsp::knobs::Knob;

fn numbers(value: &serde_json::Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

#[test]
fn without_a_command_the_bench_shows_what_it_can_do() {
    let bench = Bench::new();
    let welcome = bench.well("");
    for command in ["board", "response", "render", "circuit", "tune"] {
        assert!(welcome.contains(&format!("tritank {command}")), "{welcome}");
        let help = bench.well(&format!("{command} --help"));
        assert!(help.contains("Example") && help.contains("JSON"), "{help}");
    }
    assert!(bench.well("--version").starts_with("tritank "));
}

#[test]
fn the_circuit_says_every_element_and_follows_codes_and_knobs() {
    let bench = Bench::new();
    let circuit = bench.facts("circuit");
    let elements = circuit["elements"].as_array().unwrap();
    assert!(elements.len() > 50 && elements.iter().all(|e| e["kind"].is_string() && e["name"].is_string()));
    for tap in ["tap1", "tap2", "tap3"] {
        assert_eq!(circuit["taps"][tap].as_array().unwrap().len(), 2);
    }
    let closed = |line: &str| -> Vec<String> {
        let circuit = bench.facts(line);
        let elements = circuit["elements"].as_array().unwrap().clone();
        let switches = elements.iter().filter(|e| e["kind"] == "switch" && e["closed"] == true);
        switches.map(|e| e["line"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(closed("circuit --json --code 5,0,8"), ["1.0", "1.2", "3.3"]);
    assert_eq!(closed("circuit --set stage1.switch1=on --set stage1.code=3"), ["1.0"]);
    assert_eq!(closed("circuit --set stage1.switch1=on --code 2,0,0"), ["1.1"]);
    let rail = bench.facts("circuit --set unit.supply=1.5V");
    let supply = rail["elements"].as_array().unwrap().iter().find(|e| e["name"] == "supply").unwrap().clone();
    assert_eq!(supply["volts"], 1.5);
}

#[test]
fn a_board_written_is_the_board_read() {
    let bench = Bench::new();
    let text = bench.well("board");
    assert_eq!(Board::from_toml(&text), Ok(Board::built_in()));
    assert_eq!(bench.well("board --write mine.toml"), "");
    assert_eq!(std::fs::read_to_string(bench.path("mine.toml")).unwrap(), text);
    assert_eq!(bench.well("board --board mine.toml"), text);
    assert_eq!(bench.facts("board --write other.toml --json")["written"], "other.toml");
    assert_eq!(bench.facts("board --json")["stage1"]["coil"]["inductance"], "500 mH");
}

#[test]
fn the_response_is_the_same_in_every_form() {
    let bench = Bench::new();
    let facts = bench.facts("response --code 5,9,2 --points 50 --json");
    assert_eq!(facts["codes"], serde_json::json!([5, 9, 2]));
    let hertz = numbers(&facts["frequencies_hz"]);
    assert_eq!((hertz.len(), hertz[0].round(), hertz[49].round()), (50, 20.0, 20e3));

    let mut csv =
        csv::Reader::from_reader(std::io::Cursor::new(bench.well("response --code 5,9,2 --points 50 --format csv")));
    let header: Vec<_> = csv.headers().unwrap().iter().map(str::to_owned).collect();
    assert_eq!(header[..3], ["hz", "stage1_db", "stage1_degrees"]);
    assert_eq!(header[12], "tap3_degrees");
    for (n, row) in csv.records().enumerate() {
        let row: Vec<f64> = row.unwrap().iter().map(|cell| cell.parse().unwrap()).collect();
        approx::assert_relative_eq!(row[0], hertz[n], max_relative = 1e-14);
        let told = [("stages", 0, "magnitude_db", 1), ("taps", 2, "phase_degrees", 12)];
        for (rows, row_number, key, column) in told {
            // The reader of JSON, not its writer, may be off in the last bit.
            let told = numbers(&facts[rows][row_number][key])[n];
            approx::assert_relative_eq!(row[column], told, max_relative = 1e-14);
        }
    }

    let table = bench.well("response --code 5,9,2");
    let peak = facts["stages"][1]["peak_hz"].as_f64().unwrap();
    assert!(table.contains(&format!("{peak:.1} Hz")), "{table}");

    assert_eq!(bench.well("response --code 5,9,2 --points 50 --out r.json"), "");
    let written: serde_json::Value = serde_json::from_slice(&std::fs::read(bench.path("r.json")).unwrap()).unwrap();
    assert_eq!(written, facts);
    bench.well("response --code 5,9,2 --out r.svg");
    let svg = std::fs::read_to_string(bench.path("r.svg")).unwrap();
    assert!(svg.starts_with("<svg ") && svg.contains("codes 5, 9, 2") && svg.contains("frequency, Hz"));
    bench.well("response --code 5,9,2 --out r.png");
    assert!(std::fs::read(bench.path("r.png")).unwrap().starts_with(b"\x89PNG"));
    assert_eq!(bench.names(), ["r.json", "r.png", "r.svg"]);
}

/// More capacitance, lower pitch: each stage's peak falls with every capacitor that a code adds.
#[test]
fn every_code_of_every_stage_is_told_and_more_capacitance_is_lower() {
    let bench = Bench::new();
    let facts = bench.facts("response --all --points 2 --json");
    let stages = facts["stages"].as_array().unwrap();
    assert_eq!(stages.len(), 48);
    assert!(facts["taps"].is_null());
    let peak = |stage: u64, code: u64| {
        let row = stages.iter().find(|row| row["stage"] == stage && row["code"] == code).unwrap();
        row["peak_hz"].as_f64().unwrap()
    };
    for stage in 1..=3 {
        for code in 0..16 {
            for bit in (0..4).filter(|bit| code >> bit & 1 == 0) {
                assert!(peak(stage, code | 1 << bit) < peak(stage, code), "stage {stage}, code {code}, line {bit}");
            }
        }
    }
    let one = bench.facts("response --code 0,6,0 --json");
    approx::assert_relative_eq!(one["stages"][1]["peak_hz"].as_f64().unwrap(), peak(2, 6), max_relative = 1e-14);
    let csv = bench.well("response --all --points 2 --format csv");
    assert_eq!(csv.lines().count(), 1 + 48 * 2);
}

/// The list says what the table of knobs says, and every text in it is taken by `--set`.
#[test]
fn knobs_are_listed_by_beginning_or_word_and_take_what_the_list_says() {
    let bench = Bench::new();
    let all = bench.facts("knobs --json");
    let ids = |list: &serde_json::Value| -> Vec<String> {
        list.as_array().unwrap().iter().map(|knob| knob["id"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(ids(&all), Knob::ALL.iter().map(|knob| knob.id()).collect::<Vec<_>>());
    let mut taken = String::new();
    for knob in all.as_array().unwrap() {
        let texts = knob["texts"].as_array().unwrap().iter().chain([&knob["default"]]);
        for text in texts.map(|text| text.as_str().unwrap().replace(' ', "")) {
            let _ = write!(taken, " --set {}={text}", knob["id"].as_str().unwrap());
        }
    }
    bench.well(&format!("circuit{taken}"));

    let rate = &bench.facts("knobs exciter.rate --json")[0];
    assert_eq!(rate["name"], "Exciter Rate");
    assert_eq!((&rate["allowed"], &rate["default"]), (&"20 Hz to 2 kHz".into(), &"110 Hz".into()));
    assert_eq!((&rate["unit"], &rate["low"], &rate["high"]), (&"Hz".into(), &20.0.into(), &2000.0.into()));
    let stage2 = ids(&bench.facts("knobs stage2 --json"));
    assert!(stage2.len() == 10 && stage2.iter().all(|id| id.starts_with("stage2.")), "{stage2:?}");
    // No name begins so: whatever is named or explained by the word.
    let pitch = ids(&bench.facts("knobs PITCH --json"));
    assert!(pitch.contains(&"exciter.pitch".into()) && pitch.contains(&"exciter.soft_gate".into()), "{pitch:?}");
    let told = bench.well("knobs");
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
    let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    for knob in Knob::ALL {
        let row = format!("{} {} {}", knob.id(), knob.allowed(), knob.write(knob.default_value()));
        assert!(words(&told).contains(&row) && words(&told).contains(knob.what()), "{row}");
    }
    let refused = bench.refused("knobs stage4");
    assert!(refused.contains("\"stage4\"") && refused.contains("stage1, stage2, stage3"), "{refused}");
    for line in ["circuit --set stage1.swich2=on", "circuit --set stage7.code=1", "tune --rate 110 --set suply=1.5"] {
        assert!(bench.refused(line).contains("`tritank knobs`"), "{line}");
    }
    assert!(bench.well("render --help").contains("`tritank knobs`"));
}

/// `tritank … | head -1`: a reader that has seen enough is no fault, whichever command prints, and nor is one that has closed
/// standard error.
#[test]
fn a_closed_pipe_ends_every_command_quietly() {
    let bench = Bench::new();
    bench.put("steps.csv", "seconds,line,state\n0.5,1.2,on\n");
    bench.put("plan.json", r#"{"codes":[{"vowel":"i","group":"men","code":[1,2,3],"target":[300,2300,3000]}]}"#);
    for line in [
        "",
        "--help",
        "--version",
        "knobs --help",
        "knobs",
        "knobs --json",
        "board",
        "plan --kind parallel --series E6",
        "keys --plan plan.json --out keys.toml",
        "response",
        "response --all --format csv",
        "response --format png",
        "render --seconds 0.1 --rate 8000 --quality 1 --out a.wav",
        "gates --lines steps.csv --midi gates.mid",
        "patches",
        "patches talking-riff",
        "preset --all presets",
        "circuit",
        "sheet --units 100 --out sheet.html --json",
        "tune --l 80m --f 2600",
    ] {
        let output = bench.with_closed(line, true, false);
        let told = String::from_utf8(output.stderr).unwrap();
        assert!(output.status.success(), "{line}: {told}");
        assert!(told.lines().all(|row| row.starts_with("tritank: note: ")), "{line}: {told}");
        let also_deaf = bench.with_closed(&line.replace("keys.toml", "again.toml"), true, true);
        assert!(also_deaf.status.success(), "{line}");
    }
    assert_eq!(bench.with_closed("sing", false, true).status.code(), Some(2));
    assert_eq!(bench.with_closed("tune", false, true).status.code(), Some(2));
}
