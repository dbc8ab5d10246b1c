//! From point to point: every pin of the element list, by the node it lands on, in an order in which one can solder.
//!
//! ```text
//!   ground ─► rail ─► input stage ─► stage 1 ─► stage 2 ─► follower ─► stage 3 ─► what is inside a part
//! ```
//! Some elements are no part of their own (a coil's losses, a body diode) and some are the model's ideal sums and buffers;
//! both are in the list, so that it holds every element, and say what they are.

use super::figure;
use serde::Serialize;
use std::collections::BTreeMap;
use tritank_dsp::circuit::{Circuit, Element};
use tritank_dsp::value::Unit;

/// What a builder does about a pin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Place {
    /// It is soldered.
    Solder,
    /// The model's ideal sum or buffer; how it is built is the builder's own.
    Ideal,
    /// Inside a part: nothing to solder.
    Inside,
}

/// One pin of one element.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Pin {
    /// Name in the element list.
    pub element: String,
    /// Key of the pin in the element list: a, b, c, e …
    pub pin: &'static str,
    /// What a builder calls it.
    pub words: String,
    /// Kind and value of the part.
    pub part: String,
    /// Where the rest of a part of two ends goes; empty for others.
    pub other: String,
    /// What to do about it.
    pub place: Place,
}

/// A node with everything that lands on it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Node {
    /// Name in the element list.
    pub node: String,
    /// What a builder calls it.
    pub words: String,
    /// Heading under which it is soldered.
    pub group: String,
    /// Its pins, in the order of the element list.
    pub pins: Vec<Pin>,
}

impl Node {
    /// Whether there is nothing to solder.
    pub fn is_inside(&self) -> bool {
        self.pins.iter().all(|pin| pin.place == Place::Inside)
    }
}

/// Every node of a circuit, in the order of soldering.
pub fn nodes(circuit: &Circuit) -> Vec<Node> {
    let mut landed: BTreeMap<&str, Vec<Pin>> = BTreeMap::new();
    for element in &circuit.elements {
        for (pin, node) in ends(element) {
            landed.entry(node).or_default().push(describe(element, pin, node));
        }
    }
    let mut nodes: Vec<_> = landed
        .into_iter()
        .map(|(node, pins)| Node { node: node.into(), words: words(node), group: group(node).1, pins })
        .collect();
    nodes.sort_by_cached_key(|node| (node.is_inside(), group(&node.node).0, rank(&node.node), node.node.clone()));
    for node in nodes.iter_mut().filter(|node| node.is_inside()) {
        node.group = "Inside the parts: nothing to solder".into();
    }
    nodes
}

/// Name of an element in the list.
pub fn name(element: &Element) -> &str {
    match element {
        Element::Resistor { name, .. }
        | Element::Capacitor { name, .. }
        | Element::Inductor { name, .. }
        | Element::Source { name, .. }
        | Element::Gain { name, .. }
        | Element::Npn { name, .. }
        | Element::Nmos { name, .. }
        | Element::Diode { name, .. }
        | Element::Switch { name, .. }
        | Element::Charge { name, .. } => name,
    }
}

/// Pins of an element and the nodes that they land on.
pub fn ends(element: &Element) -> Vec<(&'static str, &str)> {
    match element {
        Element::Resistor { a, b, .. }
        | Element::Capacitor { a, b, .. }
        | Element::Inductor { a, b, .. }
        | Element::Switch { a, b, .. }
        | Element::Charge { a, b, .. } => vec![("a", a), ("b", b)],
        Element::Source { p, n, .. } => vec![("p", p), ("n", n)],
        Element::Gain { p, n, cp, cn, .. } => vec![("p", p), ("n", n), ("cp", cp), ("cn", cn)],
        Element::Npn { c, b, e, .. } => vec![("c", c), ("b", b), ("e", e)],
        Element::Nmos { d, g, s, .. } => vec![("d", d), ("g", g), ("s", s)],
        Element::Diode { a, k, .. } => vec![("a", a), ("k", k)],
    }
}

fn describe(element: &Element, pin: &'static str, node: &str) -> Pin {
    let name = name(element);
    let end = format!("{} end of {name}", short(node));
    let (words, part, place) = match element {
        Element::Resistor { ohms, .. } => {
            let value = figure(*ohms, Unit::Ohm);
            match (name.split_at(name.len().min(2)), node.starts_with('m')) {
                (("rs", n), false) if is_stage(n) => {
                    (format!("rail end of coil l{n}"), format!("its wire is {name}, {value}"), Place::Solder)
                }
                (("rs", n), true) if is_stage(n) => (end, format!("wire of coil l{n}, {value}"), Place::Inside),
                (("rp", n), _) if is_stage(n) => (end, format!("core loss of coil l{n}, {value}"), Place::Inside),
                _ => (end, format!("resistor {value}"), Place::Solder),
            }
        }
        Element::Capacitor { farads, .. } => {
            (end, format!("capacitor {}", figure(*farads, Unit::Farad)), Place::Solder)
        }
        Element::Inductor { henries, .. } => {
            let place = if node.starts_with('m') { Place::Inside } else { Place::Solder };
            (end, format!("coil {}", figure(*henries, Unit::Henry)), place)
        }
        Element::Switch { line, ron, .. } if line.contains('=') => {
            let position = line.split('=').next_back().unwrap_or_default();
            let pin = if node.starts_with('w') {
                format!("position {position}, {name}")
            } else {
                format!("common pin of {name}")
            };
            (pin, format!("multiplexer, {} when closed", figure(*ron, Unit::Ohm)), Place::Solder)
        }
        Element::Switch { line, ron, .. } => {
            (end, format!("switch on line {line}, {} when closed", figure(*ron, Unit::Ohm)), Place::Solder)
        }
        Element::Charge { line, coulombs, .. } => {
            let charge = format!("{} of charge at an edge of line {line}", figure(*coulombs, Unit::Coulomb));
            (end, format!("{charge}, inside the switch"), Place::Inside)
        }
        Element::Source { volts, input, scale, .. } => {
            let pole = if pin == "p" { "plus" } else { "minus" };
            match (name, input) {
                ("supply", _) => {
                    (format!("{pole} of the supply"), format!("battery {}", figure(*volts, Unit::Volt)), Place::Solder)
                }
                (_, Some(input)) if input == name => {
                    (format!("{pole} of control voltage {name}"), "jack".into(), Place::Solder)
                }
                (_, input) => {
                    let bias = (*volts != 0.0).then(|| format!("bias {}", figure(*volts, Unit::Volt)));
                    let jack = input.as_ref().map(|input| format!("{:.4} × {input}", scale.unwrap_or(0.0)));
                    let sum: Vec<_> = bias.into_iter().chain(jack).collect();
                    (format!("{pole} of {name}"), format!("ideal sum: {}", sum.join(" + ")), Place::Ideal)
                }
            }
        }
        Element::Gain { gain, .. } => {
            let side = match pin {
                "p" => "output of",
                "n" => "output return of",
                "cp" => "input of",
                _ => "input return of",
            };
            (format!("{side} buffer {name}"), format!("ideal buffer, gain {gain:.4}"), Place::Ideal)
        }
        Element::Npn { .. } => {
            let pin = match pin {
                "c" => "collector",
                "b" => "base",
                _ => "emitter",
            };
            (format!("{pin} of {name}"), "germanium transistor, NPN".into(), Place::Solder)
        }
        Element::Nmos { .. } => {
            let pin = match pin {
                "d" => "drain",
                "g" => "gate",
                _ => "source",
            };
            (format!("{pin} of {name}"), "MOSFET, N channel".into(), Place::Solder)
        }
        Element::Diode { .. } => {
            let pole = if pin == "a" { "anode" } else { "cathode" };
            let part = match name.strip_prefix("leak_") {
                Some(transistor) => format!("leakage inside {transistor}"),
                None => format!("body diode inside m{}", name.trim_start_matches('d')),
            };
            (format!("{pole} of {name}"), part, Place::Inside)
        }
    };
    let other = match (element, &ends(element)[..]) {
        (Element::Source { .. }, _) => String::new(),
        (_, [(first, a), (_, b)]) => self::words(if *first == pin { b } else { a }),
        _ => String::new(),
    };
    Pin { element: name.into(), pin, words, part, other, place }
}

fn is_stage(text: &str) -> bool {
    matches!(text, "1" | "2" | "3")
}

/// A node's letter and stage: `c1` is `('c', "1")`, `w1f` `('w', "1f")`.
fn split(node: &str) -> (char, &str) {
    let letter = node.chars().next().unwrap_or(' ');
    (letter, &node[letter.len_utf8().min(node.len())..])
}

/// What a builder calls a node.
pub fn words(node: &str) -> String {
    match (split(node), node) {
        (_, "0") => "ground".into(),
        (_, "vcc") => "rail".into(),
        (_, "o0") => "output of the input stage".into(),
        (_, "fn") => "divider of the follower".into(),
        (_, "fb") => "base of qfa".into(),
        (_, "fe") => "emitter of qfa, base of qfb".into(),
        (_, "fo") => "emitter of qfb".into(),
        (_, "fx") => "behind the follower's buffer".into(),
        (_, "fy") => "output of the follower".into(),
        (('c', n), _) => format!("collector of q{n}"),
        (('b', n), _) => format!("base of q{n}"),
        (('e', n), _) => format!("emitter of q{n}"),
        (('x', n), _) => format!("drain of m{n}"),
        (('g', n), _) => format!("gate of m{n}"),
        (('m', n), _) => format!("within coil l{n}"),
        (('w', n), _) => format!("between s{n} and b{n}"),
        (('j', n), _) if n.len() == 1 => format!("bus of stage {n}"),
        (('j', n), _) => {
            let on_top = match n.chars().last() {
                Some('o') => "overdriven input",
                Some('m') => "main in",
                Some('p') => "pulse",
                _ => "link",
            };
            format!("bus of stage {}, {on_top} added", &n[..1])
        }
        _ => format!("node {node}"),
    }
}

/// The same in a word or two, before "end".
fn short(node: &str) -> String {
    match (split(node), node) {
        (_, "0") => "ground".into(),
        (_, "vcc") => "rail".into(),
        (_, "fe") => "qfa emitter".into(),
        (_, "fb") => "qfa base".into(),
        (_, "fo") => "qfb emitter".into(),
        (_, "fn") => "divider".into(),
        (_, "fx") => "buffer".into(),
        (_, "fy" | "o0") => "output".into(),
        (('c', n), _) => format!("q{n} collector"),
        (('b', n), _) => format!("q{n} base"),
        (('e', n), _) => format!("q{n} emitter"),
        (('x', n), _) => format!("m{n} drain"),
        (('g', n), _) => format!("m{n} gate"),
        (('m', _), _) => "inner".into(),
        (('w', n), _) => format!("bank ({n})"),
        (('j', _), _) => "bus".into(),
        _ => node.into(),
    }
}

/// When it is soldered, and the heading over it.
fn group(node: &str) -> (usize, String) {
    let stage = split(node).1.chars().next();
    match (node, split(node).0, stage) {
        ("0", ..) => (0, "Ground".into()),
        ("vcc", ..) => (1, "Rail".into()),
        (_, 'f', _) => (5, "Follower".into()),
        (_, _, Some('0')) => (2, "Input stage".into()),
        (_, _, Some('1')) => (3, "Stage 1".into()),
        (_, _, Some('2')) => (4, "Stage 2".into()),
        (_, _, Some('3')) => (6, "Stage 3".into()),
        _ => (7, "Others".into()),
    }
}

/// Within a stage from the emitter up.
fn rank(node: &str) -> usize {
    let order = if node.starts_with('f') { "nbeoxy" } else { "ebjcowxg" };
    let letter = if node.starts_with('f') { node.chars().nth(1) } else { node.chars().next() };
    letter.and_then(|letter| order.find(letter)).unwrap_or(order.len())
}

#[cfg(test)]
mod tests {
    use super::*;
    use tritank_dsp::board::Board;
    use tritank_dsp::knobs::Settings;

    fn built_in() -> Vec<Node> {
        let board = Board::built_in();
        nodes(&Circuit::of(&board, &Settings::of(&board), [0; 3]))
    }

    #[test]
    fn ground_and_rail_come_first_and_what_is_inside_comes_last() {
        let nodes = built_in();
        let at = |name: &str| nodes.iter().position(|node| node.node == name).unwrap();
        assert_eq!([at("0"), at("vcc")], [0, 1]);
        assert!(at("e1") < at("c1") && at("c1") < at("e2") && at("c2") < at("fn") && at("fy") < at("e3"));
        assert!(nodes[at("m1")].is_inside() && at("m1") > at("c3"));
        assert_eq!(nodes.iter().filter(|node| node.is_inside()).count(), 3, "one in each coil");
    }

    #[test]
    fn a_pin_is_called_what_a_builder_calls_it() {
        let nodes = built_in();
        let says = |node: &str, element: &str| {
            let node = nodes.iter().find(|other| other.node == node).unwrap();
            let pin = node.pins.iter().find(|pin| pin.element == element).unwrap();
            (pin.words.clone(), pin.other.clone(), pin.place)
        };
        let told = |words: &str, other: &str, place| (words.to_owned(), other.to_owned(), place);
        assert_eq!(says("c1", "q1"), told("collector of q1", "", Place::Solder));
        assert_eq!(says("vcc", "cf1"), told("rail end of cf1", "collector of q1", Place::Solder));
        assert_eq!(says("0", "re3"), told("ground end of re3", "emitter of q3", Place::Solder));
        assert_eq!(says("vcc", "rs2").0, "rail end of coil l2");
        assert_eq!(says("vcc", "rp2").2, Place::Inside);
        assert_eq!(says("c1", "leak_q1").2, Place::Inside);
        assert_eq!(says("0", "supply").0, "minus of the supply");
        assert_eq!(says("w10", "s10"), told("bank (10) end of s10", "collector of q1", Place::Solder));
    }
}
