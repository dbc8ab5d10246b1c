//! The chain against closed forms.

use super::*;
use crate::knobs::{Knob, Settings};

fn switches(board: &Board, stage: usize, code: u8) -> [f64; 16] {
    let bank = &board.stages()[stage].bank;
    std::array::from_fn(|n| {
        if n < bank.capacitors.len() { 1.0 / if bank.closed(n, code) { bank.on } else { bank.off } } else { 0.0 }
    })
}

fn chain(board: &Board, rate: f64, codes: [u8; 3]) -> (Chain, Levels) {
    let mut chain = Chain::new(board, rate, 25.0);
    for stage in 0..3 {
        chain.switch(stage, &switches(board, stage, codes[stage]));
    }
    let levels =
        Levels { main: [0.1, 0.0, 0.0], own: [0.0, 0.1, 0.1], link: [0.1, 0.1], supply: 3.0, ..Levels::default() };
    chain.settle(&Feed::default(), &levels);
    (chain, levels)
}

#[test]
fn look() {
    let board = Board::built_in();
    let _ = (Settings::of(&board), Knob::ALL);
    let (mut chain, levels) = chain(&board, 192e3, [0; 3]);
    for stage in 0..3 {
        println!("{:?}", chain.state(stage));
    }
    for g in &chain.groups {
        if let Some(f) = g.follower() {
            println!("out {:?}", f.out());
        }
    }
    let mut worst = 0.0f64;
    let start = std::time::Instant::now();
    for n in 0..192000 {
        let t = |m: usize| (n as f64 + radau::C[m]) / 192e3;
        let main: Nodes = std::array::from_fn(|m| {
            [220.0, 330.0, 440.0, 880.0, 1320.0].iter().map(|f| 0.5 * (t(m) * f * std::f64::consts::TAU).sin()).sum()
        });
        let y = chain.step(&Feed { main, ..Feed::default() }, &levels, 0);
        worst = worst.max(y[3].abs());
        if n % 19200 == 0 {
            println!("{y:?}");
        }
    }
    println!("{:?} {:?} worst {worst}", chain.counts(), start.elapsed());
}
