//! Pen and symbols: circuit drawings in the symbols of IEC 60617, as SVG in one weight of black.
//!
//! ```text
//!   from ──[ symbol ]── to      drawn along any axis; u runs from one end to the other, v across
//! ```
//! Lengths are pixels of the drawing, x to the right and y down.

use askama::filters::{Html, escape};
use std::fmt::Write as _;

/// A place on the paper.
pub(super) type At = [f64; 2];

const LETTER: f64 = 13.0;
/// Millimetres of a pixel on paper, at most: letters of every drawing are as large, 2.7 mm, where the paper is wide enough.
const MILLIMETRES: f64 = 0.21;

/// A part with two ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Symbol {
    Resistor,
    Capacitor,
    Coil,
    Switch,
}

impl Symbol {
    /// Half of its length.
    const fn half(self) -> f64 {
        match self {
            Self::Resistor => 17.0,
            Self::Capacitor => 3.5,
            Self::Coil => 24.0,
            Self::Switch => 13.0,
        }
    }
}

/// Where a text is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Hold {
    Start,
    Middle,
    End,
}

/// How a text is set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Set {
    /// Name of a part.
    Name,
    /// Value or remark.
    Plain,
    /// Name of a node.
    Node,
}

/// A drawing while it grows.
#[derive(Debug, Default)]
pub(super) struct Pen {
    lines: String,
    solids: String,
    words: String,
}

impl Pen {
    /// The finished drawing, described in words for those who do not see it.
    pub(super) fn finish(self, [width, height]: At, words: &str) -> String {
        let Self { lines, solids, words: texts } = self;
        let words = told(words);
        let most = fine(width * MILLIMETRES);
        format!(
            "<svg viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" style=\"max-width:{most}mm\" role=\"img\" \
             aria-label=\"{words}\">\
             <g fill=\"none\" stroke=\"#000\" stroke-width=\"1.4\" stroke-linecap=\"round\" stroke-linejoin=\"round\">\
             {lines}</g><g fill=\"#000\" stroke=\"none\">{solids}</g>\
             <g fill=\"#000\" stroke=\"none\" font-family=\"sans-serif\" font-size=\"{LETTER}\">{texts}</g></svg>"
        )
    }

    /// A wire through these places.
    pub(super) fn wire(&mut self, places: &[At]) {
        self.line(places, "");
    }

    /// A dashed line: an outline of what is one part.
    pub(super) fn dashes(&mut self, places: &[At]) {
        self.line(places, " stroke-dasharray=\"5 4\" stroke-width=\"1\"");
    }

    fn line(&mut self, places: &[At], style: &str) {
        let points: Vec<_> = places.iter().map(|[x, y]| format!("{},{}", fine(*x), fine(*y))).collect();
        let _ = write!(self.lines, "<polyline points=\"{}\"{style}/>", points.join(" "));
    }

    fn solid(&mut self, places: &[At]) {
        let points: Vec<_> = places.iter().map(|[x, y]| format!("{},{}", fine(*x), fine(*y))).collect();
        let _ = write!(self.solids, "<polygon points=\"{}\"/>", points.join(" "));
    }

    fn circle(&mut self, [x, y]: At, radius: f64) {
        let _ = write!(self.lines, "<circle cx=\"{}\" cy=\"{}\" r=\"{radius}\"/>", fine(x), fine(y));
    }

    /// A box.
    pub(super) fn frame(&mut self, [left, top]: At, [right, bottom]: At) {
        self.wire(&[[left, top], [right, top], [right, bottom], [left, bottom], [left, top]]);
    }

    /// Wires are joined here.
    pub(super) fn dot(&mut self, [x, y]: At) {
        let _ = write!(self.solids, "<circle cx=\"{}\" cy=\"{}\" r=\"3\"/>", fine(x), fine(y));
    }

    /// A text.
    pub(super) fn text(&mut self, [x, y]: At, hold: Hold, set: Set, text: &str) {
        let hold = match hold {
            Hold::Start => "start",
            Hold::Middle => "middle",
            Hold::End => "end",
        };
        let set = match set {
            Set::Name => " font-weight=\"bold\"",
            Set::Plain => "",
            Set::Node => " font-style=\"italic\" font-size=\"11.5\"",
        };
        let (x, y, text) = (fine(x), fine(y), told(text));
        let _ = write!(self.words, "<text x=\"{x}\" y=\"{y}\" text-anchor=\"{hold}\"{set}>{text}</text>");
    }

    /// Name over value, to the right of `at`.
    pub(super) fn label(&mut self, [x, y]: At, name: &str, value: &str) {
        self.text([x, y - 3.0], Hold::Start, Set::Name, name);
        self.text([x, y + 12.0], Hold::Start, Set::Plain, value);
    }

    /// A part between two places on one axis: upright its name and value stand to the right, lying down above and below.
    pub(super) fn part(&mut self, symbol: Symbol, from: At, to: At, name: &str, value: &str) {
        let [x, y] = self.symbol(symbol, from, to);
        if from[0] == to[0] {
            self.label([x + 14.0, y], name, value);
        } else {
            self.text([x, y - 14.0], Hold::Middle, Set::Name, name);
            self.text([x, y + 24.0], Hold::Middle, Set::Plain, value);
        }
    }

    /// The same without words; where its middle is.
    pub(super) fn symbol(&mut self, symbol: Symbol, from: At, to: At) -> At {
        let length = (to[0] - from[0]).hypot(to[1] - from[1]);
        let [dx, dy] = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
        let middle = [0.5 * (from[0] + to[0]), 0.5 * (from[1] + to[1])];
        let at = |u: f64, v: f64| [middle[0] + u * dx - v * dy, middle[1] + u * dy + v * dx];
        let half = symbol.half();
        self.wire(&[from, at(-half, 0.0)]);
        self.wire(&[at(half, 0.0), to]);
        match symbol {
            Symbol::Resistor => {
                self.wire(&[at(-half, -6.0), at(half, -6.0), at(half, 6.0), at(-half, 6.0), at(-half, -6.0)]);
            }
            Symbol::Capacitor => {
                for u in [-half, half] {
                    self.wire(&[at(u, -10.0), at(u, 10.0)]);
                }
            }
            Symbol::Coil => {
                let [x, y] = at(-half, 0.0);
                let mut path = format!("M{} {}", fine(x), fine(y));
                for n in 1..=4 {
                    let [x, y] = at(-half + 12.0 * f64::from(n), 0.0);
                    let _ = write!(path, "A6 6 0 0 1 {} {}", fine(x), fine(y));
                }
                let _ = write!(self.lines, "<path d=\"{path}\"/>");
            }
            Symbol::Switch => {
                self.circle(at(-half, 0.0), 2.2);
                self.circle(at(half, 0.0), 2.2);
                self.wire(&[at(-half, 0.0), at(half - 3.0, 9.0)]);
            }
        }
        middle
    }

    /// An NPN transistor with its collector up at `x`: base on the left, or on the right when `mirrored`; emitter below.
    /// Its pins: collector, base, emitter.
    pub(super) fn npn(&mut self, [x, y]: At, mirrored: bool, name: &str) -> [At; 3] {
        let way = if mirrored { -1.0 } else { 1.0 };
        let bar = x - 14.0 * way;
        self.circle([x - 7.0 * way, y], 19.0);
        self.wire(&[[x - 40.0 * way, y], [bar, y]]);
        self.wire(&[[bar, y - 11.0], [bar, y + 11.0]]);
        self.wire(&[[bar, y - 5.0], [x, y - 14.0], [x, y - 30.0]]);
        self.wire(&[[bar, y + 5.0], [x, y + 14.0], [x, y + 30.0]]);
        // Out of the emitter.
        self.solid(&[[x, y + 14.0], [x - 9.0 * way, y + 12.8], [x - 5.4 * way, y + 5.6]]);
        let hold = if mirrored { Hold::End } else { Hold::Start };
        self.text([x + 16.0 * way, y + 5.0], hold, Set::Name, name);
        [[x, y - 30.0], [x - 40.0 * way, y], [x, y + 30.0]]
    }

    /// An N-channel enhancement MOSFET with its source up at `x` and its gate on the left; with the body on the source a
    /// diode leads from source to drain. Its pins: drain, gate, source.
    pub(super) fn nmos(&mut self, [x, y]: At, body_diode: bool, name: &str) -> [At; 3] {
        let channel = x - 14.0;
        self.wire(&[[x - 40.0, y], [x - 20.0, y]]);
        self.wire(&[[x - 20.0, y - 14.0], [x - 20.0, y + 14.0]]);
        for [top, bottom] in [[-15.0, -8.0], [-4.0, 4.0], [8.0, 15.0]] {
            self.wire(&[[channel, y + top], [channel, y + bottom]]);
        }
        self.wire(&[[channel, y - 11.5], [x, y - 11.5], [x, y - 34.0]]);
        self.wire(&[[channel, y + 11.5], [x, y + 11.5], [x, y + 34.0]]);
        self.wire(&[[channel, y], [x, y]]);
        // Into the channel: N.
        self.solid(&[[channel, y], [channel + 8.0, y - 3.8], [channel + 8.0, y + 3.8]]);
        if body_diode {
            self.wire(&[[x, y], [x, y - 11.5]]);
            let diode = x + 18.0;
            self.wire(&[[x, y - 26.0], [diode, y - 26.0], [diode, y + 26.0], [x, y + 26.0]]);
            self.solid(&[[diode - 6.0, y - 6.0], [diode + 6.0, y - 6.0], [diode, y + 5.0]]);
            self.wire(&[[diode - 6.0, y + 5.0], [diode + 6.0, y + 5.0]]);
            self.text([diode + 12.0, y + 5.0], Hold::Start, Set::Name, name);
        } else {
            self.wire(&[[x, y], [x + 12.0, y]]);
            self.text([x + 16.0, y + 4.0], Hold::Start, Set::Node, "body");
            self.text([x + 16.0, y + 20.0], Hold::Start, Set::Name, name);
        }
        [[x, y + 34.0], [x - 40.0, y], [x, y - 34.0]]
    }

    /// An ideal buffer that points to the right from `from` to `to`.
    pub(super) fn buffer(&mut self, from: At, to: At, name: &str, value: &str) {
        let [x, y] = [0.5 * (from[0] + to[0]), from[1]];
        self.wire(&[from, [x - 18.0, y]]);
        self.wire(&[[x + 18.0, y], to]);
        self.wire(&[[x - 18.0, y - 18.0], [x + 18.0, y], [x - 18.0, y + 18.0], [x - 18.0, y - 18.0]]);
        self.text([x, y - 24.0], Hold::Middle, Set::Name, name);
        self.text([x, y + 34.0], Hold::Middle, Set::Plain, value);
    }

    /// Ground under a place.
    pub(super) fn ground(&mut self, [x, y]: At) {
        self.wire(&[[x, y], [x, y + 8.0]]);
        for (n, half) in [11.0, 7.0, 3.0].into_iter().enumerate() {
            let y = y + 8.0 + 4.5 * n as f64;
            self.wire(&[[x - half, y], [x + half, y]]);
        }
    }

    /// An arrow up to the rail from a place.
    pub(super) fn rail(&mut self, [x, y]: At, text: &str) {
        self.wire(&[[x, y], [x, y - 14.0]]);
        self.solid(&[[x, y - 20.0], [x - 5.0, y - 11.0], [x + 5.0, y - 11.0]]);
        self.text([x + 10.0, y - 10.0], Hold::Start, Set::Node, text);
    }

    /// A jack or a terminal, with what goes in or comes out of it.
    pub(super) fn terminal(&mut self, [x, y]: At, hold: Hold, text: &str) {
        self.circle([x, y], 3.5);
        let x = match hold {
            Hold::Start => x + 8.0,
            Hold::Middle => x,
            Hold::End => x - 8.0,
        };
        let y = if hold == Hold::Middle { y - 10.0 } else { y + 4.5 };
        self.text([x, y], hold, Set::Plain, text);
    }

    /// The name of a node beside a place.
    pub(super) fn node(&mut self, [x, y]: At, hold: Hold, name: &str) {
        self.text([x, y], hold, Set::Node, name);
    }
}

/// A tenth of a pixel is fine enough.
fn fine(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

fn told(text: &str) -> String {
    escape(text, Html).map_or_else(|_| String::new(), |text| text.to_string())
}
