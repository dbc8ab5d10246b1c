//! The sums of `tritank tune`: what it says to programs, to people, and to those who ask for what there is not.

mod bench;

use approx::{assert_abs_diff_eq, assert_relative_eq};
use bench::Bench;
use tritank_dsp::board::Board;

fn number(value: &serde_json::Value) -> f64 {
    value.as_f64().unwrap()
}

#[test]
fn any_two_give_the_third() {
    let bench = Bench::new();
    // 100 mH and 1 µF: 503.29212 Hz (closed form, cross-checked with a general nodal solver).
    let found = bench.facts("tune --l 100m --c 1u --json");
    assert_eq!(found["sought"], "f");
    assert_abs_diff_eq!(number(&found["f_hz"]), 503.29212, epsilon = 5e-6);
    assert!(found["fits"].is_null() && found["series"].is_null() && found["loss"].is_null());
    let capacitor = bench.facts("tune --l 0.1H --f 503.29212Hz --json");
    assert_eq!(capacitor["sought"], "c");
    assert_relative_eq!(number(&capacitor["c_farads"]), 1e-6, max_relative = 3e-8);
    assert_eq!(capacitor["series"], "E24");
    assert_eq!(capacitor["fits"][0]["parts"], serde_json::json!([1e-6]));
    let coil = bench.facts("tune --c 105 --f 503.29212 --series E12 --q 31.622777 --json");
    assert_eq!((&coil["sought"], &coil["series"]), (&"l".into(), &"E12".into()));
    assert_relative_eq!(number(&coil["l_henries"]), 0.1, max_relative = 3e-8);
    let wirings: Vec<_> = coil["fits"].as_array().unwrap().iter().map(|fit| fit["wiring"].clone()).collect();
    assert_eq!(wirings, ["one", "parallel", "series"]);
}

#[test]
fn loss_is_told_from_resistances_and_from_q() {
    let bench = Bench::new();
    // 100 mH, 1 µF and 10 kΩ across: closed forms as above.
    for loss in ["--core 10k", "--q 31.622777"] {
        let loss = bench.facts(&format!("tune --l 100m --c 1u {loss} --json"))["loss"].clone();
        assert_relative_eq!(number(&loss["q"]), 31.622_777, max_relative = 2e-8);
        assert_relative_eq!(number(&loss["bandwidth_hz"]), 15.915_494, max_relative = 5e-8);
        assert_relative_eq!(number(&loss["ring_60db_seconds"]), 138.15511e-3, max_relative = 5e-8);
        assert_relative_eq!(number(&loss["core_ohms"]), 10e3, max_relative = 5e-8);
        assert_relative_eq!(number(&loss["series_ohms"]), 10.0, max_relative = 5e-8);
    }
    assert!(bench.facts("tune --l 100m --c 1u --q 0.4 --json")["loss"]["ring_60db_seconds"].is_null());
    assert!(bench.well("tune --l 100m --c 1u --q 0.4").contains("does not ring"));
}

/// The sum on paper against the small-signal response of the whole board, every line open. What the sum leaves out: the
/// driver, the capacitors behind open switches, and how light the follower's own base is on its divider.
#[test]
fn the_sum_on_paper_is_near_the_peak_of_the_built_in_board() {
    let bench = Bench::new();
    let board = Board::built_in();
    let response = bench.facts("response --code 0,0,0 --points 2 --json");
    // The follower's divider lies across tank 2.
    let divider = 1.0 / board.follower.upper + 1.0 / board.follower.lower;
    let stages = board.stages().into_iter().zip([0.0, divider, 0.0]).zip(response["stages"].as_array().unwrap());
    for ((stage, load), peak) in stages {
        let (coil, farads) = (stage.coil, stage.fixed);
        let across = 1.0 / (1.0 / coil.core + load);
        let parts = format!("--l {} --c {farads:e} --r {} --core {across}", coil.inductance, coil.series);
        let sum = bench.facts(&format!("tune {parts} --json"));
        let cents = 1200.0 * (number(&peak["peak_hz"]) / number(&sum["f_hz"])).log2();
        let q = number(&sum["loss"]["q"]);
        // The help's own word: at most 216/Q² cents higher; half a cent for what is left out.
        assert!((-0.5..216.0 / (q * q) + 0.5).contains(&cents), "{cents} cents at Q {q}");
        assert_relative_eq!(number(&peak["q"]), q, max_relative = 5e-3);
    }
}

#[test]
fn rate_and_bias_of_the_exciter_give_each_other() {
    let bench = Bench::new();
    let rate = bench.facts("tune --rate 110Hz --json");
    assert_eq!(number(&rate["supply_volts"]), 3.0);
    let back = bench.facts(&format!("tune --bias {} --json", rate["bias_volts"]));
    assert_relative_eq!(number(&back["rate_hz"]), 110.0, max_relative = 1e-12);
    let period = number(&rate["pause_seconds"]) + number(&rate["pulse_seconds"]);
    assert_relative_eq!(period, 1.0 / 110.0, max_relative = 1e-12);

    // A board of one's own, bias on the supply: T = 2·0.71085·RC (closed form, germanium, 3 V).
    let mut board = Board::built_in();
    (board.exciter.pause, board.exciter.pulse) = (10e-9, 10e-9);
    bench.put("mine.toml", board.to_toml());
    let own = bench.facts("tune --bias 3V --board mine.toml --json");
    assert_relative_eq!(number(&own["rate_hz"]), 1.0 / (2.0 * 0.71085 * 470e-6), max_relative = 1e-5);
    let flat = bench.facts("tune --bias 3V --board mine.toml --set unit.supply=1.5V --json");
    assert!(number(&flat["rate_hz"]) > number(&own["rate_hz"]), "less to climb");

    // The ends that a refusal tells are taken.
    let told = bench.refused("tune --rate 1MHz");
    assert!(told.contains("16.468 Hz to 1632.7 Hz"), "{told}");
    for end in [16.468, 1632.7] {
        let rate = bench.facts(&format!("tune --rate {end} --json"));
        assert_relative_eq!(number(&rate["rate_hz"]), end, max_relative = 1e-7);
    }
}

#[test]
fn a_person_reads_the_same_as_a_program() {
    let bench = Bench::new();
    let said = bench.well("tune --l 80m --f 2600 --r 26R1 --core 43k6");
    for words in
        ["C = 46.839 nF", "from L = 80 mH and f = 2600 Hz", "E24", "47 nF", "2595.5 Hz", "-2.98 cents", "Q 20.022"]
    {
        assert!(said.contains(words), "\"{words}\" is not in:\n{said}");
    }
    assert!(bench.well("tune --rate 110").contains("gives 110 Hz"));
    let listed = bench.well("tune --series e12");
    assert!(listed.contains("E12") && listed.contains(" 10   12   15   18"), "{listed}");
    assert_eq!(bench.facts("tune --series E6 --json")["numbers"], serde_json::json!([10, 15, 22, 33, 47, 68]));
}

/// Every example of the help works when it is copied.
#[test]
fn the_examples_of_the_help_work() {
    let bench = Bench::new();
    let help = bench.well("tune --help");
    let examples: Vec<_> = help.lines().filter_map(|line| line.strip_prefix("  tritank ")).collect();
    assert!(examples.len() >= 3, "{help}");
    for example in examples {
        assert!(!bench.well(example).is_empty());
    }
}

#[test]
fn what_makes_no_sum_is_refused_with_what_does() {
    let bench = Bench::new();
    for (line, words) in [
        ("tune", &["given nothing", "two of --l, --c and --f"][..]),
        ("tune --l 1H", &["given --l,", "two of"]),
        ("tune --q 9", &["given none of them", "two of"]),
        ("tune --l 1H --c 1n --f 440", &["--l, --c, --f", "two of"]),
        ("tune --l 0 --f 440", &["--l", "given \"0\"", "1 nH to 1 kH"]),
        ("tune --l -5 --f 440", &["--l", "given \"-5\"", "1 nH to 1 kH"]),
        ("tune --l 1H --f=-3m", &["--f", "given \"-3m\"", "1 mHz to 1 GHz"]),
        ("tune --l 3V --f 440", &["--l", "given \"3V\"", "0.15 H"]),
        ("tune --l 1H --c 4k7", &["--c", "given \"4k7\"", "1 pF to 1 F"]),
        ("tune --l 1H --c nan", &["--c", "given \"nan\""]),
        ("tune --l 1H --c 1e999", &["--c", "given \"1e999\""]),
        ("tune --l 1H --f", &["--f", "value is required"]),
        ("tune --l --c 3n", &["--l", "value is required"]),
        ("tune --l 1n --f 1m", &["--l and --f", "1 pF to 1 F"]),
        ("tune --l 1H --f 440 --series E7", &["--series", "given \"E7\"", "E192"]),
        ("tune --l 1H --c 1n --series E24", &["--series E24", "where a part is sought"]),
        ("tune --l 1H --f 440 --r 0", &["--r", "given \"0\"", "1 mΩ to 1 GΩ"]),
        ("tune --l 1H --f 440 --q 0", &["--q", "given \"0\"", "0.01 to"]),
        ("tune --l 1H --f 440 --q 9 --r 3", &["--r, --q", "--q alone"]),
        ("tune --l 1H --f 440 --rate 110", &["--l, --f", "--rate", "one of the two"]),
        ("tune --rate 110 --bias 1V", &["both", "--rate and --bias"]),
        ("tune --set unit.supply=3V", &["neither", "--rate and --bias"]),
        ("tune --rate 5kHz", &["--rate", "given 5000 Hz", "to 1632.7 Hz at 3 V"]),
        ("tune --rate 0", &["--rate", "given 0 Hz", "16.468 Hz to"]),
        ("tune --bias 0.2", &["--bias", "given 0.2 V", "above 200 mV, up to 12 V"]),
        ("tune --bias -1", &["--bias", "given -1 V", "above 200 mV"]),
        ("tune --rate 110 --board lost.toml", &["lost.toml", "no such file"]),
        ("tune --rate 110 --set unit.supply=30V", &["unit.supply", "30V", "1.2 V to 9 V"]),
    ] {
        let told = bench.refused(line);
        for word in words {
            assert!(told.contains(word), "{line}: \"{word}\" is not in: {told}");
        }
    }
}
