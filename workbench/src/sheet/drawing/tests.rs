use super::*;
use crate::sheet::wiring;
use resvg::usvg;
use std::sync::Arc;
use tritank_dsp::board::{Bank, BankKind};
use tritank_dsp::circuit::Element;

/// Both kinds of bank, bleed, sweeps of both bodies and none, long values.
fn boards() -> Vec<(&'static str, Board, Settings)> {
    let plain = Board::built_in();
    let mut select = Board::built_in();
    select.stage1.bank = Bank {
        kind: BankKind::Select,
        capacitors: (0..16).map(|n| if n == 5 { 0.0 } else { 12.34e-9 * f64::from(n + 1) }).collect(),
        ..select.stage1.bank
    };
    select.stage2.bank = Bank { kind: BankKind::Select, capacitors: vec![1e-9, 2e-9], ..select.stage2.bank };
    select.stage3.bank.capacitors.clear();
    select.stage3.sweep = None;
    select.coupling.c12 = 2.2e-9;
    if let Some(sweep) = &mut select.stage2.sweep {
        sweep.body_diode = false;
    }
    let mut long = Board::built_in();
    long.name = "<script>".into();
    for stage in long.stages_mut() {
        stage.coil.core = 123.456e3;
        stage.coil.series = 123.456;
        stage.coil.inductance = 123.456e-3;
        stage.fixed = 123.456e-9;
        stage.bank.capacitors = vec![123.456e-9; 4];
        stage.driver.base = 123.456e3;
        stage.driver.emitter = 123.456;
    }
    let bleed = |board: &Board| {
        let mut settings = Settings::of(board);
        settings.set(Knob::ClickBleed, 1.0);
        settings
    };
    vec![
        ("plain", plain.clone(), Settings::of(&plain)),
        ("bleed", plain.clone(), bleed(&plain)),
        ("select", select.clone(), Settings::of(&select)),
        ("select and bleed", select.clone(), bleed(&select)),
        ("long values", long.clone(), bleed(&long)),
    ]
}

/// Names of parts in a drawing: what is set bold.
fn names(svg: &str) -> Vec<String> {
    let document = roxmltree::Document::parse(svg).unwrap();
    let bold = document.descendants().filter(|node| node.attribute("font-weight") == Some("bold"));
    bold.filter_map(|node| node.text().map(str::to_owned)).collect()
}

#[test]
fn every_part_that_is_soldered_is_drawn_once_under_its_name() {
    for (name, board, settings) in boards() {
        let drawn: Vec<_> = all(&board, &settings).iter().flat_map(|figure| names(&figure.svg)).collect();
        let mut parts = 0;
        for element in &crate::sheet::whole(&board, &settings, [0; 3]).elements {
            let own = wiring::name(element);
            let multiplexed = matches!(element, Element::Switch { line, .. } if line.contains('='));
            let inside = matches!(element, Element::Source { .. } | Element::Diode { .. } | Element::Charge { .. });
            // What is turned up on a bus is no part.
            let added = matches!(element, Element::Gain { .. }) && own.starts_with('o');
            if inside || multiplexed || added {
                continue;
            }
            assert_eq!(drawn.iter().filter(|text| *text == own).count(), 1, "{name}: {own}");
            parts += 1;
        }
        assert!(parts > 40, "{name}: {parts} parts");
    }
    let (_, board, settings) = &boards()[2];
    assert!(all(board, settings).iter().any(|figure| names(&figure.svg).contains(&"s10…s1f".to_owned())));
}

/// Ink of every text, as the pictures' own font sets it.
fn ink(group: &usvg::Group, found: &mut Vec<[f32; 4]>) {
    for node in group.children() {
        match node {
            usvg::Node::Group(group) => ink(group, found),
            usvg::Node::Text(text) => {
                let ink = text.flattened().abs_bounding_box();
                found.push([ink.left(), ink.top(), ink.right(), ink.bottom()]);
            }
            _ => {}
        }
    }
}

/// Ends of every straight line.
fn lines(svg: &str) -> Vec<[[f32; 2]; 2]> {
    let document = roxmltree::Document::parse(svg).unwrap();
    let polylines = document.descendants().filter_map(|node| node.attribute("points"));
    let point = |text: &str| {
        let (x, y) = text.split_once(',').unwrap();
        [x.parse().unwrap(), y.parse().unwrap()]
    };
    polylines
        .flat_map(|points| {
            let points: Vec<[f32; 2]> = points.split(' ').map(point).collect();
            points.windows(2).map(|ends| [ends[0], ends[1]]).collect::<Vec<_>>()
        })
        .collect()
}

#[test]
fn no_word_lies_on_another_or_on_a_wire_or_runs_off_the_paper() {
    let mut fonts = usvg::fontdb::Database::new();
    fonts.load_font_data(dejavu::sans::regular().to_vec());
    fonts.load_font_data(dejavu::sans::bold().to_vec());
    fonts.set_sans_serif_family("DejaVu Sans");
    let options = usvg::Options { fontdb: Arc::new(fonts), ..usvg::Options::default() };
    for (name, board, settings) in boards() {
        for figure in all(&board, &settings) {
            let at = format!("{name}, {}", figure.title);
            let svg = figure.svg.replacen("<svg ", "<svg xmlns=\"http://www.w3.org/2000/svg\" ", 1);
            let tree = usvg::Tree::from_str(&svg, &options).unwrap();
            let mut words = Vec::new();
            ink(tree.root(), &mut words);
            assert!(words.len() > 5, "{at}: {} words", words.len());
            let lines = lines(&figure.svg);
            for (n, a) in words.iter().enumerate() {
                let [left, top, right, bottom] = *a;
                let size = tree.size();
                assert!(left > 0.0 && top > 0.0 && right < size.width() && bottom < size.height(), "{at}: {a:?}");
                for b in &words[n + 1..] {
                    assert!(right < b[0] || b[2] < left || bottom < b[1] || b[3] < top, "{at}: {a:?} on {b:?}");
                }
                for [from, to] in &lines {
                    let steps = (to[0] - from[0]).hypot(to[1] - from[1]).ceil().max(1.0);
                    let hit = (0..=steps as usize).map(|step| {
                        let share = step as f32 / steps;
                        [0, 1].map(|axis| from[axis] + share * (to[axis] - from[axis]))
                    });
                    let mut hit = hit.filter(|[x, y]| (left..right).contains(x) && (top..bottom).contains(y));
                    assert_eq!(hit.next(), None, "{at}: a wire through {a:?}");
                }
            }
        }
    }
}

/// Through so small a capacitor the bias that the rate asks for is the base–emitter voltage itself, to the last bit: the astable stands still.
#[test]
fn an_exciter_out_of_reach_of_its_rate_stands_still_and_says_so() {
    let mut board = Board::built_in();
    (board.exciter.pause, board.exciter.pulse) = (1e-12, 1e-12);
    let figure = exciter::exciter(&board, &Settings::of(&board));
    assert!(
        figure.words.ends_with("So slow a rate as 110 Hz is out of its reach: it stands still."),
        "{}",
        figure.words
    );
    assert!(figure.svg.contains("it stands still") && !figure.svg.contains("inf") && !figure.svg.contains("NaN"));
    let sound = exciter::exciter(&Board::built_in(), &Settings::of(&Board::built_in()));
    assert!(sound.words.contains("At 110 Hz the bias is"), "{}", sound.words);
}
