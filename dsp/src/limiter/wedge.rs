//! Least of the last n values.
//!
//! ```text
//!   values   5 3 4 7 6        wedge   3 4 6      (a value goes as soon as a later one is no larger)
//! ```
//! A push costs two comparisons on average, and never more than n. D. Lemire, "Streaming maximum-minimum filter
//! using no more than three comparisons per element", Nordic Journal of Computing 13 (2006) 328–339 (from memory).

#[derive(Clone, Debug)]
pub(super) struct Wedge {
    span: usize,
    /// Age counter and value, rising from `first` on.
    kept: Box<[(usize, f64)]>,
    first: usize,
    count: usize,
    now: usize,
}

impl Wedge {
    /// Of the last `span` values, before the first of which stood nothing.
    pub(super) fn new(span: usize) -> Self {
        Self { span, kept: vec![(0, 0.0); span.next_power_of_two()].into(), first: 0, count: 0, now: 0 }
    }

    pub(super) fn reset(&mut self) {
        self.count = 0;
    }

    /// Takes a value; returns the least of the last `span`.
    #[inline]
    pub(super) fn push(&mut self, value: f64) -> f64 {
        let mask = self.kept.len() - 1;
        self.now = self.now.wrapping_add(1);
        if self.count > 0 && self.now.wrapping_sub(self.kept[self.first].0) >= self.span {
            self.first = (self.first + 1) & mask;
            self.count -= 1;
        }
        while self.count > 0 && self.kept[(self.first + self.count - 1) & mask].1 >= value {
            self.count -= 1;
        }
        self.kept[(self.first + self.count) & mask] = (self.now, value);
        self.count += 1;
        self.kept[self.first].1
    }
}

#[cfg(test)]
mod tests {
    use super::Wedge;

    #[test]
    fn the_wedge_finds_the_least_of_the_last_values() {
        for span in [1, 2, 7, 33, 64] {
            let mut wedge = Wedge::new(span);
            let mut seed = 1_u64;
            let mut values = Vec::new();
            for n in 0..2000 {
                seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                // Long falls, long rises, and ties among them.
                let value = if n % 300 < 100 { f64::from(n) } else { (seed >> 60) as f64 - f64::from(n % 150) };
                values.push(value);
                let least = values[values.len().saturating_sub(span)..].iter().copied().fold(f64::INFINITY, f64::min);
                assert_eq!(wedge.push(value), least);
            }
        }
    }
}
