//! Preferred numbers: the values that parts are made in, E3 to E192 (IEC 60063).
//!
//! ```text
//!   E24      10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91   printed; no rule gives them all
//!   E192     100·10^(i/192), rounded; but 920 where the rule gives 919
//! ```
//! E12, E6 and E3 are every second, fourth and eighth number of E24; E96 and E48 every second and fourth of E192.

use std::fmt;
use std::str::FromStr;

/// IEC 60063. 10^(i/24) would give 26 29 32 35 38 42 46 83 for 27 30 33 36 39 43 47 82.
const E24: [u32; 24] = [10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91];

/// A series of preferred numbers, named by how many there are in a decade.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Series {
    /// Three a decade.
    E3,
    /// Six a decade.
    E6,
    /// Twelve a decade.
    E12,
    /// Twenty-four a decade: what parts of 5 % come in (common practice).
    E24,
    /// Forty-eight a decade.
    E48,
    /// Ninety-six a decade: what parts of 1 % come in (common practice).
    E96,
    /// A hundred and ninety-two a decade.
    E192,
}

impl Series {
    /// All of them, from the coarsest.
    pub const ALL: [Self; 7] = [Self::E3, Self::E6, Self::E12, Self::E24, Self::E48, Self::E96, Self::E192];

    /// How many numbers there are in a decade.
    pub const fn per_decade(self) -> u32 {
        match self {
            Self::E3 => 3,
            Self::E6 => 6,
            Self::E12 => 12,
            Self::E24 => 24,
            Self::E48 => 48,
            Self::E96 => 96,
            Self::E192 => 192,
        }
    }

    /// Digits that a number is printed with: two up to E24, three above.
    const fn digits(self) -> i32 {
        if self.per_decade() <= 24 { 2 } else { 3 }
    }

    /// The numbers of one decade as printed, ascending: 10 to 91 up to E24, 100 to 988 above.
    pub fn numbers(self) -> Vec<u32> {
        let per_decade = self.per_decade();
        if per_decade <= 24 {
            return E24.into_iter().step_by(24 / per_decade as usize).collect();
        }
        let printed = |i: u32| match (100.0 * 10f64.powf(f64::from(i) / 192.0)).round() as u32 {
            919 => 920,
            number => number,
        };
        (0..192).map(printed).step_by(192 / per_decade as usize).collect()
    }

    /// Every value from `low` to `high`, both included, ascending, in any unit. Each is the very number that its digits
    /// read as: 4.7e-8, not 47 times a rounded power of ten. Empty unless both are positive and finite.
    pub fn values(self, low: f64, high: f64) -> Vec<f64> {
        if !(low > 0.0 && high.is_finite()) {
            return Vec::new();
        }
        let numbers = self.numbers();
        let decades = low.log10().floor() as i32 - 1..=high.log10().floor() as i32;
        let every = decades.flat_map(|decade| numbers.iter().map(move |number| self.scaled(*number, decade)));
        every.filter(|value| (low..=high).contains(value)).collect()
    }

    /// The value nearest to a positive one in ratio, as an ear or a tolerance counts; the lower of two equally near.
    pub fn nearest(self, value: f64) -> Option<f64> {
        let off = |candidate: &f64| (candidate / value).ln().abs();
        // A step is at most a ratio of 2.2: the nearest is never a decade away.
        self.values(value / 10.0, value * 10.0).into_iter().min_by(|a, b| off(a).total_cmp(&off(b)))
    }

    fn scaled(self, number: u32, decade: i32) -> f64 {
        let text = format!("{number}e{}", decade + 1 - self.digits());
        text.parse().unwrap_or(f64::NAN)
    }
}

impl fmt::Display for Series {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "E{}", self.per_decade())
    }
}

impl FromStr for Series {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let named = |series: &Self| series.to_string().eq_ignore_ascii_case(text.trim());
        Self::ALL
            .into_iter()
            .find(named)
            .ok_or_else(|| format!("given \"{text}\", allowed are E3, E6, E12, E24, E48, E96 and E192"))
    }
}

impl serde::Serialize for Series {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One decade of each series as IEC 60063 prints it, above E24 the list of E192.
    const PRINTED: [(Series, &str); 5] = [
        (Series::E3, "10 22 47"),
        (Series::E6, "10 15 22 33 47 68"),
        (Series::E12, "10 12 15 18 22 27 33 39 47 56 68 82"),
        (Series::E24, "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91"),
        (Series::E192, E192),
    ];
    const E192: &str = "\
100 101 102 104 105 106 107 109 110 111 113 114 115 117 118 120 121 123 124 126 127 129 130 132 \
133 135 137 138 140 142 143 145 147 149 150 152 154 156 158 160 162 164 165 167 169 172 174 176 \
178 180 182 184 187 189 191 193 196 198 200 203 205 208 210 213 215 218 221 223 226 229 232 234 \
237 240 243 246 249 252 255 258 261 264 267 271 274 277 280 284 287 291 294 298 301 305 309 312 \
316 320 324 328 332 336 340 344 348 352 357 361 365 370 374 379 383 388 392 397 402 407 412 417 \
422 427 432 437 442 448 453 459 464 470 475 481 487 493 499 505 511 517 523 530 536 542 549 556 \
562 569 576 583 590 597 604 612 619 626 634 642 649 657 665 673 681 690 698 706 715 723 732 741 \
750 759 768 777 787 796 806 816 825 835 845 856 866 876 887 898 909 920 931 942 953 965 976 988";

    fn printed(text: &str) -> Vec<u32> {
        text.split_whitespace().map(|number| number.parse().unwrap()).collect()
    }

    #[test]
    fn a_decade_is_as_iec_60063_prints_it() {
        for (series, text) in PRINTED {
            assert_eq!(series.numbers(), printed(text), "{series}");
        }
        let thinned = |step| printed(E192).into_iter().step_by(step).collect::<Vec<_>>();
        assert_eq!(Series::E96.numbers(), thinned(2));
        assert_eq!(Series::E48.numbers(), thinned(4));
        // A few of E96 and E48 by themselves, as the standard prints them.
        assert_eq!(Series::E96.numbers()[..8], [100, 102, 105, 107, 110, 113, 115, 118]);
        assert_eq!(Series::E48.numbers()[40..], [681, 715, 750, 787, 825, 866, 909, 953]);
    }

    #[test]
    fn values_run_over_decades_and_read_back_as_written() {
        let capacitors = Series::E6.values(4.7e-9, 1e-6);
        let words = "4.7n 6.8n 10n 15n 22n 33n 47n 68n 100n 150n 220n 330n 470n 680n 1u";
        let farads = tritank_dsp::value::Unit::Farad;
        let read: Vec<_> = words.split(' ').map(|word| tritank_dsp::value::parse(word, farads).unwrap()).collect();
        assert_eq!(capacitors, read);
        for series in Series::ALL {
            let values = series.values(1e-13, 9.99e8);
            assert_eq!(values.len(), 22 * series.per_decade() as usize, "{series}");
            assert!(values.is_sorted_by(|a, b| a < b), "{series}");
        }
        assert!(Series::E24.values(48.0, 50.0).is_empty());
        assert_eq!(Series::E24.values(51.0, 51.0), [51.0]);
        for (low, high) in [(0.0, 1.0), (-1.0, 1.0), (f64::NAN, 1.0), (1.0, f64::NAN), (1.0, f64::INFINITY), (9.0, 2.0)]
        {
            assert!(Series::E24.values(low, high).is_empty(), "{low} to {high}");
        }
    }

    #[test]
    fn the_nearest_is_nearest_in_ratio() {
        // Between 10 and 22 the middle is √220 = 14.83, not 16.
        assert_eq!(Series::E3.nearest(14.8), Some(10.0));
        assert_eq!(Series::E3.nearest(14.9), Some(22.0));
        assert_eq!(Series::E24.nearest(96e-9), Some(100e-9));
        assert_eq!(Series::E24.nearest(0.0), None);
        for series in Series::ALL {
            let all = series.values(1e-3, 1e3);
            let mut value = 0.0123;
            while value < 100.0 {
                let nearest = series.nearest(value).unwrap();
                let off = |candidate: f64| (candidate / value).ln().abs();
                assert!(all.iter().all(|other| off(nearest) <= off(*other)), "{series}, {value}: {nearest}");
                value *= 1.0137;
            }
        }
    }

    #[test]
    fn a_series_reads_back_and_what_is_none_is_refused() {
        for series in Series::ALL {
            assert_eq!(series.to_string().parse(), Ok(series));
            assert_eq!(series.to_string().to_lowercase().parse(), Ok(series));
        }
        for text in ["", "24", "E", "E5", "E24 or so", "E024"] {
            let error = text.parse::<Series>().unwrap_err();
            assert!(error.contains(&format!("\"{text}\"")) && error.contains("allowed"), "{error}");
        }
    }
}
