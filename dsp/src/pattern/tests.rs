//! Lanes against a calendar in whole fractions, and against themselves: jumps, loops, blocks.

use super::*;
use crate::board::Board;
use crate::instrument::{Input, Instrument, Output};
use crate::lines::Source;
use crate::patch::Patch;
use std::ops::{Add, Mul, Sub};

/// A fraction of whole numbers: the calendar has no rounding.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Ratio(i128, i128);

impl Ratio {
    fn new(above: i128, below: i128) -> Self {
        let (mut a, mut b) = (above.abs(), below.abs());
        while b != 0 {
            (a, b) = (b, a % b);
        }
        let sign = below.signum();
        Self(sign * above / a.max(1), sign * below / a.max(1))
    }

    fn below(self, other: Self) -> bool {
        self.0 * other.1 < other.0 * self.1
    }

    fn f64(self) -> f64 {
        self.0.div_euclid(self.1) as f64 + self.0.rem_euclid(self.1) as f64 / self.1 as f64
    }
}

impl Add for Ratio {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self::new(self.0 * other.1 + other.0 * self.1, self.1 * other.1)
    }
}

impl Sub for Ratio {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        self + Self(-other.0, other.1)
    }
}

impl Mul for Ratio {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        Self::new(self.0 * other.0, self.1 * other.1)
    }
}

fn r(above: i128, below: i128) -> Ratio {
    Ratio::new(above, below)
}

/// A lane as a musician says it.
struct Said {
    line: &'static str,
    marks: &'static str,
    rate: &'static str,
    /// Quarters a step.
    step: Ratio,
    swing: Ratio,
    gate: Ratio,
    offset: usize,
}

fn said() -> [Said; 5] {
    let lane = |line, marks, rate, step, swing, gate, offset| Said { line, marks, rate, step, swing, gate, offset };
    [
        lane("1.0", "x..x..x.", "1/16", r(1, 4), r(1, 2), r(1, 2), 0),
        lane("2.3", "x.xx.", "1/8t", r(1, 3), r(1, 2), r(9, 10), 2),
        lane("3.1", "xx.", "1/16.", r(3, 8), r(2, 3), r(1, 1), 1),
        lane("soft", "x", "1/32", r(1, 8), r(3, 5), r(1, 4), 0),
        lane("hard", "x......", "1/4", r(1, 1), r(1, 2), r(1, 3), 6),
    ]
}

fn patterns_of(said: &[Said]) -> Patterns {
    let mut patterns = Patterns::default();
    for lane in said {
        let new = Lane::new(Steps::parse(lane.marks).unwrap());
        let lane_is = Lane {
            rate: Rate::parse(lane.rate).unwrap(),
            swing: lane.swing.f64(),
            gate: lane.gate.f64(),
            offset: lane.offset as u8,
            ..new
        };
        lane_is.check().unwrap();
        patterns.put(Line::parse(lane.line).unwrap(), Some(lane_is));
    }
    patterns
}

const RATE_HZ: i128 = 8000;

/// A tempo map: frames at so many quarters a minute. A glide is a row of steps.
fn tempo_map() -> Vec<(i128, i128)> {
    let glide = (0..12).map(|n| (311, 100 + 13 * n));
    [(5003, 120)].into_iter().chain(glide).chain([(4007, 97), (9001, 240)]).collect()
}

/// The place of each tempo's first frame: frames and quarters.
fn landmarks(map: &[(i128, i128)]) -> Vec<(i128, Ratio, i128)> {
    let (mut frame, mut quarters) = (0, r(0, 1));
    map.iter()
        .map(|&(frames, tempo)| {
            let here = (frame, quarters, tempo);
            frame += frames;
            quarters = quarters + r(frames * tempo, 60 * RATE_HZ);
            here
        })
        .collect()
}

/// Every edge by its frame, in whole fractions.
fn calendar(said: &[Said], map: &[(i128, i128)]) -> Vec<(Ratio, Line, bool)> {
    let landmarks = landmarks(map);
    let end = map.iter().map(|(frames, _)| frames).sum::<i128>();
    let frame_of = |quarters: Ratio| {
        let &(frame, from, tempo) = landmarks.iter().rev().find(|(_, from, _)| !quarters.below(*from)).unwrap();
        r(frame, 1) + (quarters - from) * r(60 * RATE_HZ, tempo)
    };
    let mut edges = Vec::new();
    for lane in said {
        let line = Line::parse(lane.line).unwrap();
        let marks: Vec<bool> = lane.marks.chars().map(|mark| mark == 'x').collect();
        let begin = |k: i128| lane.step * (r(2 * (k / 2), 1) + if k % 2 == 1 { lane.swing * r(2, 1) } else { r(0, 1) });
        let sounds = |k: i128| marks[(k as usize + lane.offset) % marks.len()];
        let joined = lane.gate == r(1, 1);
        let mut k = 0;
        while frame_of(begin(k)).below(r(end, 1)) {
            let close = begin(k) + (begin(k + 1) - begin(k)) * lane.gate;
            if sounds(k) {
                if !(joined && k > 0 && sounds(k - 1)) {
                    edges.push((frame_of(begin(k)), line, true));
                }
                if !(joined && sounds(k + 1)) {
                    edges.push((frame_of(close), line, false));
                }
            }
            k += 1;
        }
    }
    edges.retain(|(frame, _, _)| frame.below(r(end, 1)));
    edges.sort_by(|a, b| a.0.f64().total_cmp(&b.0.f64()).then(a.1.cmp(&b.1)));
    edges
}

/// What a host tells of a frame under the map.
fn transport_at(map: &[(i128, i128)], frame: i128) -> Transport {
    let &(from, quarters, tempo) = landmarks(map).iter().rev().find(|(from, ..)| *from <= frame).unwrap();
    let quarters = quarters + r((frame - from) * tempo, 60 * RATE_HZ);
    let place = Place { quarters: quarters.f64(), seconds: frame as f64 / RATE_HZ as f64 };
    Transport { playing: true, place: Some(place), tempo: Some(tempo as f64) }
}

/// Edges as played: frame, part of it, line, state. A host begins a block at every tempo, and every `block` frames.
fn played(patterns: &Patterns, told: &[(i128, i128, Transport)], block: i128) -> Vec<(i128, f64, Line, bool)> {
    let mut player = Player::new(patterns, RATE_HZ as f64);
    let mut edges = Vec::new();
    for &(from, to, transport) in told {
        let place = transport.place.unwrap();
        let tempo = transport.tempo.unwrap();
        for frame in from..to {
            if (frame - from) % block == 0 {
                let passed = (frame - from) as f64 / RATE_HZ as f64;
                let place = Place { quarters: place.quarters + passed * tempo / 60.0, seconds: place.seconds + passed };
                player.transport(&Transport { place: Some(place), ..transport });
            }
            player.frame(|line, on, part| edges.push((frame, part, line, on)));
        }
    }
    edges.sort_by(|a, b| (a.0, a.1).partial_cmp(&(b.0, b.1)).unwrap().then(a.2.cmp(&b.2)));
    edges
}

fn told(map: &[(i128, i128)]) -> Vec<(i128, i128, Transport)> {
    let starts = landmarks(map);
    starts.iter().zip(map).map(|((from, ..), (frames, _))| (*from, from + frames, transport_at(map, *from))).collect()
}

#[test]
fn edges_fall_on_the_calendar_through_a_tempo_map() {
    let map = tempo_map();
    let exact = calendar(&said(), &map);
    let edges = played(&patterns_of(&said()), &told(&map), 64);
    assert_eq!(edges.len(), exact.len());
    assert!(exact.len() > 150, "{}", exact.len());
    for (edge, (frame, line, on)) in edges.iter().zip(&exact) {
        assert_eq!((edge.2, edge.3), (*line, *on), "{edge:?} at {frame:?}");
        assert_eq!(edge.0, frame.0.div_euclid(frame.1), "{edge:?} at {frame:?}");
        assert!((edge.0 as f64 + edge.1 - frame.f64()).abs() < 2e-6, "{edge:?} at {frame:?}");
    }
}

#[test]
fn every_block_size_gives_the_same_edges_to_the_sample() {
    let (map, patterns) = (tempo_map(), patterns_of(&said()));
    let told = told(&map);
    let once = played(&patterns, &told, 4096);
    for block in 1..4096 {
        let edges = played(&patterns, &told, block);
        assert_eq!(edges.len(), once.len(), "blocks of {block}");
        for (a, b) in edges.iter().zip(&once) {
            assert_eq!((a.0, a.2, a.3), (b.0, b.2, b.3), "blocks of {block}");
            assert!((a.1 - b.1).abs() < 2e-6, "blocks of {block}: {a:?} {b:?}");
        }
    }
}

/// Lanes of every kind: swung, drawn for, joined, in hertz.
fn all_kinds() -> Patterns {
    let mut patterns = patterns_of(&said());
    for (n, line) in ["1.1", "1.2", "2.0", "3.3"].into_iter().enumerate() {
        let new = Lane::new(Steps::spread(3 + n, 8 + n).unwrap());
        let rate = ["1/8.", "7.3 Hz", "110 Hz", "1/2"][n];
        let rate = Rate::parse(rate).unwrap();
        patterns.put(
            Line::parse(line).unwrap(),
            Some(Lane { rate, probability: 0.6, seed: n as u32, swing: 0.5 + 0.05 * n as f64, ..new }),
        );
    }
    patterns
}

#[test]
fn after_a_million_jumps_no_line_is_stuck() {
    let patterns = all_kinds();
    let mut player = Player::new(&patterns, 48e3);
    let mut lines = 0u16;
    let mut moved = 0u64;
    for n in 0..1_000_000i64 {
        let [a, b, c, d] = words(n, 11).map(f64::from).map(|word| word / 2f64.powi(32));
        // Half of the jumps land on the grid of the notes, where edges are.
        let quarters = if n % 2 == 0 { (4800.0 * a).floor() / 48.0 - 20.0 } else { 1e4 * a };
        let place = Place { quarters, seconds: 1e3 * b - 10.0 };
        let tempo = 20.0 + 300.0 * c;
        player.transport(&Transport { playing: n % 97 != 0, place: Some(place), tempo: Some(tempo) });
        for _ in 0..=(4.0 * d) as usize {
            player.frame(|line, on, part| {
                assert!((0.0..=1.0).contains(&part));
                let mask = 1 << line.index();
                assert_eq!(lines & mask == 0, on, "told twice");
                lines ^= mask;
                moved += 1;
            });
        }
        let stands = if n % 97 != 0 { patterns.states(player.place()) } else { 0 };
        assert_eq!(lines, stands, "jump {n} to {place:?} at {tempo}");
        assert_eq!(lines, player.pulled());
    }
    assert!(moved > 1_000_000);
}

#[test]
fn a_loop_is_the_same_every_time_and_says_what_its_own_list_says() {
    let patterns = all_kinds();
    let lane_of = |line: &str| *patterns.lane(Line::parse(line).unwrap()).unwrap();
    // 4 quarters at 120 a minute: 16000 frames of 8 kHz.
    let mut passes = Vec::new();
    let mut player = Player::new(&patterns, RATE_HZ as f64);
    for _ in 0..3 {
        let mut edges = Vec::new();
        for frame in 0..16_000u32 {
            if frame % 500 == 0 {
                let seconds = 2.0 + f64::from(frame) / RATE_HZ as f64;
                let place = Place { quarters: 2.0 * seconds, seconds };
                player.transport(&Transport { playing: true, place: Some(place), tempo: Some(120.0) });
            }
            player.frame(|line, on, part| edges.push((line, on, f64::from(frame) + part)));
        }
        passes.push(edges);
    }
    // The first pass comes from silence, the others from the end of the one before.
    assert_eq!(passes[1], passes[2]);
    for line in ["1.1", "1.2", "2.0", "2.3"] {
        let (lane, line) = (lane_of(line), Line::parse(line).unwrap());
        let (from, to) = if matches!(lane.rate, Rate::Hertz(_)) { (2.0, 4.0) } else { (4.0, 8.0) };
        let listed: Vec<_> = lane.edges(from, to).filter(|(place, _)| *place > from + 1e-9).collect();
        let heard: Vec<_> = passes[1].iter().filter(|(other, _, at)| *other == line && *at > 0.0).collect();
        assert_eq!(listed.len(), heard.len(), "{line}");
        for ((place, on), (_, heard_on, at)) in listed.iter().zip(&heard) {
            assert_eq!(on, heard_on);
            assert!(((place - from) / (to - from) * 16_000.0 - at).abs() < 1e-5, "{line}: {place} {at}");
        }
        // The state function between two edges is what the edges say.
        for pair in listed.windows(2) {
            assert_eq!(lane.is_on_at(0.5 * (pair[0].0 + pair[1].0)), pair[0].1);
            assert_eq!(lane.is_on_at(pair[0].0), pair[0].1);
        }
        // Intervals side by side hold every edge once.
        let middle = listed[listed.len() / 2].0;
        let split: Vec<_> = lane.edges(from, middle).chain(lane.edges(middle, to)).collect();
        assert_eq!(split, lane.edges(from, to).collect::<Vec<_>>());
    }
}

/// How many of n steps sound is binomial: n·p, give or take √(n·p·(1 − p)); here within five of that.
#[test]
fn a_step_sounds_as_often_as_its_probability_says() {
    for (n, probability) in (0u32..).zip([0.1, 0.5, 0.85]) {
        let lane = Lane { probability, seed: n, ..Lane::new(Steps::parse("x").unwrap()) };
        let count = (0..100_000).filter(|&step| lane.sounds(step)).count() as f64;
        let spread = (1e5 * probability * (1.0 - probability)).sqrt();
        assert!((count - 1e5 * probability).abs() < 5.0 * spread, "{count} at {probability}");
    }
    let row = Lane::new(Steps::parse("x").unwrap());
    assert!((0..1000).all(|step| row.sounds(step)));
    assert!(!(0..1000).any(|step| Lane { probability: 0.0, ..row }.sounds(step)));
}

#[test]
fn free_lanes_run_without_a_host_and_at_its_tempo() {
    let mut patterns = patterns_of(&said()[..1]);
    patterns.clock = Clock::Free;
    patterns.tempo = 150.0;
    let mut player = Player::new(&patterns, 8000.0);
    let mut edges = Vec::new();
    for frame in 0..4000 {
        player.frame(|_, on, part| edges.push((f64::from(frame) + part, on)));
        // Stopping, jumping and an unknown place mean nothing to it.
        player.transport(&Transport { playing: frame % 2 == 0, place: None, tempo: None });
    }
    // A sixteenth at 150 a minute is 0.1 s, half of it is the gate: 800 and 400 frames; steps 0 and 3 of x..x..x. sound.
    assert_eq!(edges, [(0.0, true), (400.0, false), (2400.0, true), (2800.0, false)]);
    player.transport(&Transport { playing: false, place: None, tempo: Some(300.0) });
    let mut after = Vec::new();
    for frame in 4000..6000 {
        player.frame(|_, on, part| after.push((f64::from(frame) + part, on)));
    }
    // From 4000 on twice as fast: step 6 begins 800 frames of the old tempo later, 400 of the new.
    assert_eq!(after, [(4400.0, true), (4600.0, false), (5200.0, true), (5400.0, false)]);
}

#[test]
fn what_a_host_says_wildly_does_no_harm() {
    let patterns = all_kinds();
    let mut player = Player::new(&patterns, 8000.0);
    for wild in [f64::NAN, f64::INFINITY, -f64::INFINITY, 1e300, -1e300, 0.0, -0.0, 1e-300] {
        for tempo in [f64::NAN, f64::INFINITY, 0.0, -5.0, 1e300, 120.0] {
            let place = Place { quarters: wild, seconds: wild };
            player.transport(&Transport { playing: true, place: Some(place), tempo: Some(tempo) });
            for _ in 0..50 {
                player.frame(|_, _, part| assert!((0.0..=1.0).contains(&part)));
            }
            assert!(player.place().quarters.abs() < 1.1e9);
        }
    }
    player.transport(&Transport { playing: false, place: None, tempo: None });
    player.frame(|_, on, _| assert!(!on));
    assert_eq!(player.pulled(), 0);
}

/// The same edges, pulled by hand at the calendar's places, sound the same.
#[test]
fn the_unit_hears_a_lane_where_the_calendar_has_it() {
    let map = [(3001, 131), (2999, 90)];
    let stages = &said()[..3];
    let mut patch = Patch::new(Board::built_in());
    patch.patterns = patterns_of(stages);
    let mut unit = Instrument::of(&patch, RATE_HZ as f64).unwrap();
    let mut hand = Instrument::new(&patch.board, &patch.settings, RATE_HZ as f64).unwrap();
    let mut edges = calendar(stages, &map).into_iter().peekable();
    let [mut signal, mut error] = [0f64; 2];
    for frame in 0..6000 {
        if frame % 41 == 0 || frame == 3001 {
            unit.transport(&transport_at(&map, frame));
        }
        while let Some((at, line, on)) = edges.next_if(|(at, ..)| at.below(r(frame + 1, 1))) {
            hand.gate_within(Source::Score, line, on, (at - r(frame, 1)).f64());
        }
        let volts = 0.3 * (frame as f64 * 0.31).sin();
        let input = Input { main: [volts; 2], ..Input::default() };
        let [a, b]: [Output; 2] = [unit.tick(input), hand.tick(input)];
        signal += a.taps.iter().map(|volts| volts * volts).sum::<f64>();
        error += a.taps.iter().zip(b.taps).map(|(a, b)| (a - b).powi(2)).sum::<f64>();
    }
    assert!(10.0 * (error / signal).log10() < -120.0, "{error} of {signal}");
    let mut silent = Instrument::new(&patch.board, &patch.settings, RATE_HZ as f64).unwrap();
    assert!((0..6000).any(|_| silent.tick(Input::default()).taps != unit.tick(Input::default()).taps));
}

#[test]
fn a_table_reads_back_and_one_that_is_wrong_is_refused_with_its_place() {
    let mut patch = Patch::new(Board::built_in());
    patch.patterns = all_kinds();
    patch.patterns.clock = Clock::Free;
    assert_eq!(Patch::from_toml(&patch.to_toml(), &patch.board).unwrap(), patch);
    let even = "patch = 1\n[patterns.lanes.\"1.0\"]\neven = [5, 8]\n";
    let read = Patch::from_toml(even, &patch.board).unwrap();
    assert_eq!(read.patterns.lane(Line::of_stage(0, 0)).unwrap().steps.to_string(), "x.xx.xx.");
    for (table, place, given) in [
        ("[patterns]\nclock = \"sun\"", "patterns.clock", "\"sun\""),
        ("[patterns]\ntempo = nan", "patterns.tempo", "NaN"),
        ("[patterns]\ntempo = 1e9", "patterns.tempo", "1000000000"),
        ("[patterns.lanes.\"4.0\"]\nsteps = \"x\"", "patterns.lanes", "\"4.0\""),
        ("[patterns.lanes.\"1.0\"]", "patterns.lanes.1.0.steps", "none"),
        ("[patterns.lanes.\"1.0\"]\nsteps = \"xo\"", "patterns.lanes.1.0.steps", "'o'"),
        ("[patterns.lanes.\"1.0\"]\nsteps = \"\"", "patterns.lanes.1.0.steps", "0 steps"),
        ("[patterns.lanes.\"1.0\"]\neven = [9, 8]", "patterns.lanes.1.0.even", "[9, 8]"),
        (
            "[patterns.lanes.\"1.0\"]\neven = [3, 8, 9]",
            "line 3: patterns.lanes.\"1.0\".even",
            "3 values, allowed are 2",
        ),
        ("[patterns.lanes.\"1.0\"]\neven = [3, 8]\nsteps = \"x\"", "patterns.lanes.1.0.even", "beside steps"),
        ("[patterns.lanes.soft]\nsteps = \"x\"\nrate = \"1/5\"", "patterns.lanes.soft.rate", "\"1/5\""),
        ("[patterns.lanes.soft]\nsteps = \"x\"\nswing = 0.8", "patterns.lanes.soft.swing", "0.8"),
        ("[patterns.lanes.soft]\nsteps = \"x\"\ngate = 0.0", "patterns.lanes.soft.gate", "0"),
        ("[patterns.lanes.soft]\nsteps = \"x\"\nprobability = -inf", "patterns.lanes.soft.probability", "-inf"),
        ("[patterns.lanes.soft]\nsteps = \"x\"\noffset = 64", "patterns.lanes.soft.offset", "64"),
        (
            "[patterns.lanes.soft]\nsteps = \"x\"\nseed = -1",
            "line 4: patterns.lanes.soft.seed",
            "-1, allowed is a whole number",
        ),
        (
            "[patterns.lanes.soft]\nsteps = 7",
            "line 3: patterns.lanes.soft.steps",
            "given 7, allowed is a text in quotes",
        ),
        (
            "[patterns.lanes.soft]\nstep = \"x\"",
            "line 3: patterns.lanes.soft.step",
            "\"step\", allowed are steps, even",
        ),
    ] {
        let error = Patch::from_toml(&format!("patch = 1\n{table}\n"), &patch.board).unwrap_err().to_string();
        assert!(error.contains(place) && error.contains(given), "{table}: {error}");
        assert!(error.contains("allowed"), "{error}");
    }
}
