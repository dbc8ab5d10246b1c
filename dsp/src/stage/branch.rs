//! One branch of a tank within one step: what it draws at the nodes, and how its own state comes out.
//!
//! ```text
//!   i = Y·v − y·s₀            s₀ the branch's state at the start: a voltage, or a coil's current
//!   s₁ = keep·s₀ + take·v     at the end of the step
//! ```
//! | branch | law | state |
//! |---|---|---|
//! | capacitor C | `i = C·v'` | its voltage, the tank's |
//! | capacitor C behind G | `C·u' = G·(v − u)` | u, the capacitor's own voltage |
//! | coil L with R | `L·j' = v − R·j` | j, its current |

use crate::radau::{self, Map, Nodes};

/// A branch ready for steps of one length.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Branch {
    /// Y, siemens.
    pub(crate) admittance: Map,
    /// y: current per unit of state, so that the branch drives `history·s₀` into the tank.
    pub(crate) history: Nodes,
    /// End state per start state.
    pub(crate) keep: f64,
    /// End state per volt at the nodes.
    pub(crate) take: Nodes,
}

impl Branch {
    /// Nothing connected.
    pub(crate) const OPEN: Self = Self { admittance: radau::ZERO, history: [0.0; 3], keep: 1.0, take: [0.0; 3] };

    /// A capacitor straight across the tank; its state is the tank voltage itself.
    pub(crate) fn capacitor(farads: f64, step: f64) -> Self {
        let admittance = radau::scaled(&radau::derivative(), farads / step);
        Self { admittance, history: row_sums(&admittance), keep: 0.0, take: [0.0, 0.0, 1.0] }
    }

    /// A capacitor behind a conductance, as every switched capacitor is.
    pub(crate) fn behind(farads: f64, siemens: f64, step: f64) -> Self {
        Reply::of(farads, siemens, step).branch(siemens)
    }

    /// A coil with its wire.
    pub(crate) fn coil(henries: f64, ohms: f64, step: f64) -> Self {
        let slope = radau::scaled(&radau::derivative(), henries / step);
        let k = radau::inverse(&radau::sum(&slope, &radau::scaled(&radau::IDENTITY, ohms)));
        let stay = radau::apply(&k, &row_sums(&slope));
        Self { admittance: k, history: stay.map(|x| -x), keep: stay[2], take: k[2] }
    }
}

/// How the voltage u of a capacitor behind a conductance replies: `u = α·u₀ + B·v + K·i`, i fed into the point between.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Reply {
    /// α, per volt of u₀.
    pub(crate) stay: Nodes,
    /// B, per volt across the branch.
    pub(crate) follow: Map,
    /// K, ohms.
    pub(crate) fed: Map,
}

impl Reply {
    pub(crate) fn of(farads: f64, siemens: f64, step: f64) -> Self {
        let slope = radau::scaled(&radau::derivative(), farads / step);
        let fed = radau::inverse(&radau::sum(&slope, &radau::scaled(&radau::IDENTITY, siemens)));
        Self { stay: radau::apply(&fed, &row_sums(&slope)), follow: radau::scaled(&fed, siemens), fed }
    }

    /// The branch as the tank sees it: `i = G·(v − u)`.
    pub(crate) fn branch(&self, siemens: f64) -> Branch {
        Branch {
            admittance: radau::scaled(&radau::difference(&radau::IDENTITY, &self.follow), siemens),
            history: self.stay.map(|x| x * siemens),
            keep: self.stay[2],
            take: self.follow[2],
        }
    }
}

/// `m·(1 1 1)ᵀ`.
fn row_sums(m: &Map) -> Nodes {
    radau::apply(m, &[1.0; 3])
}
