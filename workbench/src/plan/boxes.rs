//! Boxes of banks: from–to among the values, for each capacitor.
//!
//! ```text
//!   line 0    |--------|            lines that are free ascend; what is kept is a range of one
//!   line 1       |----------|
//!   fixed     |--|
//! ```

use super::found::Choice;
use super::stock::Place;

/// Most switched capacitors.
pub const LINES: usize = 4;
/// The fixed capacitor's place among the ranges of a box, behind the lines'.
pub(super) const FIXED: usize = LINES;

/// From–to, both included, among the candidates of each line and of the fixed capacitor.
#[derive(Clone, Copy)]
pub(super) struct Ranges {
    pub(super) from: [u32; LINES + 1],
    pub(super) to: [u32; LINES + 1],
}

/// A fixed capacitor and a bank, farads.
pub(super) type Corner = (f64, [f64; LINES]);

/// What the ranges are ranges of.
pub(super) struct Boxes {
    /// Candidates of the lines: what may stand there, ascending, then what is kept.
    pub(super) lines: Vec<Place>,
    /// Those of the fixed capacitor, ascending.
    pub(super) fixed: Vec<Place>,
    /// The bank's position of each line; those that are free come first.
    pub(super) places: Vec<usize>,
    free: usize,
    /// Candidates of a free line.
    pub(super) positions: usize,
}

impl Boxes {
    pub(super) fn of(choice: &Choice) -> Self {
        let fixed = choice.kept_fixed.map_or_else(|| choice.fixed.clone(), |farads| vec![Place::kept(farads)]);
        let (kept, mut places): (Vec<usize>, Vec<usize>) =
            (0..choice.kept.len()).partition(|n| choice.kept[*n].is_some());
        let free = places.len();
        places.extend(&kept);
        let mut lines = choice.position.clone();
        lines.extend(kept.iter().filter_map(|n| choice.kept[*n]).map(Place::kept));
        Self { lines, fixed, places, free, positions: choice.position.len() }
    }

    /// Every bank there is; `None` when there is none.
    pub(super) fn all(&self) -> Option<Ranges> {
        if self.fixed.is_empty() || (self.positions == 0 && self.free > 0) {
            return None;
        }
        let mut ranges = Ranges { from: [0; LINES + 1], to: [0; LINES + 1] };
        ranges.to[..self.free].fill(self.positions.saturating_sub(1) as u32);
        for n in self.free..self.places.len() {
            let kept = (self.positions + n - self.free) as u32;
            (ranges.from[n], ranges.to[n]) = (kept, kept);
        }
        ranges.to[FIXED] = (self.fixed.len() - 1) as u32;
        Some(ranges)
    }

    /// Capacitors that may be moved: free lines and the fixed one.
    pub(super) fn movable(&self) -> impl Iterator<Item = usize> + use<> {
        (0..self.free).chain([FIXED])
    }

    /// A box cut in two at the middle of one capacitor's range, the smaller first; lines that are free ascend, so that no bank is
    /// in both.
    pub(super) fn halves(&self, ranges: Ranges, widest: usize) -> [Option<Ranges>; 2] {
        let (from, to) = (ranges.from[widest], ranges.to[widest]);
        let list = self.candidates(widest);
        // In the middle by capacitance, not by number.
        let middle = 0.5 * (list[from as usize].farads + list[to as usize].farads);
        let below = list[from as usize..to as usize].partition_point(|place| place.farads <= middle).max(1) as u32;
        let (mut low, mut high) = (ranges, ranges);
        low.to[widest] = from + below - 1;
        high.from[widest] = from + below;
        for n in (1..self.free).rev() {
            low.to[n - 1] = low.to[n - 1].min(low.to[n]);
        }
        for n in 1..self.free {
            high.from[n] = high.from[n].max(high.from[n - 1]);
        }
        [low, high].map(|half| half.from.iter().zip(&half.to).all(|(from, to)| from <= to).then_some(half))
    }

    fn candidates(&self, n: usize) -> &[Place] {
        if n == FIXED { &self.fixed } else { &self.lines }
    }

    /// What one capacitor is at least and at most.
    pub(super) fn ends(&self, ranges: &Ranges, n: usize) -> [f64; 2] {
        [ranges.from[n], ranges.to[n]].map(|place| self.candidates(n)[place as usize].farads)
    }

    /// The capacitor that is the least settled; `None` when all are.
    pub(super) fn widest(&self, ranges: &Ranges) -> Option<usize> {
        let width = |n: &usize| {
            let [from, to] = self.ends(ranges, *n);
            to - from
        };
        let open = (0..=FIXED).filter(|n| ranges.from[*n] < ranges.to[*n]);
        open.max_by(|a, b| width(a).total_cmp(&width(b)))
    }

    /// What all of them together are at least, and at most.
    pub(super) fn span(&self, ranges: &Ranges) -> [f64; 2] {
        let ends = (0..self.places.len()).chain([FIXED]).map(|n| self.ends(ranges, n));
        ends.fold([0.0; 2], |sum, [from, to]| [sum[0] + from, sum[1] + to])
    }

    /// Fixed capacitor and bank where all are at their least (0), or at their most (1).
    pub(super) fn corner(&self, ranges: &Ranges, end: usize) -> Corner {
        let bank = |line| if line < self.places.len() { self.ends(ranges, line)[end] } else { 0.0 };
        (self.ends(ranges, FIXED)[end], std::array::from_fn(bank))
    }

    /// The bank of a box of one, in the order of its positions, and its fixed capacitor.
    pub(super) fn bank(&self, ranges: &Ranges) -> (Place, Vec<Place>) {
        let fixed = self.fixed[ranges.from[FIXED] as usize];
        let mut bank = vec![fixed; self.places.len()];
        for (line, place) in self.places.iter().enumerate() {
            bank[*place] = self.lines[ranges.from[line] as usize];
        }
        (fixed, bank)
    }

    /// A code of the ranges' lines as one of the bank's.
    pub(super) fn in_bank(&self, code: u16) -> u8 {
        self.places.iter().enumerate().map(|(line, place)| ((code >> line & 1) as u8) << place).sum()
    }
}
