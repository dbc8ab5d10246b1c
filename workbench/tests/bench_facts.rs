//! What the bench says to programs and to people.

mod bench;

use bench::Bench;
use tritank_dsp::board::Board;

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
