//! The sheet of a board: every element in its wiring list, marks that read back, sums that add up, a page that holds by itself.

mod bench;

use bench::Bench;
use std::collections::BTreeMap;
use tritank_dsp::board::{Bank, BankKind, Board};
use tritank_dsp::value::{self, Unit};

const SHEET: &str = "sheet --units 100 --out a.html --json";

/// A board with a multiplexer of sixteen, one of two, a bank of none, C12, one sweep and names that would break a page.
fn odd() -> Board {
    let mut board = Board::built_in();
    board.name = "<script>alert('x')</script> & \"quoted\" ]]> ".repeat(12);
    board.notes = "first line\n<img src='a'>\u{7}\nlast & least".into();
    let capacitors = (0..16).map(|n| if n == 5 { 0.0 } else { 1.1e-9 * f64::from(n + 1) }).collect();
    board.stage1.bank = Bank { kind: BankKind::Select, capacitors, ..board.stage1.bank };
    board.stage2.bank = Bank { kind: BankKind::Select, capacitors: vec![4.7e-9, 10e-9], ..board.stage2.bank };
    board.stage3.bank.capacitors.clear();
    board.stage3.bank.charge = 2e-12;
    board.stage1.sweep = None;
    board.stage2.sweep.as_mut().unwrap().body_diode = false;
    board.coupling.c12 = 2.2e-9;
    board
}

/// Keys of an element's pins in the list of `tritank circuit`.
fn pins(element: &serde_json::Value) -> &'static [&'static str] {
    match element["kind"].as_str().unwrap() {
        "resistor" | "capacitor" | "inductor" | "switch" | "charge" => &["a", "b"],
        "source" => &["p", "n"],
        "gain" => &["p", "n", "cp", "cn"],
        "npn" => &["c", "b", "e"],
        "nmos" => &["d", "g", "s"],
        "diode" => &["a", "k"],
        other => panic!("the sheet does not know the element kind {other}"),
    }
}

#[test]
fn every_pin_of_the_element_list_is_in_the_wiring_list_once() {
    let bench = Bench::new();
    bench.put("odd.toml", odd().to_toml());
    let mut charged = Board::built_in();
    charged.stage1.bank.charge = 2e-12;
    bench.put("charged.toml", charged.to_toml());
    for options in [
        "",
        "--board odd.toml",
        "--board odd.toml --set click.bleed=on --code 3,1,0",
        "--board charged.toml --set input.overdriven=on --set stage2.main=0.2 --set stage3.pulse=1 --set exciter.level=1",
    ] {
        let sheet = bench.facts(&format!("{SHEET} {options}"));
        let mut landed: BTreeMap<(String, String), Vec<String>> = BTreeMap::new();
        for node in sheet["nodes"].as_array().unwrap() {
            for pin in node["pins"].as_array().unwrap() {
                let key = (pin["element"].as_str().unwrap().to_owned(), pin["pin"].as_str().unwrap().to_owned());
                landed.entry(key).or_default().push(node["node"].as_str().unwrap().to_owned());
            }
        }
        let circuit = bench.facts(&format!("circuit {options}"));
        let elements = circuit["elements"].as_array().unwrap();
        assert!(elements.len() > 40);
        for element in elements {
            for pin in pins(element) {
                let key = (element["name"].as_str().unwrap().to_owned(), (*pin).to_owned());
                assert_eq!(landed.remove(&key), Some(vec![element[*pin].as_str().unwrap().to_owned()]), "{key:?}");
            }
        }
        // What is left is the input stage, where it is bypassed.
        let rest = landed.keys().map(|(element, _)| element.as_str()).collect::<std::collections::BTreeSet<_>>();
        let input = ["bus0", "cf0", "co0", "leak_q0", "q0", "rb0", "re0", "rl0", "ro0"];
        let wanted: Vec<_> = if options.contains("overdriven") { Vec::new() } else { input.to_vec() };
        assert_eq!(rest.into_iter().collect::<Vec<_>>(), wanted, "{options}");
    }
}

#[test]
fn marks_read_back_and_quantities_add_up() {
    let bench = Bench::new();
    bench.put("odd.toml", odd().to_toml());
    for options in ["", "--board odd.toml --set click.bleed=on"] {
        let sheet = bench.facts(&format!("{SHEET} {options}"));
        let circuit = bench.facts(&format!("circuit {options}"));
        let elements = circuit["elements"].as_array().unwrap();
        let parts = sheet["parts"].as_array().unwrap();
        for (kind, key, unit) in [("resistor", "ohms", Unit::Ohm), ("capacitor", "farads", Unit::Farad)] {
            let own = parts.iter().filter(|part| part["kind"] == kind);
            let mut pieces = 0;
            for part in own {
                let value = part["value"].as_f64().unwrap();
                let names = part["designators"].as_array().unwrap();
                assert_eq!(part["quantity"], names.len());
                pieces += names.len();
                // Every value of these boards has at most four digits.
                let mark = part["mark"].as_str().unwrap();
                assert!((value::parse(mark, unit).unwrap() / value - 1.0).abs() < 1e-9, "{mark} is not {value}");
                if let Some(code) = part["code"].as_str() {
                    assert!((value::parse(code, unit).unwrap() / value - 1.0).abs() < 1e-9, "{code} is not {value}");
                }
                for name in names {
                    if let Some(element) = elements.iter().find(|element| element["name"] == *name) {
                        assert!((element[key].as_f64().unwrap() / value - 1.0).abs() < 1e-9, "{name}");
                    }
                }
            }
            // The losses of three coils are no parts; the input stage has 4 resistors and 2 capacitors, the exciter 3 and 3.
            let listed = elements.iter().filter(|element| element["kind"] == kind).count();
            assert_eq!(pieces, if kind == "resistor" { listed - 6 + 4 + 3 } else { listed + 2 + 3 });
        }
        for row in sheet["order"].as_array().unwrap() {
            assert_eq!(row["take"].as_u64().unwrap() + row["buy"].as_u64().unwrap(), row["needed"].as_u64().unwrap());
        }
    }
}

#[test]
fn the_drawer_is_taken_out_of_the_order() {
    let bench = Bench::new();
    bench.put(
        "drawer.csv",
        "value,quantity,tolerance,measured,kind\n473,1,20,,\n47n,5,5,46.2n,capacitor\n220,3,1,,resistor\n500mH,1,,,coil\n",
    );
    let sheet = bench.facts(&format!("{SHEET} --drawer drawer.csv"));
    let row = |kind: &str, value: f64| {
        let rows = sheet["order"].as_array().unwrap();
        let same = |row: &&serde_json::Value| {
            row["kind"] == kind && row["value"].as_f64().is_some_and(|own| (own / value - 1.0).abs() < 1e-9)
        };
        let row = rows.iter().find(same).unwrap().clone();
        ["needed", "in_drawer", "take", "buy"].map(|key| row[key].as_u64().unwrap())
    };
    // b10 and b23.
    assert_eq!(row("capacitor", 47e-9), [2, 6, 2, 0]);
    assert_eq!(row("resistor", 220.0), [4, 3, 3, 1]);
    assert_eq!(row("coil", 0.5), [1, 1, 1, 0]);
    assert_eq!(row("capacitor", 100e-9), [2, 0, 0, 2]);
    let page = std::fs::read_to_string(bench.path("a.html")).unwrap();
    assert!(page.contains("take 2 of ±5 %, read as 46.2 nF"));
}

#[test]
fn the_page_is_well_formed_and_needs_nothing_else() {
    let bench = Bench::new();
    bench.put("odd.toml", odd().to_toml());
    let mut numb = Board::built_in();
    for stage in numb.stages_mut() {
        stage.sweep = None;
    }
    bench.put("numb.toml", numb.to_toml());
    for options in ["", "--board odd.toml --set click.bleed=on", "--board numb.toml"] {
        bench.well(&format!("{SHEET} {options}"));
        let page = std::fs::read_to_string(bench.path("a.html")).unwrap();
        let allowed = roxmltree::ParsingOptions { allow_dtd: true, ..roxmltree::ParsingOptions::default() };
        let document =
            roxmltree::Document::parse_with_options(&page, allowed).unwrap_or_else(|e| panic!("{options}: {e}"));
        assert!(!page.to_lowercase().contains("http") && !page.contains("url("), "{options}");
        let tags = ["script", "link", "img", "iframe", "object", "image", "use", "base", "a"];
        assert!(document.descendants().all(|node| !tags.contains(&node.tag_name().name())), "{options}");
        for node in document.descendants() {
            assert!(node.attributes().all(|a| !a.name().starts_with("on") && a.name() != "src" && a.name() != "href"));
        }
        let heads: Vec<_> = document.descendants().filter(|n| n.has_tag_name("h2")).filter_map(|n| n.text()).collect();
        let wanted = ["Before you begin", "1. The circuit", "2. Parts", "3. Order list", "4. Codes"];
        assert_eq!(heads[..5], wanted, "in the order in which a builder takes them");
        assert_eq!(heads[5..], ["5. Wiring, node by node", "6. Readings"]);
    }
}

#[test]
fn a_name_is_shown_as_it_is_written() {
    let bench = Bench::new();
    let board = odd();
    bench.put("odd.toml", board.to_toml());
    bench.well(&format!("{SHEET} --board odd.toml"));
    let page = std::fs::read_to_string(bench.path("a.html")).unwrap();
    let allowed = roxmltree::ParsingOptions { allow_dtd: true, ..roxmltree::ParsingOptions::default() };
    let document = roxmltree::Document::parse_with_options(&page, allowed).unwrap();
    let text =
        |tag: &str| document.descendants().find(|node| node.has_tag_name(tag)).unwrap().text().unwrap().to_owned();
    assert_eq!(text("h1"), board.name);
    let notes = document.descendants().find(|node| node.attribute("class") == Some("notes")).unwrap();
    assert_eq!(notes.text().unwrap(), "first line\n<img src='a'>\u{fffd}\nlast & least");
}

/// WHO-ITU H.870 and the rest of what a builder has to know before the iron is hot.
#[test]
fn cautions_stand_in_front_of_everything_else() {
    let bench = Bench::new();
    bench.well(SHEET);
    let page = std::fs::read_to_string(bench.path("a.html")).unwrap();
    let end = page.find("1. The circuit").unwrap();
    for words in [
        "Plus goes to the rail",
        "certified, isolated low-voltage supply",
        "1.2 to 9 V",
        "heat sink",
        "Ventilate",
        "eye protection",
        "wash your hands",
        "H.870",
        "80 dB(A) for 40 hours",
        "half the time for every 3 dB",
        "carry DC",
        "coupling capacitor",
        "licensed person",
        "electrical code",
    ] {
        assert!(page[..end].contains(words), "{words}");
    }
}

#[test]
fn codes_and_readings_agree_with_the_response_of_the_whole_circuit() {
    let bench = Bench::new();
    bench.put("odd.toml", odd().to_toml());
    for board in ["", "--board odd.toml"] {
        let sheet = bench.facts(&format!("{SHEET} --readings r.csv {board}"));
        let response = bench.facts(&format!("response --all --points 2 --json {board}"));
        let codes = sheet["codes"].as_array().unwrap();
        let stages = response["stages"].as_array().unwrap();
        assert_eq!(codes.len(), stages.len());
        for (row, stage) in codes.iter().zip(stages) {
            assert_eq!((&row["stage"], &row["code"]), (&stage["stage"], &stage["code"]));
            assert_eq!(row["hertz"], stage["peak_hz"]);
            assert_eq!(row["q"], stage["q"]);
            let width = row["hertz"].as_f64().unwrap() / row["q"].as_f64().unwrap();
            assert!((row["bandwidth_hz"].as_f64().unwrap() / width - 1.0).abs() < 1e-12);
        }

        let mut rows = csv::Reader::from_path(bench.path("r.csv")).unwrap();
        let header: Vec<_> = rows.headers().unwrap().iter().map(str::to_owned).collect();
        assert_eq!(header, ["kind", "node_or_code", "quantity", "expected", "low", "high", "measured"]);
        let rows: Vec<_> = rows.records().map(Result::unwrap).collect();
        let point = response["operating_point_volts"].as_object().unwrap();
        let (mut volts, mut peaks) = (0, 0);
        for row in &rows {
            let expected: f64 = row[3].parse().unwrap();
            assert!(row[6].is_empty(), "that is the builder's");
            if &row[0] == "node" {
                let Some(at) = point.get(&row[1]) else {
                    assert!(row[1].ends_with('0'), "{row:?}: the bypassed input stage alone is not in the response");
                    continue;
                };
                assert!(
                    (expected - at.as_f64().unwrap()).abs() < 1e-5 * at.as_f64().unwrap().abs().max(0.1),
                    "{row:?}"
                );
                volts += 1;
            } else {
                let key = if &row[2] == "hertz" { "peak_hz" } else { "q" };
                let of = |s: &&serde_json::Value| format!("{}={}", s["stage"], s["code"]) == row[1];
                let told = stages.iter().find(of).unwrap()[key].as_f64().unwrap();
                assert!((expected / told - 1.0).abs() < 1e-5, "{row:?}");
                let (low, high): (f64, f64) = (row[4].parse().unwrap(), row[5].parse().unwrap());
                assert!(low < high, "{row:?}");
                peaks += 1;
            }
        }
        // Every node but ground and the inside of the coils.
        assert_eq!(volts, point.len() - 3 - usize::from(point.contains_key("0")));
        assert_eq!(peaks, 2 * stages.len());
        std::fs::remove_file(bench.path("r.csv")).unwrap();
    }
}

#[test]
fn the_same_board_gives_the_same_bytes_and_another_lot_others() {
    let bench = Bench::new();
    let made = |options: &str, file: &str| {
        bench.well(&format!("sheet --units 100 {options} --out {file}"));
        std::fs::read(bench.path(file)).unwrap()
    };
    let first = made("", "a.html");
    assert_eq!(first, made("", "a.html"), "written anew over the old one");
    assert_eq!(first, made("", "b.html"));
    assert_ne!(first, made("--seed 2", "b.html"));
}

#[test]
fn the_example_of_the_help_works() {
    let bench = Bench::new();
    bench.put("mine.toml", Board::built_in().to_toml());
    let help = bench.well("sheet --help");
    let example = help.lines().find_map(|line| line.strip_prefix("  tritank ")).unwrap();
    assert_eq!(bench.well(example), "");
    assert_eq!(bench.names(), ["mine.html", "mine.toml"]);
}

#[test]
fn what_makes_no_sheet_is_refused_and_nothing_is_written() {
    let bench = Bench::new();
    bench.put("mine.toml", Board::built_in().to_toml());
    bench.put("board.html", Board::built_in().to_toml());
    bench.put("full.csv", "kind\n");
    bench.put("bad.csv", "value,quantity\n47n,1\n47x,2\n");
    bench.put("wide.csv", "value,quantity,colour\n47n,1,red\n");
    for (line, words) in [
        ("sheet", &["--out"][..]),
        ("sheet --out mine.toml", &["mine.toml", "--out", "does not end in .html"]),
        ("sheet --out a", &["a:", ".html"]),
        ("sheet --board board.html --out board.html", &["board.html", "as input and as output"]),
        ("sheet --out lost/a.html", &["lost/a.html", "no such file or folder"]),
        ("sheet --out a.html --readings full.csv", &["full.csv", "taken", "what you measured"]),
        ("sheet --out a.html --readings r.txt", &["r.txt", "--readings", ".csv"]),
        ("sheet --out a.html --readings lost/r.csv", &["lost/r.csv", "no such file or folder"]),
        ("sheet --out a.html --drawer lost.csv", &["lost.csv", "no such file"]),
        ("sheet --out a.html --drawer bad.csv", &["bad.csv", "row 3, column value", "given \"47x\"", "1 pF to 10 mF"]),
        ("sheet --out a.html --drawer wide.csv", &["wide.csv", "row 1, column 3", "\"colour\""]),
        ("sheet --out a.html --units 5", &["--units", "5", "allowed is 100 to 100000"]),
        ("sheet --out a.html --seed x", &["--seed", "x"]),
        ("sheet --out a.html --board lost.toml", &["lost.toml", "no such file"]),
    ] {
        let told = bench.refused(line);
        for word in words {
            assert!(told.contains(word), "{line}: \"{word}\" is not in: {told}");
        }
    }
    assert_eq!(std::fs::read_to_string(bench.path("mine.toml")).unwrap(), Board::built_in().to_toml());
}
