//! `tritank plan`: what it prints is what the planned board does, and what it is given wrong is named.

mod bench;

use bench::Bench;
use serde_json::Value;

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}

#[test]
fn the_planned_board_peaks_where_the_plan_says() {
    let bench = Bench::new();
    bench.put("t.csv", "name,f1_hz,f2_hz,f3_hz\nlow,300,900,2300\nhigh,700,1700,2900\nmid,450,1300,2600\n");
    for kind in ["parallel", "select --pairs"] {
        let out = format!("{}.toml", &kind[..6]);
        let plan = bench.facts(&format!("plan --targets t.csv --series E12 --kind {kind} --out {out} --json"));
        let rows = plan["codes"].as_array().unwrap();
        assert_eq!(rows.len(), 3);
        let mut worst = [0.0_f64; 3];
        for row in rows {
            let code = numbers(&row["code"]);
            let told =
                bench.facts(&format!("response --board {out} --code {},{},{} --json", code[0], code[1], code[2]));
            for stage in 0..3 {
                let peak = told["stages"][stage]["peak_hz"].as_f64().unwrap();
                let planned = numbers(&row["planned"])[stage];
                approx::assert_relative_eq!(peak, planned, max_relative = 1e-6);
                let cents = 1200.0 * (planned / numbers(&row["target"])[stage]).log2();
                approx::assert_abs_diff_eq!(numbers(&row["cents"])[stage], cents, epsilon = 1e-6);
                worst[stage] = worst[stage].max(cents.abs());
            }
        }
        for stage in 0..3 {
            let told = &plan["stages"][stage];
            approx::assert_abs_diff_eq!(told["worst_cents"].as_f64().unwrap(), worst[stage], epsilon = 0.1);
            assert_eq!(told["proved"], true);
            let [bound, worst] = ["bound_percent", "worst_percent"].map(|key| told[key].as_f64().unwrap());
            approx::assert_abs_diff_eq!(bound, worst, epsilon = 0.01);
        }
    }
}

#[test]
fn a_broken_target_part_or_group_is_named_and_nothing_is_written() {
    let bench = Bench::new();
    bench.put("t.csv", "name,f1_hz,f2_hz,f3_hz\nlow,300,900,2300\nhigh,700,1O00,2900\n");
    bench.put("taken.toml", "mine");
    bench.put("d.csv", "value,quantity\n47n,few\n");
    bench.put("r.csv", "value,quantity,kind\n4k7,3,resistor\n");
    let board = bench.well("board").replacen("fixed = \"51 nF\"", "fixed = \"8 nF\"", 1);
    bench.put("small.toml", &board);
    for (line, words) in [
        ("--targets t.csv --out new.toml", &["t.csv", "row 3", "f2_hz", "1O00", "60 to 10000 Hz"][..]),
        ("--targets lost.csv", &["lost.csv", "no such file"]),
        ("--groups men,robots", &["--groups", "robots", "men, women and children"]),
        ("--series E25", &["--series", "E25", "E24"]),
        ("--from 1n --to 10V", &["--to", "10V"]),
        ("--from 1u --to 1n", &["--from", "--to", "smaller first"]),
        ("--series E192 --from 1p --to 1m --pairs", &["--pairs", "allowed are 632"]),
        ("--drawer lost.csv", &["lost.csv", "no such file"]),
        ("--drawer d.csv", &["d.csv", "row 2", "quantity", "\"few\""]),
        ("--drawer r.csv", &["r.csv", "given 0 values of capacitors"]),
        ("--drawer d.csv --series E12", &["--drawer", "--series"]),
        ("--keep 4=fixed", &["--keep", "4=fixed", "1 to 3"]),
        ("--keep 1=5", &["--keep", "1=5", "fixed, all and 0 to 3"]),
        ("--keep 1=0 --kind select", &["--keep", "kind select"]),
        ("--keep 1=fixed --wiring 9n --board small.toml", &["--keep", "wiring"]),
        ("--measure best", &["--measure", "worst", "rms"]),
        ("--out taken.toml", &["taken.toml", "taken"]),
        ("--kind round", &["--kind", "parallel", "select"]),
    ] {
        let told = bench.refused(&format!("plan {line}"));
        for word in words {
            assert!(told.contains(word), "\"{word}\" is not in: {told}");
        }
    }
}
