//! Which coil of a drawer goes on which stage.
//!
//! ```text
//!   worst error of every coil on every stage ─► every way to give each stage one ─► the one whose worst stage is best;
//!                                                                                  of those whose second worst is; and so on
//! ```
//! Every way is looked at: kinds³, at most 262 144.

/// The kind for each stage, the errors given by kind and stage (`None` where a coil does not serve), each kind in so many pieces.
/// A kind that is `held` already keeps its stage. Of equally good ways the first; `None` when there is none.
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
