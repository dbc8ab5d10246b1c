use super::*;
use crate::sheet::wiring;
use tritank_dsp::board::Bank;

fn boards() -> Vec<(&'static str, Board, Settings)> {
    let plain = Board::built_in();
    let mut select = Board::built_in();
    select.stage1.bank = Bank {
        kind: BankKind::Select,
        capacitors: (0..16).map(|n| if n == 5 { 0.0 } else { 1.234e-9 * f64::from(n + 1) }).collect(),
        ..select.stage1.bank
    };
    select.stage2.bank = Bank { kind: BankKind::Select, capacitors: vec![1e-9, 2e-9], ..select.stage2.bank };
    select.stage3.bank.capacitors.clear();
    select.stage3.sweep = None;
    select.coupling.c12 = 2.2e-9;
    if let Some(sweep) = &mut select.stage2.sweep {
        sweep.body_diode = false;
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
        ("select-bleed", select.clone(), bleed(&select)),
    ]
}

/// The words of a drawing.
fn texts(svg: &str) -> Vec<String> {
    let document = roxmltree::Document::parse(svg).unwrap();
    let texts = document.descendants().filter(|node| node.has_tag_name("text"));
    texts.filter_map(|node| node.text().map(str::to_owned)).collect()
}

/// Every part of the element list is drawn under its own name, but for what lies inside another part.
#[test]
fn every_part_that_is_soldered_is_drawn_under_its_name() {
    for (name, board, settings) in boards() {
        let texts: Vec<_> = all(&board, &settings).iter().flat_map(|figure| texts(&figure.svg)).collect();
        for element in &crate::sheet::whole(&board, &settings, [0; 3]).elements {
            let part = wiring::name(element);
            let own = ["bus", "leak_", "sweep", "supply", "m2", "p1", "p2", "p3", "o1", "d", "s"];
            let drawn = texts.iter().any(|text| text.split_whitespace().next() == Some(part));
            let kept = own.iter().any(|start| part.starts_with(start));
            assert!(drawn || kept, "{name}: {part} is not drawn");
        }
    }
}

/// Estimated boxes of all words and names: a letter is at most 0.62 of its size wide on average in the font of the
/// pictures (DejaVu Sans, measured on figures and small letters).
#[test]
fn no_two_words_of_a_drawing_lie_on_each_other() {
    for (name, board, settings) in boards() {
        for figure in all(&board, &settings) {
            let document = roxmltree::Document::parse(&figure.svg).unwrap();
            let number = |node: &roxmltree::Node<'_, '_>, key| node.attribute(key).unwrap().parse::<f64>().unwrap();
            let boxes: Vec<_> = document
                .descendants()
                .filter(|node| node.has_tag_name("text"))
                .filter_map(|node| {
                    let text = node.text()?;
                    let wide = 0.62 * 13.0 * text.chars().count() as f64;
                    let [x, y] = [number(&node, "x"), number(&node, "y")];
                    let left = match node.attribute("text-anchor")? {
                        "start" => x,
                        "end" => x - wide,
                        _ => x - 0.5 * wide,
                    };
                    Some((text.to_owned(), [left, left + wide, y - 9.5, y + 2.0]))
                })
                .collect();
            let root = document.root_element();
            let size = [number(&root, "width"), number(&root, "height")];
            for (n, (text, a)) in boxes.iter().enumerate() {
                let inside = a[0] >= 0.0 && a[1] <= size[0] && a[2] >= 0.0 && a[3] <= size[1];
                assert!(inside, "{name}, {}: \"{text}\" runs off the paper: {a:?} of {size:?}", figure.title);
                for (other, b) in &boxes[n + 1..] {
                    let apart = a[1] <= b[0] || b[1] <= a[0] || a[3] <= b[2] || b[3] <= a[2];
                    assert!(apart, "{name}, {}: \"{text}\" lies on \"{other}\"", figure.title);
                }
            }
        }
    }
}
