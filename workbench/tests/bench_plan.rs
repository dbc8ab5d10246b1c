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
        ("--code 1,2,3", &["--code", "every code"]),
        ("--picture p.gif", &["p.gif", ".svg or .png"]),
        ("--from -1n", &["-1n", "1p to 1m"]),
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

#[test]
fn a_plan_can_be_read_back_and_planned_about() {
    let bench = Bench::new();
    bench.put("one.csv", "name,f1_hz,f2_hz,f3_hz\na,500,1500,2500\n");
    bench.put("low.csv", "name,f1_hz,f2_hz,f3_hz\na,270,1500,2500\nb,500,1800,2900\n");
    bench.put("few.csv", "value,quantity\n1n,20\n10n,20\n47n,20\n");
    bench.put("six.csv", "value,quantity\n10n,3\n47n,3\n");
    // One target needs one position; the board is one that every command takes.
    bench.well("plan --targets one.csv --kind select --out one.toml");
    bench.well("response --board one.toml --all");
    // What is soldered reaches what a drawer alone does not.
    bench.well("plan --out planned.toml");
    let again =
        bench.facts("plan --board planned.toml --keep 1=all --keep 2=all --keep 3=fixed,0 --drawer few.csv --json");
    for stage in 0..2 {
        assert_eq!(again["stages"][stage]["parts"]["fixed"]["made"], "kept");
        assert_eq!(again["stages"][stage]["parts"]["bank"][3]["made"], "kept");
    }
    assert_eq!(again["stages"][2]["parts"]["bank"][0]["made"], "kept");
    assert_ne!(again["stages"][2]["parts"]["bank"][1]["made"], "kept");
    // Two in parallel reach what one does not.
    assert!(bench.refused("plan --targets low.csv --series E12 --to 82n").contains("270 Hz"));
    bench.well("plan --targets low.csv --series E12 --to 82n --pairs");
    assert!(bench.refused("plan --drawer six.csv").contains("given 6 capacitors, allowed are 15 or more"));
}

#[test]
fn weights_that_are_all_the_same_change_nothing() {
    let bench = Bench::new();
    let table = |weight: &str| {
        let rows = ["a,300,900,2300", "b,500,1500,2500", "c,700,1200,2700", "d,400,2000,3000", "e,600,1100,2400"];
        let rows = rows.map(|row| format!("{row},{weight}\n")).concat();
        format!("name,f1_hz,f2_hz,f3_hz,weight\n{rows}")
    };
    bench.put("one.csv", table("1"));
    bench.put("small.csv", table("0.001"));
    for measure in ["worst", "rms"] {
        let [one, small] = ["one", "small"]
            .map(|name| bench.facts(&format!("plan --targets {name}.csv --series E12 --measure {measure} --json")));
        for stage in 0..3 {
            assert_eq!(one["stages"][stage]["bank"], small["stages"][stage]["bank"], "{measure}, stage {}", stage + 1);
        }
    }
}

/// A board that was planned from what a bridge read finds its parts in the drawer again.
#[test]
fn the_sheet_takes_what_the_plan_took() {
    let bench = Bench::new();
    let rows = [3.3, 4.7, 6.8, 10.0, 15.0, 22.0, 33.0, 47.0, 68.0, 100.0, 150.0, 220.0, 330.0, 470.0]
        .map(|nano: f64| format!("{nano}n,3,5,{:.4}n\n", nano * 1.031))
        .concat();
    bench.put("drawer.csv", format!("value,quantity,tolerance,measured\n{rows}"));
    let plan = bench.facts("plan --drawer drawer.csv --out mine.toml --json");
    let sheet = bench.facts("sheet --board mine.toml --drawer drawer.csv --out mine.html --json");
    let order = sheet["order"].as_array().unwrap();
    for stage in 0..3 {
        let bank = plan["stages"][stage]["bank"].as_array().unwrap().iter().chain([&plan["stages"][stage]["fixed"]]);
        for farads in bank.map(|farads| farads.as_f64().unwrap()) {
            let row = order.iter().find(|row| row["value"].as_f64().is_some_and(|v| (v / farads - 1.0).abs() < 1e-6));
            let row = row.unwrap();
            assert_eq!(row["buy"], 0, "{row}");
            assert!(row["notes"].to_string().contains("marked"), "{row}");
        }
    }
}
