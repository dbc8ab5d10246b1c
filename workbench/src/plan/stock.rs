//! What can be soldered: values in any number, or a drawer with so many of each.
//!
//! ```text
//!   parts ─► places: one part, or two in parallel or in series ─► sorted by capacitance
//! ```

/// Parts of one value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// What it counts for: as measured, else as marked, farads.
    pub farads: f64,
    /// As marked, farads.
    pub marked: f64,
    /// How many there are; `None` for as many as one wants.
    pub quantity: Option<u32>,
}

/// Everything that there is.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stock {
    /// In any order.
    pub parts: Vec<Part>,
}

/// What stands at one position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Farads.
    pub farads: f64,
    /// Of what.
    pub made: Made,
}

/// Of which parts, by their place in the stock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Made {
    /// One part.
    One(usize),
    /// Two side by side.
    Parallel(usize, usize),
    /// Two end to end.
    Series(usize, usize),
    /// What is soldered and stays.
    Kept,
}

impl Place {
    /// What is soldered and stays.
    pub fn kept(farads: f64) -> Self {
        Self { farads, made: Made::Kept }
    }

    /// The parts that it takes.
    pub fn parts(&self) -> impl Iterator<Item = usize> {
        let (a, b) = match self.made {
            Made::One(a) => (Some(a), None),
            Made::Parallel(a, b) | Made::Series(a, b) => (Some(a), Some(b)),
            Made::Kept => (None, None),
        };
        a.into_iter().chain(b)
    }
}

impl Stock {
    /// Values of which there are as many as one wants, farads.
    pub fn of(values: &[f64]) -> Self {
        let part = |&farads: &f64| Part { farads, marked: farads, quantity: None };
        Self { parts: values.iter().map(part).collect() }
    }

    /// One part at a position, ascending.
    pub fn singles(&self) -> Vec<Place> {
        let there = self.parts.iter().enumerate().filter(|(_, part)| part.quantity != Some(0));
        sorted(there.map(|(n, part)| Place { farads: part.farads, made: Made::One(n) }).collect())
    }

    /// One part or two, ascending.
    pub fn pairs(&self) -> Vec<Place> {
        let mut places = self.singles();
        for (n, a) in self.parts.iter().enumerate() {
            for (m, b) in self.parts.iter().enumerate().skip(n) {
                if self.fits(&[n, m]) {
                    let (a, b) = (a.farads, b.farads);
                    places.push(Place { farads: a + b, made: Made::Parallel(n, m) });
                    places.push(Place { farads: a * b / (a + b), made: Made::Series(n, m) });
                }
            }
        }
        // Of parts without number, one value need be made in one way only.
        let mut places = sorted(places);
        if self.parts.iter().all(|part| part.quantity.is_none()) {
            places.dedup_by(|later, first| later.farads <= first.farads * (1.0 + 1e-9));
        }
        places
    }

    /// Whether there are enough of these parts.
    pub fn fits(&self, parts: &[usize]) -> bool {
        parts.iter().all(|part| {
            let used = parts.iter().filter(|other| *other == part).count();
            self.parts[*part].quantity.is_none_or(|quantity| used <= quantity as usize)
        })
    }
}

/// By capacitance, one part before two.
fn sorted(mut places: Vec<Place>) -> Vec<Place> {
    places.sort_by(|a, b| a.farads.total_cmp(&b.farads).then(a.parts().count().cmp(&b.parts().count())));
    places
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_of_a_part_need_two_of_it() {
        let part = |farads, quantity| Part { farads, marked: farads, quantity: Some(quantity) };
        let stock = Stock { parts: vec![part(10e-9, 1), part(30e-9, 2), part(1e-9, 0)] };
        let farads: Vec<f64> = stock.pairs().iter().map(|place| (place.farads * 1e12).round()).collect();
        // 10‖30 in series, 10, 30+30 in series, 30, 10+30, 30+30.
        assert_eq!(farads, [7500.0, 10_000.0, 15_000.0, 30_000.0, 40_000.0, 60_000.0]);
        assert!(stock.fits(&[0, 1, 1]) && !stock.fits(&[0, 0]) && !stock.fits(&[2]));
    }

    #[test]
    fn without_number_a_value_is_made_in_one_way_and_of_one_part_if_it_can_be() {
        let pairs = Stock::of(&[1e-9, 2e-9, 4e-9]).pairs();
        assert!(pairs.is_sorted_by(|a, b| a.farads < b.farads));
        assert_eq!(pairs.iter().find(|place| place.farads == 2e-9).map(|place| place.made), Some(Made::One(1)));
    }
}
