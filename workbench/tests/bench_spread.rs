//! `tritank plan --units`: what a plan is worth once it is built, as it is printed, and what is refused.

mod bench;

use bench::Bench;
use serde_json::Value;

/// The search of a multiplexer is over in no time.
const PLAN: &str = "plan --targets t.csv --series E12 --kind select";

fn bench() -> Bench {
    let bench = Bench::new();
    bench.put("t.csv", "name,f1_hz,f2_hz,f3_hz\nlow,300,900,2300\nhigh,700,1700,2900\n");
    bench
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

/// Without what a clock says.
fn timeless(mut plan: Value) -> Value {
    plan["seconds"] = Value::Null;
    plan["spread"]["seconds"] = Value::Null;
    plan
}

#[test]
fn a_seed_draws_the_same_units_and_another_one_others() {
    let bench = bench();
    let plan = |more: &str| timeless(bench.facts(&format!("{PLAN} --units 500 --json {more}")));
    let first = plan("");
    assert_eq!(first, plan("--seed 1"));
    let other = plan("--seed 2");
    assert_eq!(first["codes"], other["codes"]);
    assert_ne!(first["spread"]["stages"][0]["codes"], other["spread"]["stages"][0]["codes"]);
}

#[test]
fn the_spread_stands_about_the_plan() {
    let bench = bench();
    let plan = bench.facts(
        "plan --targets t.csv --series E6 --tolerance 10 --units 2000 --json --spread coil=1% --spread temperature=5K",
    );
    let spread = &plan["spread"];
    assert_eq!((&spread["units"], &spread["failed"], &spread["seed"]), (&2000.into(), &0.into(), &1.into()));
    for (kind, tolerance) in [("capacitor", 0.1), ("coil", 0.01), ("resistor", 0.05), ("temperature", 5.0)] {
        assert_eq!(spread["tolerances"][kind], tolerance, "{kind}");
    }
    for stage in 0..3 {
        let (told, planned) = (&spread["stages"][stage], plan["stages"][stage]["peaks"].as_array().unwrap());
        let codes = told["codes"].as_array().unwrap();
        assert_eq!(codes.len(), 16);
        for (code, planned) in codes.iter().zip(planned) {
            let hertz = planned["hz"].as_f64().unwrap();
            approx::assert_relative_eq!(code["nominal_hz"].as_f64().unwrap(), hertz, max_relative = 1e-6);
            let peaks = numbers(&code["peak_hz"]);
            assert!(peaks.windows(2).all(|pair| pair[0] < pair[1]), "{peaks:?}");
            // A single capacitor of 10 % moves a peak by up to 5 %; several by less.
            approx::assert_relative_eq!(peaks[2], hertz, max_relative = 0.01);
            assert!(peaks[0] > 0.92 * hertz && peaks[4] < 1.08 * hertz, "{peaks:?}");
            approx::assert_relative_eq!(numbers(&code["q"])[2], planned["q"].as_f64().unwrap(), max_relative = 0.05);
        }
        // Capacitors of 10 % outweigh coils of 1 %.
        assert_eq!(told["causes"][0]["kind"], "capacitor");
        assert!(told["kept_were"].as_f64().unwrap() >= told["kept_mean"].as_f64().unwrap());
        let mean =
            spread["codes"].as_array().unwrap().iter().map(|row| numbers(&row["kept"])[stage]).sum::<f64>() / 2.0;
        approx::assert_relative_eq!(told["kept_mean"].as_f64().unwrap(), mean, max_relative = 1e-12);
    }
    for row in spread["codes"].as_array().unwrap() {
        let together = row["kept_together"].as_f64().unwrap();
        assert!(numbers(&row["kept"]).iter().all(|kept| together <= *kept));
    }
    assert_eq!(spread["kinds"][0]["kind"], "capacitor");
    let settled = bench.facts("response --json")["operating_point_volts"]["c1"].as_f64().unwrap();
    let c1 = spread["nodes"].as_array().unwrap().iter().find(|node| node["node"] == "c1").unwrap();
    approx::assert_relative_eq!(c1["nominal_volts"].as_f64().unwrap(), settled, max_relative = 1e-9);
}

/// Parts that are exact keep what the plan keeps: all or nothing.
#[test]
fn exact_parts_keep_what_the_plan_keeps() {
    let bench = bench();
    let exact = "resistor=0 coil=0% loss=0 gain=0 saturation=0 switch=0 supply=0 temperature=0";
    let spread: Vec<_> = exact.split(' ').map(|one| format!("--spread {one}")).collect();
    let plan = bench.facts(&format!("{PLAN} --units 10 --tolerance 0 --json {}", spread.join(" ")));
    for (row, kept) in plan["codes"].as_array().unwrap().iter().zip(plan["spread"]["codes"].as_array().unwrap()) {
        for (cents, kept) in numbers(&row["cents"]).into_iter().zip(numbers(&kept["kept"])) {
            assert_eq!(kept, if cents.abs() <= 1200.0 * 1.05_f64.log2() { 1.0 } else { 0.0 });
        }
    }
    assert_eq!(plan["spread"]["kinds"], Value::Array(Vec::new()));
}

#[test]
fn a_person_reads_what_is_kept_and_what_matters() {
    let bench = bench();
    let told = bench.well(&format!("{PLAN} --units 200"));
    for words in
        ["200 units, seed 1: capacitor 10 %, resistor 5 %", "temperature 10 K", "mean", "every target", "F3: stage 3 "]
    {
        assert!(told.contains(words), "\"{words}\" is not in: {told}");
    }
    let help = bench.well("plan --help");
    for words in
        ["--units", "--seed", "--tolerance", "--spread", "kept_together", "common practice", "Peterson and Barney"]
    {
        assert!(help.contains(words), "\"{words}\" is not in: {help}");
    }
    assert!(!bench.well(PLAN).contains("units"));
    assert_eq!(bench.facts(&format!("{PLAN} --json"))["spread"], Value::Null);
}

#[test]
fn units_and_tolerances_that_mean_nothing_are_refused() {
    let bench = bench();
    for (line, words) in [
        ("--units 0", &["--units", "given 0", "1 to 1000000"][..]),
        ("--units 1000001", &["--units", "given 1000001"]),
        ("--units -5", &["--units", "given -5"]),
        ("--units many", &["--units", "given many"]),
        ("--units 10 --seed x", &["--seed", "x"]),
        ("--units 10 --tolerance 95", &["--tolerance", "given 95", "0 % to 90 %"]),
        ("--units 10 --tolerance -5", &["--tolerance", "given -5"]),
        ("--units 10 --tolerance nan", &["--tolerance", "given nan"]),
        ("--units 10 --spread coil", &["--spread", "given coil", "name=value"]),
        ("--units 10 --spread coil=x%", &["--spread", "coil=x%", "0 % to 90 %"]),
        ("--units 10 --spread temperature=60K", &["--spread", "0 K to 50 K"]),
        ("--units 10 --spread capacitor=5%", &["--spread", "capacitors have --tolerance", "saturation"]),
        ("--tolerance 5", &["--units"]),
        ("--seed 5", &["--units"]),
    ] {
        let told = bench.refused(&format!("{PLAN} --out new.toml {line}"));
        for word in words {
            assert!(told.contains(word), "\"{word}\" is not in: {told}");
        }
    }
}
