//! Modified nodal analysis of an element list.
//!
//! ```text
//!   Σ currents leaving each node = 0, one row a node;  one more row and one current for every source, gain and coil
//!   G·x + C·dx/dt + i(x) = b
//! ```
//! C. W. Ho, A. E. Ruehli, P. A. Brennan, "The modified nodal approach to network analysis", IEEE Trans. CAS 22 (1975)
//! 504–509 (from memory).

use crate::circuit::{Circuit, Element};
use nalgebra::{DMatrix, DVector};
use std::collections::BTreeMap;

/// A node's row; ground has none.
pub(super) type Node = Option<usize>;
/// Two nodes, between which a voltage stands or a current flows from the first to the second.
pub(super) type Pair = [Node; 2];

/// Conductance across a capacitor at DC, siemens: holds a node that only capacitors touch, far below any leakage.
const IDLE: f64 = 1e-18;

/// A law that bends.
#[derive(Clone, Copy, Debug)]
pub(super) enum Law {
    Npn { is: f64, bf: f64, br: f64, nf: f64, vt: f64 },
    Nmos { k: f64, vth: f64, vt: f64 },
    Diode { is: f64, nvt: f64 },
}

/// A bent part: what it is controlled by, and along which ways its currents flow.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bend {
    pub(super) law: Law,
    /// Transistor: base–emitter, base–collector. Channel: gate–source, drain–source. Diode: itself twice.
    pub(super) controls: [Pair; 2],
    /// Transistor: collector–emitter, base–emitter. The others use the first alone.
    pub(super) flows: [Pair; 2],
}

/// A current and its slopes against the two controls.
pub(super) type Slope = (f64, [f64; 2]);

impl Law {
    /// Currents along the two flows at two controlling voltages, as the list's laws say.
    pub(super) fn at(self, [u, v]: [f64; 2]) -> [Slope; 2] {
        match self {
            Self::Npn { is, bf, br, nf, vt } => {
                let (f, df) = junction(u, nf * vt);
                let (r, dr) = junction(v, vt);
                let k = is * (1.0 + 1.0 / br);
                [(is * f - k * r, [is * df, -k * dr]), (is * (f / bf + r / br), [is * df / bf, is * dr / br])]
            }
            Self::Nmos { k, vth, vt } => {
                let (f, df) = channel((u - vth) / vt);
                let (r, dr) = channel((u - vth - v) / vt);
                let scale = 2.0 * k * vt * vt;
                [(scale * (f - r), [scale * (df - dr) / vt, scale * dr / vt]), (0.0, [0.0; 2])]
            }
            Self::Diode { is, nvt } => {
                let (f, df) = junction(u, nvt);
                [(is * f, [is * df, 0.0]), (0.0, [0.0; 2])]
            }
        }
    }

    /// The thermal voltage and saturation current of the junction behind each control, where one is.
    pub(super) fn junctions(self) -> [Option<(f64, f64)>; 2] {
        match self {
            Self::Npn { is, nf, vt, .. } => [Some((nf * vt, is)), Some((vt, is))],
            Self::Nmos { .. } => [None, None],
            Self::Diode { is, nvt } => [Some((nvt, is)), None],
        }
    }
}

/// `e^{v/vt} − 1` and its slope; far beyond any current that flows it goes on as a straight line.
fn junction(v: f64, vt: f64) -> (f64, f64) {
    const FAR: f64 = 100.0;
    let x = v / vt;
    let e = x.min(FAR).exp();
    let straight = (x - FAR).max(0.0);
    (x.min(FAR).exp_m1() + e * straight, e / vt)
}

/// `F(x) = ln²(1 + e^{x/2})` and its slope.
fn channel(x: f64) -> (f64, f64) {
    let half = 0.5 * x;
    let log = half.max(0.0) + (-half.abs()).exp().ln_1p();
    let logistic = if half > 0.0 { 1.0 / (1.0 + (-half).exp()) } else { half.exp() / (1.0 + half.exp()) };
    (log * log, log * logistic)
}

/// A capacitor, or a coil with its own current.
#[derive(Clone, Copy, Debug)]
pub(super) enum Store {
    Capacitor { pair: Pair, farads: f64 },
    Coil { branch: usize, henries: f64, saturation: Option<f64> },
}

/// The list as matrices.
#[derive(Clone, Debug)]
pub(super) struct Nodal {
    names: Vec<String>,
    /// Everything that is straight: resistors, switches, the rows of sources, gains and coils. Capacitors are idle.
    pub(super) g: DMatrix<f64>,
    /// What sources hold.
    pub(super) b: DVector<f64>,
    pub(super) bends: Vec<Bend>,
    pub(super) stores: Vec<Store>,
    /// Row of every source and gain.
    rows: BTreeMap<String, usize>,
    /// Row and controlling pair of every gain.
    gains: BTreeMap<String, (usize, Pair)>,
}

impl Nodal {
    pub(super) fn of(circuit: &Circuit) -> Self {
        let mut nodes = BTreeMap::<&str, usize>::new();
        let mut branches = 0;
        for element in &circuit.elements {
            for name in ends(element) {
                let next = nodes.len();
                if name != "0" {
                    nodes.entry(name).or_insert(next);
                }
            }
            branches += usize::from(matches!(
                element,
                Element::Source { .. } | Element::Gain { .. } | Element::Inductor { .. }
            ));
        }
        let size = nodes.len() + branches;
        let node = |name: &String| nodes.get(name.as_str()).copied();
        let pair = |a: &String, b: &String| [node(a), node(b)];
        let mut names = vec![String::new(); nodes.len()];
        for (name, row) in &nodes {
            (*name).clone_into(&mut names[*row]);
        }
        let mut all = Self {
            names,
            g: DMatrix::zeros(size, size),
            b: DVector::zeros(size),
            bends: Vec::new(),
            stores: Vec::new(),
            rows: BTreeMap::new(),
            gains: BTreeMap::new(),
        };
        let mut row = nodes.len();
        let mut branch = || {
            row += 1;
            row - 1
        };
        for element in &circuit.elements {
            match element {
                Element::Resistor { a, b, ohms, .. } => all.conduct(pair(a, b), 1.0 / ohms),
                Element::Switch { a, b, ron, roff, closed, .. } => {
                    all.conduct(pair(a, b), 1.0 / if *closed { ron } else { roff });
                }
                Element::Capacitor { a, b, farads, .. } => {
                    all.conduct(pair(a, b), IDLE);
                    all.stores.push(Store::Capacitor { pair: pair(a, b), farads: *farads });
                }
                Element::Inductor { a, b, henries, saturation, .. } => {
                    let branch = branch();
                    all.hold(branch, pair(a, b));
                    all.stores.push(Store::Coil { branch, henries: *henries, saturation: *saturation });
                }
                Element::Source { name, p, n, volts, .. } => {
                    let branch = branch();
                    all.hold(branch, pair(p, n));
                    all.b[branch] = *volts;
                    all.rows.insert(name.clone(), branch);
                }
                Element::Gain { name, p, n, cp, cn, gain } => {
                    let branch = branch();
                    all.hold(branch, pair(p, n));
                    sense(&mut all.g, branch, pair(cp, cn), -gain);
                    all.gains.insert(name.clone(), (branch, pair(cp, cn)));
                }
                Element::Npn { c, b, e, is, bf, br, nf, vt, .. } => all.bends.push(Bend {
                    law: Law::Npn { is: *is, bf: *bf, br: *br, nf: *nf, vt: *vt },
                    controls: [pair(b, e), pair(b, c)],
                    flows: [pair(c, e), pair(b, e)],
                }),
                Element::Nmos { d, g, s, k, vth, vt, .. } => all.bends.push(Bend {
                    law: Law::Nmos { k: *k, vth: *vth, vt: *vt },
                    controls: [pair(g, s), pair(d, s)],
                    flows: [pair(d, s); 2],
                }),
                Element::Diode { a, k, is, n, vt, .. } => all.bends.push(Bend {
                    law: Law::Diode { is: *is, nvt: n * vt },
                    controls: [pair(a, k); 2],
                    flows: [pair(a, k); 2],
                }),
                // Flows at edges only.
                Element::Charge { .. } => {}
            }
        }
        all
    }

    /// How many of the unknowns are node voltages.
    pub(super) fn nodes(&self) -> usize {
        self.names.len()
    }

    pub(super) fn name(&self, node: usize) -> &str {
        &self.names[node]
    }

    /// Row of the node of that name; ground and strangers have none.
    pub(super) fn node(&self, name: &str) -> Node {
        self.names.iter().position(|n| n == name)
    }

    /// Row of a source.
    pub(super) fn row(&self, source: &str) -> Option<usize> {
        self.rows.get(source).copied()
    }

    /// Row and controlling pair of a gain.
    pub(super) fn gain(&self, name: &str) -> Option<(usize, Pair)> {
        self.gains.get(name).copied()
    }

    /// Node voltages of a solution by name.
    pub(super) fn volts(&self, x: &DVector<f64>) -> BTreeMap<String, f64> {
        self.names.iter().cloned().zip(x.iter().copied()).collect()
    }

    fn conduct(&mut self, pair: Pair, siemens: f64) {
        flow(&mut self.g, pair, pair, siemens);
    }

    /// A branch whose own current leaves the first node, and whose row is the voltage over it.
    fn hold(&mut self, branch: usize, pair: Pair) {
        sense(&mut self.g, branch, pair, 1.0);
        for (node, sign) in pair.into_iter().zip([1.0, -1.0]) {
            if let Some(node) = node {
                self.g[(node, branch)] += sign;
            }
        }
    }
}

/// Adds `factor · v(pair)` to a row.
pub(super) fn sense(g: &mut DMatrix<f64>, row: usize, pair: Pair, factor: f64) {
    for (node, sign) in pair.into_iter().zip([1.0, -1.0]) {
        if let Some(node) = node {
            g[(row, node)] += sign * factor;
        }
    }
}

/// Adds a current `siemens · v(control)` that flows along `way`.
pub(super) fn flow(g: &mut DMatrix<f64>, way: Pair, control: Pair, siemens: f64) {
    for (node, sign) in way.into_iter().zip([1.0, -1.0]) {
        if let Some(node) = node {
            sense(g, node, control, sign * siemens);
        }
    }
}

/// Voltage between two nodes of a solution.
pub(super) fn across(x: &DVector<f64>, pair: Pair) -> f64 {
    let [a, b] = pair.map(|node| node.map_or(0.0, |node| x[node]));
    a - b
}

/// The nodes that an element touches.
fn ends(element: &Element) -> Vec<&str> {
    match element {
        Element::Resistor { a, b, .. }
        | Element::Capacitor { a, b, .. }
        | Element::Inductor { a, b, .. }
        | Element::Charge { a, b, .. }
        | Element::Switch { a, b, .. } => vec![a, b],
        Element::Source { p, n, .. } => vec![p, n],
        Element::Gain { p, n, cp, cn, .. } => vec![p, n, cp, cn],
        Element::Npn { c, b, e, .. } => vec![c, b, e],
        Element::Nmos { d, g, s, .. } => vec![d, g, s],
        Element::Diode { a, k, .. } => vec![a, k],
    }
}
