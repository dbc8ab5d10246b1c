//! Coils from a drawer: each is planned on each stage, then the stages share them out.
//!
//! ```text
//!   coil × stage ─► in reach? ─► the best bank, its worst error ─► assign
//! ```
//! A stage is planned with the board's own coils on the other two, which matters with C12 alone.

use super::coils::{Kind, Measured};
use super::reach::{self, Parts};
use super::{Asked, assign, search};
use crate::fault::Fault;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::available_parallelism;
use tritank_dsp::board::Board;
use tritank_dsp::knobs::Settings;

/// A board with its coils chosen.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// The board with them.
    pub board: Board,
    /// The kind from the drawer, by stage; `None` where it was not asked.
    pub kinds: [Option<usize>; 3],
}

/// Stages that `held` gives a coil have it; the others are given theirs from the drawer, if there is one. `step` is told of
/// every coil that was planned on a stage, of all that are to be: those done, and all.
///
/// # Errors
/// A board without an operating point, or a drawer with too few coils that serve.
pub fn choose(
    board: &Board,
    settings: &Settings,
    asked: Asked<'_>,
    held: [Option<Measured>; 3],
    drawer: Option<&[Kind]>,
    step: impl Fn(usize, usize) + Sync,
) -> Result<Choice, Fault> {
    let mut board = board.clone();
    for (part, coil) in board.stages_mut().into_iter().zip(held) {
        part.coil = coil.map_or(part.coil, |coil| coil.in_place_of(&part.coil));
    }
    board.check().map_err(Fault::new)?;
    let mut choice = Choice { board, kinds: [None; 3] };
    let open: Vec<usize> = (0..3).filter(|stage| held[*stage].is_none()).collect();
    let Some(drawer) = drawer else { return Ok(choice) };
    let pieces: Vec<usize> = drawer.iter().map(|kind| kind.quantity).collect();
    let (there, needed) = (pieces.iter().sum::<usize>(), open.len());
    if there < needed {
        return Err(Fault::new(format!("given {there} coils, allowed are {needed} at least: a stage takes one each")));
    }
    let parts = Parts::of(asked.values, asked.kind, asked.wiring);
    let of = |place: usize, stage: usize| -> Result<Option<f64>, Fault> {
        let mut board = choice.board.clone();
        let part = &mut *board.stages_mut()[stage];
        part.coil = drawer[place].coil.in_place_of(&part.coil);
        let coil = part.coil;
        if !reach::serves(&board, settings, stage, coil, &parts, &asked.hertz(stage))? {
            return Ok(None);
        }
        Ok(Some(search(&board, settings, asked, stage)?.worst))
    };
    let jobs: Vec<_> = (0..drawer.len())
        .filter(|place| pieces[*place] > 0)
        .flat_map(|place| open.iter().map(move |stage| (place, *stage)))
        .collect();
    let (next, done) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let found = Mutex::new(vec![[const { Ok(None) }; 3]; drawer.len()]);
    std::thread::scope(|scope| {
        for _ in 0..available_parallelism().map_or(1, usize::from).min(jobs.len()) {
            scope.spawn(|| {
                while let Some((place, stage)) = jobs.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let error = of(*place, *stage);
                    found.lock().expect("no search panics")[*place][*stage] = error;
                    step(1 + done.fetch_add(1, Ordering::Relaxed), jobs.len());
                }
            });
        }
    });
    let found = found.into_inner().expect("no search panics");
    let mut errors: Vec<_> =
        found.iter().map(|row| row.each_ref().map(|error| error.as_ref().ok().copied().flatten())).collect();
    for &stage in &open {
        if errors.iter().all(|row| row[stage].is_none()) {
            // A search that failed says why; else none reaches.
            found.iter().try_for_each(|row| row[stage].clone().map(|_| ()))?;
            let would = reach::would_do(&choice.board, settings, stage, &parts, &asked.hertz(stage));
            return Err(Fault::new(format!("stage {}: no coil reaches every target; {would}", stage + 1)));
        }
    }
    // A stage that has its coil takes none: a kind of its own that serves nowhere else.
    let mut pieces = pieces;
    for stage in (0..3).filter(|stage| held[*stage].is_some()) {
        let mut own = [None; 3];
        own[stage] = Some(0.0);
        errors.push(own);
        pieces.push(1);
    }
    let Some(way) = assign::best(&errors, &pieces) else {
        return Err(Fault::new("given too few coils: those that reach the targets of one stage are needed on another"));
    };
    for stage in open {
        let part = &mut *choice.board.stages_mut()[stage];
        part.coil = drawer[way[stage]].coil.in_place_of(&part.coil);
        choice.kinds[stage] = Some(way[stage]);
    }
    choice.board.check().map_err(Fault::new)?;
    Ok(choice)
}
