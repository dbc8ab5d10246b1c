//! `tritank plan` with coils of one's own: those chosen are on the board, and what cannot be planned is refused before the work.

mod bench;

use bench::Bench;

const TARGETS: &str = "name,f1_hz,f2_hz,f3_hz\nlow,300,900,2300\nhigh,700,1700,2900\nmid,450,1300,2600\n";
/// A wah's coil, a choke and two pot cores, as bags are marked.
const DRAWER: &str = "\
name,inductance,resistance,q,q_hz,quantity
wah,0.5H,70R,9,500,1
choke,1H2,300R,,,1
pot core,80m,,20,2k6,2
pot core,150 mH,35R,,,1
";

fn number(value: &serde_json::Value) -> f64 {
    value.as_f64().unwrap()
}

#[test]
fn the_chosen_coils_and_the_wiring_are_on_the_written_board() {
    let bench = Bench::new();
    bench.put("t.csv", TARGETS);
    bench.put("coils.csv", DRAWER);
    let pictures = "--picture planes.svg --responses vowels.svg";
    let line = format!("plan --targets t.csv --kind select --wiring 110p --out b.toml {pictures} --json");
    let plan = bench.facts(&format!("{line} --coils coils.csv --coil 1=0.6H,80R,9@500Hz"));
    let board = bench.facts("circuit --board b.toml");
    let element = |name: &str| {
        board["elements"].as_array().unwrap().iter().find(|element| element["name"] == name).unwrap().clone()
    };
    for (n, stage) in (1..).zip(plan["stages"].as_array().unwrap()) {
        assert_eq!(element(&format!("l{n}"))["henries"], stage["coil"]["inductance"]);
        assert_eq!(element(&format!("rs{n}"))["ohms"], stage["coil"]["resistance"]);
        assert_eq!(element(&format!("rp{n}"))["ohms"], stage["coil"]["core"]);
        let fixed = number(&element(&format!("cf{n}"))["farads"]);
        approx::assert_relative_eq!(fixed, number(&stage["fixed"]) + 110e-12, max_relative = 1e-12);
    }
    let coil = &plan["stages"][0]["coil"];
    assert_eq!((&coil["name"], number(&coil["inductance"]), number(&coil["resistance"])), (&().into(), 0.6, 80.0));
    // 1/Q = r/ωL + ωL/R at 500 Hz.
    let reactance = std::f64::consts::TAU * 500.0 * 0.6;
    approx::assert_relative_eq!(80.0 / reactance + reactance / number(&coil["core"]), 1.0 / 9.0, max_relative = 1e-9);
    let names: Vec<_> = (1..3).map(|n| plan["stages"][n]["coil"]["name"].as_str().unwrap()).collect();
    assert!(names.iter().all(|name| DRAWER.contains(*name)), "{names:?}");
    for row in plan["codes"].as_array().unwrap() {
        for stage in 0..3 {
            let [planned, q, width] = ["planned", "q", "bandwidth"].map(|key| number(&row[key][stage]));
            approx::assert_relative_eq!(width, planned / q, max_relative = 1e-12);
            // A switch only takes from a Q; a percent is left for the peak that moves with it.
            assert!(number(&row["q_ideal"][stage]) > 0.99 * q);
        }
    }
    assert_eq!(plan["stages"][2]["voice_bandwidth"], 185.0);
    let vowels = std::fs::read_to_string(bench.path("vowels.svg")).unwrap();
    assert!(["low", "high", "mid", "stage 3"].iter().all(|word| vowels.contains(word)));
}

#[test]
fn the_table_names_the_part_to_solder_and_the_width_of_every_peak() {
    let bench = Bench::new();
    bench.put("t.csv", TARGETS);
    let told = bench.well("plan --targets t.csv --kind select --series E6 --wiring 40p --coil 3=90m,30R");
    for word in [" + 40 pF wiring", "coil 90 mH", "width (Hz)", "130, 100 and 185 Hz wide (Bogert 1953)"] {
        assert!(told.contains(word), "\"{word}\" is not in: {told}");
    }
}

/// No plan can be made for a coil of 1 mH on stage 1: were a missing folder not told first, the coil would be.
#[test]
fn a_folder_that_is_missing_is_told_before_the_work_and_nothing_is_written() {
    let bench = Bench::new();
    for (line, words) in [
        ("--picture lost/p.svg --out b.toml", &["lost/p.svg", "no such file or folder"][..]),
        ("--responses lost/p.png --out b.toml", &["lost/p.png", "no such file or folder"]),
        ("--out lost/b.toml", &["lost/b.toml", "no such file or folder"]),
        ("--picture p.svg --responses p.svg", &["p.svg", "given twice"]),
        ("--out b.toml --picture p.svg", &["stage 1: target", "a coil of 1 mH reaches", "would do"]),
        ("--coil 1=2m", &["--coil", "stage 1 twice"]),
        ("--coil 2=0.5H,180", &["stage 1: target"]),
        ("--coil 2=0.5H,9@", &["--coil", "q_hz: given \"\""]),
        ("--wiring 1u", &["--wiring", "1u", "0 to 10 nF"]),
    ] {
        let told = bench.refused(&format!("plan --coil 1=1m {line}"));
        for word in words {
            assert!(told.contains(word), "\"{word}\" is not in: {told}");
        }
        assert_eq!(bench.names().len(), 0, "{line}");
    }
}

#[test]
fn a_hostile_drawer_is_refused_by_row_and_column_and_nothing_is_written() {
    let bench = Bench::new();
    for (text, says) in [
        ("inductance,quantity\n0.5H,three\n", "coils.csv: row 2, column quantity: given \"three\""),
        ("inductance,wire\n0.5H,3\n", "coils.csv: row 1, column 2: given \"wire\""),
        ("inductance\n80m\n150m\n", "coils.csv: given 2 coils, allowed are 3 at least"),
        ("inductance,quantity\n1m,9\n", "coils.csv: stage 1: no coil reaches every target; "),
        ("", "coils.csv: row 1: no column \"inductance\""),
    ] {
        bench.put("coils.csv", text);
        let told = bench.refused("plan --coils coils.csv --out b.toml --picture p.svg --responses r.svg");
        assert!(told.contains(says), "{told}");
        assert_eq!(bench.names().len(), 1);
    }
    assert!(bench.refused("plan --coils coils.csv --picture coils.csv").contains("coils.csv: row 1"));
    bench.put("coils.csv", DRAWER);
    assert!(bench.refused("plan --coils coils.csv --picture coils.csv").contains("given twice"));
    assert!(bench.refused("plan --coils none.csv").contains("none.csv: there is no such file"));
}
