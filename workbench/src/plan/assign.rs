//! Which coil of a drawer goes on which stage.
//!
//! ```text
//!   worst error of every coil on every stage ─► every way to give each stage one ─► the one whose worst stage is best;
//!                                                                                  of those whose second worst is; and so on
//! ```
//! Every way is looked at: kinds³, at most 262 144.

/// The kind for each stage; errors by kind and stage (`None` where a coil does not serve), each kind in so many pieces. Of equally
/// good ways the first; `None` when there is none.
pub fn best(errors: &[[Option<f64>; 3]], pieces: &[usize]) -> Option<[usize; 3]> {
    let kinds = 0..errors.len();
    let mut best: Option<([f64; 3], [usize; 3])> = None;
    for a in kinds.clone() {
        for b in kinds.clone() {
            for c in kinds.clone() {
                let way = [a, b, c];
                let enough = way.iter().all(|kind| way.iter().filter(|other| *other == kind).count() <= pieces[*kind]);
                let [Some(x), Some(y), Some(z)] = [errors[a][0], errors[b][1], errors[c][2]] else { continue };
                if !enough {
                    continue;
                }
                let mut worst = [x, y, z];
                worst.sort_by(|a, b| b.total_cmp(a));
                if best.as_ref().is_none_or(|(least, _)| worst < *least) {
                    best = Some((worst, way));
                }
            }
        }
    }
    best.map(|(_, way)| way)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Piece by piece: every order of every three pieces, by recursion.
    fn brute_force(errors: &[[Option<f64>; 3]], pieces: &[usize], given: &mut Vec<usize>) -> Option<[f64; 3]> {
        if given.len() == 3 {
            let mut worst = [0.0; 3];
            for (stage, kind) in given.iter().enumerate() {
                worst[stage] = errors[*kind][stage]?;
            }
            worst.sort_by(|a, b| b.total_cmp(a));
            return Some(worst);
        }
        let mut least: Option<[f64; 3]> = None;
        for kind in 0..pieces.len() {
            let mut left = pieces.to_vec();
            if left[kind] == 0 {
                continue;
            }
            left[kind] -= 1;
            given.push(kind);
            if let Some(worst) = brute_force(errors, &left, given)
                && least.is_none_or(|least| worst < least)
            {
                least = Some(worst);
            }
            given.pop();
        }
        least
    }

    #[test]
    fn no_other_assignment_is_better() {
        let mut seed = 3u64;
        let mut random = |below: u64| {
            seed ^= seed << 13;
            seed ^= seed >> 7;
            seed ^= seed << 17;
            (seed >> 20) % below
        };
        let mut without = 0;
        for _ in 0..2000 {
            let kinds = 1 + random(6) as usize;
            // Few different errors, so that ties are common and the second and third count.
            let errors: Vec<[Option<f64>; 3]> =
                (0..kinds).map(|_| std::array::from_fn(|_| (random(4) > 0).then(|| random(5) as f64))).collect();
            let pieces: Vec<usize> = (0..kinds).map(|_| random(4) as usize).collect();
            let truth = brute_force(&errors, &pieces, &mut Vec::new());
            let found = best(&errors, &pieces);
            without += usize::from(found.is_none());
            let worst = found.map(|way| {
                let mut worst: [f64; 3] = std::array::from_fn(|stage| errors[way[stage]][stage].unwrap());
                worst.sort_by(|a, b| b.total_cmp(a));
                worst
            });
            assert_eq!(worst, truth, "{errors:?} {pieces:?}");
        }
        assert!((200..1900).contains(&without), "{without} of 2000 have no assignment");
    }
}
