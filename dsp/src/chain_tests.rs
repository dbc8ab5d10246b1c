//! The chain against itself at shorter steps, and against closed forms.

use super::*;
use std::f64::consts::TAU;

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
fn run(case: &Case, factor: usize, edge_level: usize) -> (Vec<[f64; 3]>, Counts) {
    let rate = 48e3 * factor as f64;
    let mut chain = Chain::new(&case.board, rate, 25.0);
    for stage in 0..3 {
        chain.switch(stage, &switches(&case.board, stage, 5));
    }
    let levels = Levels {
        main: [0.1, 0.0, 0.0],
        own: [0.0, 0.1, 0.1],
        link: [0.1, 0.1],
        supply: case.supply,
        ..Levels::default()
    };
    let sweep = [[case.sweep; 3]; 3];
    chain.settle(&Feed { sweep, ..Feed::default() }, &levels);
    let mut taps = Vec::new();
    for n in 0..4800 * factor {
        let mut level = 0;
        if case.switching && n % (144 * factor) == 0 {
            let edge = n / (144 * factor);
            for stage in 0..3 {
                chain.switch(stage, &switches(&case.board, stage, (edge * 7 + stage * 3) as u8 & 15));
            }
            level = edge_level;
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
        let [_, a, b, c] = chain.step(&Feed { main, sweep, ..Feed::default() }, &levels, level);
        if (n + 1) % factor == 0 {
            taps.push([a, b, c]);
        }
    }
    (taps, chain.counts())
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
        let (truth, _) = run(&case, 128, 2);
        let mut row = format!("{:>10}", case.name);
        let mut at4 = 0.0;
        for factor in [1, 2, 4, 8, 16] {
            let (taps, counts) = run(&case, factor, 1);
            let error = error_db(&taps, &truth);
            if factor == 4 {
                at4 = error;
            }
            row += &format!("  x{factor} {error:6.1} ({:.1})", counts.iterations as f64 / counts.steps as f64);
            assert_eq!(counts.fallbacks, 0);
        }
        println!("{row}");
        assert!(at4 < if case.switching { -60.0 } else { -80.0 }, "{}: {at4}", case.name);
    }
}
