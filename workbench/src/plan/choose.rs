//! Coils from a drawer: each is planned on each stage, then the stages share them out.
//!
//! ```text
//!   coil × stage ─► in reach? ─► the best bank, its worst error ─► assign
//! ```
//! A stage is planned with the board's own coils on the other two, which matters with C12 alone. A peak that is twice as wide as
//! a voice's counts for as much as an error that can just be heard: of two coils that come about as near, the narrower is the better.

use super::coils::{Kind, Measured};
use super::found::Found;
use super::reach::{self, Parts};
use super::stock::Place;
use super::tank::TankAlone;
use super::vowels::VOICE_BANDWIDTH_HZ;
use super::{Asked, assign, search, without_banks};
use crate::fault::Fault;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::available_parallelism;
use tritank_dsp::board::{BankKind, Board};
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
///
/// # Panics
/// Never: every search runs to its end.
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
        let found = search(&board, settings, asked, stage, &asked.values.stock, asked.values.pairs)?;
        let tank =
            TankAlone::of(&without_banks(&board, asked.kind), settings, [0; 3], stage)?.with_wiring(asked.wiring);
        Ok(Some(found.worst() + JUST_HEARD * octaves_too_wide(&tank, asked, stage, &found)))
    };
    let mut jobs: Vec<_> = (0..drawer.len())
        .filter(|place| pieces[*place] > 0)
        .flat_map(|place| open.iter().map(move |stage| (place, *stage)))
        .collect();
    // Small coils, whose Q the switches spoil, take the longest: they come first, so that nobody waits for the last.
    jobs.sort_by(|a, b| drawer[a.0].coil.henries().total_cmp(&drawer[b.0].coil.henries()));
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

/// Cents in 1.5 %, by which a formant must move to be heard (Kewley-Port and Watson 1994, see [`super::aim`]).
const JUST_HEARD: f64 = 25.8;

/// How much wider than a voice's formant the peak of a target is where it is widest, octaves; 0 where none is.
fn octaves_too_wide(tank: &TankAlone, asked: Asked<'_>, stage: usize, found: &Found) -> f64 {
    let wide = asked.hertz(stage).into_iter().zip(&found.codes).zip(&found.cents).map(|((hertz, code), cents)| {
        let closed = |(n, place): (usize, &Place)| match asked.kind {
            BankKind::Parallel => (code >> n & 1 == 1).then_some(place.farads),
            BankKind::Select => (usize::from(*code) == n).then_some(place.farads),
        };
        let closed: Vec<f64> = found.bank.iter().enumerate().filter_map(closed).collect();
        let peak = hertz * (cents / 1200.0).exp2();
        peak / tank.q(peak, found.fixed.farads, &closed) / VOICE_BANDWIDTH_HZ[stage]
    });
    wide.fold(1.0, f64::max).log2()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::coils::StageCoil;
    use crate::plan::stock::Stock;
    use crate::plan::targets::Target;
    use crate::plan::{Plan, Values, cents};
    use crate::series::Series;

    fn coil(text: &str) -> Measured {
        format!("1={text}").parse::<StageCoil>().unwrap().coil
    }

    fn drawer(coils: &[(&str, usize)]) -> Vec<Kind> {
        let kind =
            |(text, quantity): &(&str, usize)| Kind { name: (*text).into(), coil: coil(text), quantity: *quantity };
        coils.iter().map(kind).collect()
    }

    fn targets() -> Vec<Target> {
        [[300.0, 2200.0, 3000.0], [550.0, 1750.0, 2450.0], [700.0, 1000.0, 2500.0]]
            .map(|hertz| Target { name: "a".into(), group: String::new(), hertz, weight: 1.0 })
            .to_vec()
    }

    fn values(series: Series) -> Values {
        Values::of(Stock::of(&series.values(4e-9, 1e-6)), false)
    }

    /// Against every way to give three stages a coil each, all planned from the start: the farthest targets, the worst stage first.
    #[test]
    fn no_other_way_to_share_out_the_coils_is_nearer() {
        let (board, targets, values) = (Board::built_in(), targets(), values(Series::E6));
        let settings = Settings::of(&board);
        let asked = Asked { wiring: 100e-12, ..Asked::of(BankKind::Select, &targets, &values) };
        // 2 mH reaches no target of stage 1; there is one piece of what serves best.
        let drawer = drawer(&[("0.4H,60R", 1), ("120m,20R,18@1k5", 1), ("70mH,20@2k6", 2), ("2m", 5), ("0.2H", 0)]);
        let worsts = |way: [usize; 3]| {
            let mut board = board.clone();
            for (part, place) in board.stages_mut().into_iter().zip(way) {
                part.coil = drawer[place].coil.in_place_of(&part.coil);
            }
            let plan = Plan::of(&board, &settings, asked).ok()?;
            let mut worsts = plan.stages.map(|stage| stage.worst);
            worsts.sort_by(|a, b| b.total_cmp(a));
            Some(worsts)
        };
        let mut least: Option<[f64; 3]> = None;
        for number in 0..125 {
            let way = [number / 25, number / 5 % 5, number % 5];
            let there = (0..5).all(|n| way.iter().filter(|place| **place == n).count() <= drawer[n].quantity);
            if let Some(worsts) = there.then(|| worsts(way)).flatten()
                && least.is_none_or(|least| worsts < least)
            {
                least = Some(worsts);
            }
        }
        let told = Mutex::new(Vec::new());
        let step = |done, all| told.lock().unwrap().push((done, all));
        let choice = choose(&board, &settings, asked, [None; 3], Some(&drawer), step).unwrap();
        let way = choice.kinds.map(Option::unwrap);
        assert_eq!(worsts(way), least, "{way:?}");
        assert_eq!(choice.board.stage1.coil, drawer[way[0]].coil.in_place_of(&board.stage1.coil));
        let mut told = told.into_inner().unwrap();
        told.sort_unstable();
        assert_eq!(told, (1..=12).map(|done| (done, 12)).collect::<Vec<_>>());
    }

    #[test]
    fn a_stage_with_a_coil_of_its_own_takes_none_from_the_drawer() {
        let (board, targets, values) = (Board::built_in(), targets(), values(Series::E3));
        let settings = Settings::of(&board);
        let asked = Asked::of(BankKind::Select, &targets, &values);
        let choose = |held: [Option<Measured>; 3], drawer: &[Kind]| {
            choose(&board, &settings, asked, held, Some(drawer), |_, _| ()).map_err(|fault| fault.to_string())
        };
        let held = [Some(coil("0.6H,150R")), None, None];
        let choice = choose(held, &drawer(&[("80m", 1), ("150m", 1)])).unwrap();
        assert_eq!((choice.kinds[0], choice.board.stage1.coil.series), (None, 150.0));
        assert!(choice.kinds[1].is_some() && choice.kinds[1] != choice.kinds[2]);
        let none = super::choose(&board, &settings, asked, held, None, |_, _| ()).unwrap();
        assert_eq!((none.kinds, none.board.stage2.coil), ([None; 3], board.stage2.coil));
        // Too few; none for a stage, with what would do; enough for each stage and too few for all.
        assert!(choose([None; 3], &drawer(&[("80m", 2)])).unwrap_err().contains("given 2 coils, allowed are 3"));
        let told = choose([None; 3], &drawer(&[("80m", 2), ("3m", 9)])).unwrap_err();
        assert!(told.contains("stage 1: no coil reaches every target") && told.contains("would do"), "{told}");
        let told = choose([None; 3], &drawer(&[("150m", 2), ("3m", 9)])).unwrap_err();
        assert!(told.contains("too few coils") || told.contains("no coil reaches"), "{told}");
    }

    /// What the search takes for soldered and what the board holds differ by the wiring, and the peaks are those of the board.
    #[test]
    fn wiring_is_on_the_board_and_not_in_the_part_to_solder() {
        let (board, targets, values) = (Board::built_in(), targets(), values(Series::E12));
        let settings = Settings::of(&board);
        for kind in [BankKind::Parallel, BankKind::Select] {
            let asked = Asked { wiring: 3e-9, ..Asked::of(kind, &targets, &values) };
            let plan = Plan::of(&board, &settings, asked).unwrap();
            for (n, stage) in plan.stages.iter().enumerate() {
                assert!(values.single.iter().any(|place| place.farads == stage.fixed));
                assert_eq!(plan.board.stages()[n].fixed, stage.fixed + 3e-9);
                let off = |(target, code): (&Target, &u8)| {
                    cents(target.hertz[n], stage.peaks[usize::from(*code)].frequency).abs()
                };
                let worst = targets.iter().zip(&stage.codes).map(off).fold(0.0, f64::max);
                assert!((worst - stage.worst).abs() < 0.1, "{worst} against {}", stage.worst);
            }
        }
    }
}
