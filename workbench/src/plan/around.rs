//! A tank about one frequency: where it peaks, from slopes alone.
//!
//! ```text
//!   q·|Y|² stands still, q = 1/|N|²      ½·slope/q  =  ratio·(g² + b²) + g·g' + b·b'      Y = g + jb, ratio = q'/2q
//!   a capacitor behind a switch adds     x = ωRC,  c = C/(1 + x²):  g += ωxc,  g' += 2xc/(1 + x²),  b += ωc,  b' += c(1 − 2x²/(1 + x²))
//! ```
//! Without losses of its own the capacitance that a peak asks for is the root of a quadratic.

/// A tank without its capacitors, and its slopes over ω.
#[derive(Clone, Copy, Debug)]
pub struct Around {
    pub(super) omega: f64,
    pub(super) g: f64,
    pub(super) g_slope: f64,
    pub(super) b: f64,
    pub(super) b_slope: f64,
    pub(super) ratio: f64,
}

impl Around {
    /// What is switched in counts for at most so many times the capacitance that a tank without losses would take.
    pub(super) const MOST: f64 = 1.05;

    /// Half the slope of `q·|Y|²`, over q: negative below the peak, positive above it.
    pub(super) fn slope(&self, fixed: f64, bank: impl Iterator<Item = (f64, bool)>, on: f64, off: f64) -> f64 {
        let (mut g, mut g_slope) = (self.g, self.g_slope);
        let (mut b, mut b_slope) = (self.b + self.omega * fixed, self.b_slope + fixed);
        for (farads, closed) in bank {
            let part = Part::of(self.omega, farads, if closed { on } else { off });
            g += self.omega * part.x * part.count;
            g_slope += 2.0 * part.x * part.count * part.share;
            b += self.omega * part.count;
            b_slope += part.count * (1.0 - 2.0 * part.x * part.x * part.share);
        }
        self.ratio * (g * g + b * b) + g * g_slope + b * b_slope
    }

    /// Whether it peaks below this frequency, its lines under a code.
    pub(super) fn peaks_below(&self, fixed: f64, bank: &[f64], code: u16, [on, off]: [f64; 2]) -> bool {
        let lines = bank.iter().enumerate().map(|(line, &farads)| (farads, code >> line & 1 == 1));
        self.slope(fixed, lines, on, off) > 0.0
    }

    /// `ratio·g² + g·g'` with so much more conductance and slope of it.
    pub(super) fn conductances(&self, more: f64, more_slope: f64) -> f64 {
        let g = self.g + more;
        g * (self.ratio * g + self.g_slope + more_slope)
    }

    /// Capacitance for which it peaks here, a quadratic: `conductances` as above, and what is lost of the capacitance
    /// with frequency, `bend = ω·d(count)/dω`, not positive.
    pub(super) fn farads(&self, conductances: f64, bend: f64) -> f64 {
        let Self { omega, b, ratio, .. } = *self;
        let b_slope = self.b_slope + bend;
        let two = ratio * omega * omega + omega;
        let one = 2.0 * ratio * omega * b + b + omega * b_slope;
        let none = conductances + ratio * b * b + b * b_slope;
        (-one + (one * one - 4.0 * two * none).max(0.0).sqrt()) / (2.0 * two)
    }

    /// The least and the most capacitance for which it peaks here, whatever is switched in whose reactance is at least
    /// `1/steepest` of the switch's resistance, and whatever stands behind open switches, `open` siemens together.
    pub(super) fn farads_within(&self, steepest: f64, open: f64) -> [f64; 2] {
        // Σ over what is closed: G = Σ ωxc, G' = Σ 2xc/(1+x²), bend = −Σ 2x²c/(1+x²), with Σ c no more than the whole.
        let whole = Self::MOST * self.farads(self.conductances(0.0, 0.0), 0.0).max(0.0);
        // Behind an open one: g ≤ 1/R, g' ≤ 2/(ωR), bend ≥ −1/(ωR).
        let more = self.omega * steepest * whole + open;
        let more_slope = 2.0 * (steepest * whole + open / self.omega);
        let most_bend = 2.0 * steepest * steepest * whole + open / self.omega;
        let mut ends = vec![0.0, more];
        // Between them a quadratic turns at most once.
        for slope in [0.0, more_slope] {
            let turn = -0.5 * (self.g_slope + slope) / self.ratio - self.g;
            if (0.0..more).contains(&turn) {
                ends.push(turn);
            }
        }
        let mut farads = [f64::INFINITY, f64::NEG_INFINITY];
        for more in ends {
            for slope in [0.0, more_slope] {
                for bend in [0.0, -most_bend] {
                    let c = self.farads(self.conductances(more, slope), bend);
                    farads = [farads[0].min(c), farads[1].max(c)];
                }
            }
        }
        farads
    }
}

/// A capacitor behind a switch: `x = ωRC`, it counts for `C/(1 + x²)`.
pub(super) struct Part {
    pub(super) x: f64,
    pub(super) count: f64,
    /// `1/(1 + x²)`.
    pub(super) share: f64,
}

impl Part {
    pub(super) fn of(omega: f64, farads: f64, ohms: f64) -> Self {
        let x = omega * ohms * farads;
        let share = 1.0 / (1.0 + x * x);
        Self { x, count: farads * share, share }
    }
}
