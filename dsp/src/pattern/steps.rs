//! A row of steps: by hand, as marks of drum tablature, or evenly spread.
//!
//! ```text
//!   x . . x . . x .      3 of 8, as even as they can be
//!   0 1 2 3 4 5 6 7
//! ```
//! A mark is `x`, a rest `.` or `-`; blanks and bar lines `|` are for the eye (common practice of drum tablature).

use std::fmt;

/// A row of 1 to 64 steps, each on or off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Steps {
    /// Bit n is step n.
    marks: u64,
    length: u8,
}

/// Most steps in a row.
pub const MOST_STEPS: usize = 64;

impl Steps {
    /// A row by hand: bit n of `marks` is step n. `None` for a length other than 1 to 64.
    pub fn of(marks: u64, length: usize) -> Option<Self> {
        (1..=MOST_STEPS).contains(&length).then(|| Self { marks: marks & low(length), length: length as u8 })
    }

    /// Reads marks: `x..x..x.`
    ///
    /// # Errors
    /// What was given, and what is allowed.
    pub fn parse(text: &str) -> Result<Self, String> {
        let (mut marks, mut length) = (0u64, 0usize);
        for (place, mark) in text.chars().enumerate() {
            let on = match mark {
                'x' | 'X' => true,
                '.' | '-' => false,
                ' ' | '|' => continue,
                _ => {
                    return Err(format!("given '{mark}' as character {}, allowed are x . - blank |", place + 1));
                }
            };
            if length < MOST_STEPS {
                marks |= u64::from(on) << length;
            }
            length += 1;
        }
        Self::of(marks, length).ok_or_else(|| format!("given {length} steps, allowed are 1 to {MOST_STEPS}"))
    }

    /// `hits` of `length` steps, spread as evenly as whole steps can be. `None` where `hits` or `length` are out of range.
    ///
    /// Bjorklund's algorithm (E. Bjorklund, "The theory of rep-rate pattern generation in the SNS timing system",
    /// SNS-NOTE-CNTRL-99, 2003) as G. T. Toussaint takes it over to music ("The Euclidean algorithm generates
    /// traditional musical rhythms", BRIDGES 2005): words of marks and words of rests are joined in pairs, and what is
    /// left over is joined again, as Euclid's algorithm takes remainders. At most log(64) rounds.
    pub fn spread(hits: usize, length: usize) -> Option<Self> {
        if hits > length || !(1..=MOST_STEPS).contains(&length) {
            return None;
        }
        // Two kinds of word, each: marks, length, how many there are.
        let (mut front, mut back) = ((1u64, 1usize, hits), (0u64, 1usize, length - hits));
        if front.2 == 0 {
            return Self::of(0, length);
        }
        while back.2 > 1 {
            let joined = front.2.min(back.2);
            let left =
                if front.2 > back.2 { (front.0, front.1, front.2 - joined) } else { (back.0, back.1, back.2 - joined) };
            front = (front.0 | back.0 << front.1, front.1 + back.1, joined);
            back = left;
        }
        let (mut marks, mut place) = (0u64, 0);
        for (word, steps, count) in [front, back] {
            for _ in 0..count {
                marks |= word << place;
                place += steps;
            }
        }
        Self::of(marks, length)
    }

    /// How many steps there are.
    #[allow(clippy::len_without_is_empty)] // A row has a step at least.
    pub fn len(self) -> usize {
        usize::from(self.length)
    }

    /// Whether the step is on that a count from zero, backwards too, comes to when the row goes round.
    pub fn is_on(self, number: i64) -> bool {
        self.marks >> number.rem_euclid(i64::from(self.length)) & 1 == 1
    }

    /// The marks, bit n for step n.
    pub fn marks(self) -> u64 {
        self.marks
    }

    /// The row begun so many steps later.
    pub fn turned(self, by: usize) -> Self {
        let by = i32::from((by % self.len()) as u8);
        let marks = (0..i32::from(self.length)).fold(0, |all, n| all | u64::from(self.is_on((n + by).into())) << n);
        Self { marks, length: self.length }
    }
}

impl fmt::Display for Steps {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        (0..i64::from(self.length)).try_for_each(|n| f.write_str(if self.is_on(n) { "x" } else { "." }))
    }
}

/// So many low bits.
fn low(length: usize) -> u64 {
    u64::MAX >> (MOST_STEPS - length)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The rows of Toussaint's paper (section 4), his rests of E(5,16), which are one too many in print, counted right.
    const PUBLISHED: &[(usize, usize, &str)] = &[
        (2, 3, "x.x"),
        (2, 5, "x.x.."),
        (3, 4, "x.xx"),
        (3, 5, "x.x.x"),
        (3, 7, "x.x.x.."),
        (3, 8, "x..x..x."),
        (4, 7, "x.x.x.x"),
        (4, 9, "x.x.x.x.."),
        (4, 11, "x..x..x..x."),
        (5, 6, "x.xxxx"),
        (5, 7, "x.xx.xx"),
        (5, 8, "x.xx.xx."),
        (5, 9, "x.x.x.x.x"),
        (5, 11, "x.x.x.x.x.."),
        (5, 12, "x..x.x..x.x."),
        (5, 16, "x..x..x..x..x..."),
        (7, 8, "x.xxxxxx"),
        (7, 12, "x.xx.x.xx.x."),
        (7, 16, "x..x.x.x..x.x.x."),
        (9, 16, "x.xx.x.x.xx.x.x."),
        (11, 24, "x..x.x.x.x.x..x.x.x.x.x."),
        (13, 24, "x.xx.x.x.x.x.xx.x.x.x.x."),
    ];

    #[test]
    fn rows_are_the_published_rhythms_begun_on_some_step() {
        for &(hits, length, published) in PUBLISHED {
            let row = Steps::spread(hits, length).unwrap();
            let printed = Steps::parse(published).unwrap();
            assert_eq!((printed.len(), printed.marks().count_ones() as usize), (length, hits), "{published}");
            let turn = (0..length).find(|&by| row.turned(by) == printed);
            assert!(turn.is_some(), "E({hits},{length}): {row} is no rotation of {published}");
        }
    }

    /// Evenness by its definition: any run of m steps holds as many hits as any other, give or take one.
    #[test]
    fn every_row_is_as_even_as_whole_steps_can_be() {
        for length in 1..=MOST_STEPS {
            for hits in 0..=length {
                let row = Steps::spread(hits, length).unwrap();
                assert_eq!(row.marks().count_ones() as usize, hits);
                for run in 1..i64::from(row.length) {
                    let counts =
                        (0..i64::from(row.length)).map(|from| (from..from + run).filter(|&n| row.is_on(n)).count());
                    let (least, most) = (counts.clone().min().unwrap(), counts.max().unwrap());
                    assert!(most - least <= 1, "E({hits},{length}) = {row}: {least} to {most} in {run}");
                }
            }
        }
        assert_eq!(Steps::spread(9, 8), None);
        assert_eq!(Steps::spread(0, 0), None);
        assert_eq!(Steps::spread(1, 65), None);
    }

    #[test]
    fn marks_read_back_and_what_is_none_is_refused_by_its_place() {
        let row = Steps::parse("|x..x|..X-|").unwrap();
        assert_eq!(row.to_string(), "x..x..x.");
        assert_eq!(Steps::parse(&row.to_string()), Ok(row));
        assert!(row.is_on(8) && row.is_on(-2) && !row.is_on(-1));
        assert!(Steps::parse("x..y").unwrap_err().contains("'y' as character 4"));
        assert!(Steps::parse("||").unwrap_err().contains("given 0 steps"));
        assert!(Steps::parse(&"x".repeat(65)).unwrap_err().contains("given 65 steps"));
        assert_eq!(Steps::parse(&"x".repeat(64)).unwrap().marks(), u64::MAX);
    }
}
