//! The chain against itself at shorter steps, and against closed forms.

use super::*;
use crate::lanes::One;
use crate::radau;
use std::f64::consts::TAU;

type Single = Chain<One<wide::f64x4>>;

fn chain_of(board: &Board, rate: f64) -> Single {
    Chain::new(std::slice::from_ref(board), rate, 25.0, Accuracy::NONE)
}

fn switches(board: &Board, stage: usize, code: u8) -> [f64; 16] {
    let bank = &board.stages()[stage].bank;
    std::array::from_fn(|n| match bank.capacitors.get(n) {
        Some(_) => 1.0 / if bank.closed(n, code) { bank.on } else { bank.off },
        None => 0.0,
    })
}

/// A case of the study: board, levels, input height, sweep, whether codes change.
struct Case {
    name: &'static str,
    board: Board,
    supply: f64,
    height: f64,
    sweep: f64,
    switching: bool,
}

fn cases() -> Vec<Case> {
    let plain =
        |name, height| Case { name, board: Board::built_in(), supply: 3.0, height, sweep: 0.0, switching: false };
    let mut coupled = plain("C12", 0.6);
    coupled.board.coupling.c12 = 2e-9;
    vec![
        plain("clean", 0.02),
        plain("driven", 0.6),
        plain("hard", 3.0),
        Case { supply: 1.5, ..plain("starved", 0.6) },
        Case { sweep: 1.1, ..plain("sweep", 0.6) },
        Case { switching: true, ..plain("switching", 0.6) },
        coupled,
    ]
}

/// Taps at 48 kHz over 0.1 s.
fn run(case: &Case, factor: usize) -> (Vec<[f64; 3]>, Counts) {
    let rate = 48e3 * factor as f64;
    let mut chain = chain_of(&case.board, rate);
    for stage in 0..3 {
        chain.switch(0, stage, &switches(&case.board, stage, 5), 0.0);
    }
    let levels = Levels {
        main: [0.1, 0.0, 0.0],
        own: [0.0, 0.1, 0.1],
        link: [0.1, 0.1],
        supply: case.supply,
        ..Levels::default()
    };
    let sweep = [[case.sweep; 3]; 3];
    chain.settle(&[Feed { sweep, ..Feed::default() }], &[levels]);
    let mut taps = Vec::new();
    for n in 0..4800 * factor {
        if case.switching && n % (144 * factor) == 0 {
            let edge = n / (144 * factor);
            for stage in 0..3 {
                chain.switch(0, stage, &switches(&case.board, stage, (edge * 7 + stage * 3) as u8 & 15), 0.0);
            }
            chain.edge();
        }
        let main: Nodes = std::array::from_fn(|m| {
            let t = (n as f64 + radau::C[m]) / rate;
            let rise = if t < 0.01 { 0.5 - 0.5 * (t * 100.0 * TAU / 2.0).cos() } else { 1.0 };
            let sum: f64 = [(220.0, 1.0), (441.0, 0.7), (659.0, 0.5), (1318.0, 0.3), (2637.0, 0.2)]
                .iter()
                .map(|(hz, height)| height * (TAU * hz * t).sin())
                .sum();
            case.height * rise * sum
        });
        chain.step(&[Feed { main, sweep, ..Feed::default() }], &[levels]);
        if (n + 1) % factor == 0 {
            taps.push(taps_of(&chain));
        }
    }
    (taps, chain.counts())
}

fn taps_of(chain: &Single) -> [f64; 3] {
    std::array::from_fn(|stage| chain.state(0, stage).volts)
}

/// Error over signal of the worst tap, dB; the signal without its mean.
fn error_db(taps: &[[f64; 3]], truth: &[[f64; 3]]) -> f64 {
    (0..3)
        .map(|n| {
            let mean = truth.iter().map(|t| t[n]).sum::<f64>() / truth.len() as f64;
            let signal: f64 = truth.iter().map(|t| (t[n] - mean).powi(2)).sum();
            let error: f64 = taps.iter().zip(truth).map(|(a, b)| (a[n] - b[n]).powi(2)).sum();
            10.0 * (error / signal).log10()
        })
        .fold(f64::MIN, f64::max)
}

/// Halving the step converges, and the default quality is far below what is heard.
#[test]
fn shorter_steps_converge() {
    println!("error of the worst tap, dB, and iterations a step");
    for case in cases() {
        let (truth, _) = run(&case, 128);
        let mut row = vec![format!("{:>10}", case.name)];
        let mut at4 = 0.0;
        for factor in [1, 2, 4, 8, 16] {
            let (taps, counts) = run(&case, factor);
            let error = error_db(&taps, &truth);
            if factor == 4 {
                at4 = error;
            }
            row.push(format!("x{factor} {error:6.1} ({:.1})", counts.iterations as f64 / counts.steps as f64));
            assert_eq!(counts.fallbacks, 0);
        }
        println!("{}", row.join("  "));
        assert!(at4 < if case.switching { -60.0 } else { -80.0 }, "{}: {at4}", case.name);
    }
}

/// A board whose drivers are dead and whose tanks are the given coil, capacitor and core; no sweep, follower all but off.
fn bare(inductance: f64, fixed: f64, core: f64, bank: &[f64], on: f64) -> Board {
    let mut board = Board::built_in();
    let dead = |t: &mut crate::board::Transistor| (t.saturation, t.leakage) = (1e-16, 0.0);
    dead(&mut board.follower.transistor);
    (board.follower.coupling, board.follower.upper, board.follower.lower) = (1e-12, 1e8, 10.0);
    for stage in board.stages_mut() {
        dead(&mut stage.driver.transistor);
        stage.driver.bias = 0.0;
        stage.coil = crate::board::Coil { inductance, series: 1e-3, core, saturation: None };
        stage.fixed = fixed;
        stage.bank.capacitors = bank.to_vec();
        stage.bank.on = on;
        stage.sweep = None;
    }
    board
}

fn at_rest(board: &Board, rate: f64) -> (Single, Levels) {
    let mut chain = chain_of(board, rate);
    for stage in 0..3 {
        chain.switch(0, stage, &switches(board, stage, 0), 0.0);
    }
    let levels = Levels { supply: 3.0, ..Levels::default() };
    chain.settle(&[Feed::default()], &[levels]);
    (chain, levels)
}

/// Lets tank 1 ring; its mean frequency over whole periods, from interpolated upward crossings, hertz.
fn ring(chain: &mut Single, levels: &Levels, rate: f64, seconds: f64) -> f64 {
    let (mut crossings, mut last) = (Vec::new(), chain.state(0, 0).volts);
    for n in 0..(seconds * rate) as usize {
        chain.step(&[Feed::default()], &[*levels]);
        let now = chain.state(0, 0).volts;
        if last < 0.0 && now >= 0.0 {
            crossings.push(n as f64 + last / (last - now));
        }
        last = now;
    }
    (crossings.len() - 1) as f64 * rate / (crossings[crossings.len() - 1] - crossings[0])
}

/// Closed form: parallel 100 mH, 1 µF, 10 kΩ rings at 503.22921 Hz and decays with α = 1/(2RC) = 50 1/s.
#[test]
fn a_tank_rings_at_its_closed_form_frequency_and_decay() {
    let board = bare(0.1, 1e-6, 10e3, &[], 100.0);
    let (mut chain, levels) = at_rest(&board, 192e3);
    chain.groups[0].state_mut(0).volts = 0.5;
    let before = chain.groups[0].energy(0);
    let hertz = ring(&mut chain, &levels, 192e3, 0.1);
    approx::assert_relative_eq!(hertz, 503.22921, max_relative = 3e-6);
    // Energy falls with 2α; the milliohm of wire adds 0.01 1/s.
    let decay = -0.5 * (chain.groups[0].energy(0) / before).ln() / 0.1;
    approx::assert_relative_eq!(decay, 50.0, max_relative = 2e-3);
}

/// Closed form: two 100 mH, 1 µF tanks joined by 47 nF ring at 503.29212 Hz together and at 481.18432 Hz opposed.
#[test]
fn coupled_tanks_split_as_the_closed_form_says() {
    let mut board = bare(0.1, 1e-6, 1e9, &[], 100.0);
    board.coupling.c12 = 47e-9;
    for (other, expected) in [(0.1, 503.29212), (-0.1, 481.18432)] {
        let (mut chain, levels) = at_rest(&board, 192e3);
        chain.groups[0].state_mut(0).volts = 0.1;
        chain.groups[0].state_mut(1).volts = other;
        let hertz = ring(&mut chain, &levels, 192e3, 0.1);
        approx::assert_relative_eq!(hertz, expected, max_relative = 1e-5);
    }
}

/// Closed form: 1 µF at 5 V onto an empty 470 nF through 80 Ω ends at 3.401361 V and loses 0.319728 of the energy; the
/// charge is the same before and after the edge to 1e-9.
#[test]
fn charge_sharing_settles_at_the_closed_form_voltage_and_loss() {
    let board = bare(100.0, 1e-6, 1e9, &[470e-9], 80.0);
    let (mut chain, levels) = at_rest(&board, 1e8);
    // A germanium base would conduct at 5 V; a twentieth of everything is the same closed form.
    chain.groups[0].state_mut(0).volts = 0.25;
    let charge = |chain: &Single| 1e-6 * chain.state(0, 0).volts + 470e-9 * chain.state(0, 0).bank[0];
    let (before, energy) = (charge(&chain), chain.groups[0].energy(0));
    chain.switch(0, 0, &switches(&board, 0, 1), 0.0);
    assert_eq!(charge(&chain), before);
    chain.step(&[Feed::default()], &[levels]);
    approx::assert_relative_eq!(charge(&chain), before, max_relative = 1e-9);
    for _ in 0..50_000 {
        chain.step(&[Feed::default()], &[levels]);
    }
    approx::assert_relative_eq!(chain.state(0, 0).volts * 20.0, 3.401_361, max_relative = 2e-3);
    approx::assert_relative_eq!(chain.state(0, 0).bank[0], chain.state(0, 0).volts, max_relative = 1e-3);
    approx::assert_relative_eq!(1.0 - chain.groups[0].energy(0) / energy, 0.319_728, max_relative = 5e-3);
}

/// Closed form: a capacitor of 100 nF at 1 V closes onto 51 nF through 100 Ω and relaxes with 3.38 µs. Done at once for an edge
/// that comes 60 ns later or was due 60 ns ago, the rest of the way is the same to the square of what was made up for.
#[test]
fn an_edge_beside_its_tick_shares_its_charge_as_if_it_came_in_time() {
    let board = bare(0.5, 51e-9, 23.6e6, &[100e-9], 100.0);
    let tau = 100.0 * 51e-9 * 100e-9 / 151e-9;
    for late in [-60e-9, -10e-9, 10e-9, 60e-9] {
        let (mut chain, levels) = at_rest(&board, 4e6);
        let rest = chain.state(0, 0).volts;
        chain.groups[0].state_mut(0).bank[0] = rest + 1.0;
        chain.switch(0, 0, &switches(&board, 0, 1), late);
        for _ in 0..8 {
            chain.step(&[Feed::default()], &[levels]);
        }
        let exact = (-(2e-6 - late) / tau).exp();
        let made_up = (exact - (chain.state(0, 0).bank[0] - chain.state(0, 0).volts)).abs();
        println!("{late:e} s: {made_up:.1e} V off");
        assert!(made_up < (late / tau).powi(2) + 1e-5, "{late:e}: {made_up}");
    }
}

/// A passive tank only ever loses energy, however its switches are thrown.
#[test]
fn undriven_energy_never_rises_under_random_switching() {
    let board = bare(0.5, 51e-9, 23.6e3, &[47e-9, 100e-9, 220e-9, 330e-9], 100.0);
    let (mut chain, levels) = at_rest(&board, 192e3);
    let mut seed = 0x2545_f491_4f6c_dd1d_u64;
    let mut random = || {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        seed
    };
    for _ in 0..200 {
        let state = chain.groups[0].state_mut(0);
        let volts = |bits: u64| (bits % 2001) as f64 / 2000.0 - 0.5;
        state.volts = volts(random());
        state.coil = 1e-3 * volts(random());
        for n in 0..4 {
            state.bank[n] = volts(random());
        }
        let mut last = chain.groups[0].energy(0);
        for _ in 0..200 {
            if random() % 3 == 0 {
                chain.switch(0, 0, &switches(&board, 0, (random() % 16) as u8), 0.0);
            }
            chain.step(&[Feed::default()], &[levels]);
            let now = chain.groups[0].energy(0);
            assert!(now <= last * (1.0 + 1e-12) + 1e-18, "{now} after {last}");
            last = now;
        }
    }
}

/// A board on which Newton finds it hard (drivers and follower of silicon-like saturation current, kicked by 100 V): steps are
/// cut, that is counted, and nothing leaves what is finite and plausible.
#[test]
fn a_step_that_does_not_settle_is_cut() {
    let mut board = Board::built_in();
    board.follower.transistor.saturation = 1e-16;
    for stage in board.stages_mut() {
        stage.driver.transistor.saturation = 1e-16;
    }
    let (mut chain, _) = at_rest(&board, 48e3);
    let levels = Levels { main: [10.0; 3], own: [10.0; 3], link: [10.0; 2], supply: 9.0, ..Levels::default() };
    let mut largest: f64 = 0.0;
    for n in 0..200 {
        let volts = if n % 2 == 0 { 100.0 } else { -100.0 };
        let feed = Feed { main: [volts; 3], jacks: [[-volts; 3]; 2], ..Feed::default() };
        chain.step(&[feed], &[levels]);
        for volts in taps_of(&chain) {
            assert!(volts.is_finite());
            largest = largest.max(volts.abs());
        }
    }
    let counts = chain.counts();
    println!("{counts:?}, at most {largest:.1} V");
    assert!(counts.cuts > 0 && counts.fallbacks == 0, "{counts:?}");
    // A kilovolt across a tank would need amperes in the coil.
    assert!(largest < 1e3, "{largest} V");
}

/// A frame that falls back draws what it drew before instead of what it should. Held currents move a tap by no more than
/// their whole range would into the fixed capacitor, and what they leave behind decays as the tank does.
#[test]
fn a_frame_that_falls_back_errs_by_what_its_currents_could_have_changed() {
    let board = Board::built_in();
    let rate = 48e3;
    for volts in [0.6, 3.0] {
        for bad in [600, 611, 623, 640] {
            let play = |bad: Option<usize>| {
                let (mut chain, _) = at_rest(&board, rate);
                let levels = Levels { main: [0.1, 0.0, 0.0], link: [0.1; 2], supply: 3.0, ..Levels::default() };
                let mut taps = vec![];
                for n in 0..4800 {
                    let wave = |m: f64| volts * (TAU * 523.25 * (n as f64 + m) / rate).sin();
                    if bad == Some(n) {
                        chain.groups.iter_mut().for_each(Group::lose_patience);
                    }
                    chain.step(&[Feed { main: radau::C.map(wave), ..Feed::default() }], &[levels]);
                    chain.groups.iter_mut().for_each(|group| group.be_patient(false));
                    taps.push(taps_of(&chain));
                }
                (taps, chain.counts())
            };
            let ((truth, clean), (taps, counts)) = (play(None), play(Some(bad)));
            assert!(clean.fallbacks == 0 && counts.fallbacks > 0 && counts.steps < clean.steps + 200, "{counts:?}");
            // Its current cannot swing further than the bus does across the emitter resistor.
            let stage = &board.stage1;
            let amperes = 2.0 * 0.1 * volts / stage.driver.emitter;
            let most = amperes / (rate * stage.fixed);
            let worst = |from: usize, to: usize| {
                taps[from..to].iter().zip(&truth[from..to]).map(|(a, b)| (a[0] - b[0]).abs()).fold(0.0, f64::max)
            };
            println!(
                "{volts} V, frame {bad}: {:.2e} V of {most:.2e}, later {:.2e}",
                worst(bad, 4800),
                worst(4320, 4800)
            );
            assert!(worst(bad, bad + 1) < most);
            assert!(worst(4320, 4800) < 1e-3 * most, "it does not fade");
        }
    }
}
