//! Whatever a person or a program may do to it: every knob anywhere, lines at any time, boards of any values, inputs to ±20 V.
//!
//! ```text
//!   seed ─► boards, rates, qualities ─► units, one after another ─► every frame: finite? within reason? did it fall back?
//! ```
//! `--frames N` says for how long (10⁸ when left out, some twenty minutes on two cores), `--seed N` for which sequence. Fails on
//! a value that is not finite or that no circuit of these parts could make, and when the solver fell back more often than once
//! in a million steps.

use std::process::ExitCode;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;
use tritank_dsp::board::{BankKind, Board};
use tritank_dsp::instrument::{Counts, Input, Instrument, Output};
use tritank_dsp::knobs::{Knob, Settings};
use tritank_dsp::lines::{Line, Source};

/// Frames that one unit plays.
const LIFE: u64 = 100_000;
const RATES_HZ: [f64; 6] = [44.1e3, 48e3, 88.2e3, 96e3, 176.4e3, 192e3];
/// Loudest input, volts.
const LOUDEST: f64 = 20.0;

/// Xorshift (G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8 (2003); triple 13, 7, 17).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// From 0 to 1.
    fn part(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    fn below(&mut self, count: usize) -> usize {
        (self.part() * count as f64) as usize
    }

    /// A value times or divided by up to `factor`.
    fn about(&mut self, value: &mut f64, factor: f64) {
        *value *= factor.powf(2.0 * self.part() - 1.0);
    }
}

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().collect();
    let given = |name: &str, otherwise: u64| {
        let place = arguments.iter().position(|argument| argument == name);
        place.and_then(|place| arguments.get(place + 1)?.parse().ok()).unwrap_or(otherwise)
    };
    let (frames, seed) = (given("--frames", 100_000_000), given("--seed", 1));
    let units = frames.div_ceil(LIFE);
    let (next, clock) = (AtomicU64::new(0), Instant::now());
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    println!("{} frames, {units} units, seed {seed}, {threads} threads", units * LIFE);
    let work = || {
        let mut sum = Counts::default();
        loop {
            let unit = next.fetch_add(1, Ordering::Relaxed);
            if unit >= units {
                return Ok(sum);
            }
            if unit % (units / 20).max(1) == 0 {
                println!("{:3} % after {:.0} s", 100 * unit / units, clock.elapsed().as_secs_f64());
            }
            let counts = live(Random(((seed << 32) + unit + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15)))?;
            sum.steps += counts.steps;
            sum.iterations += counts.iterations;
            sum.refused += counts.refused;
            sum.cuts += counts.cuts;
            sum.fallbacks += counts.fallbacks;
            sum.rests += counts.rests;
        }
    };
    let ends: Vec<Result<Counts, String>> = std::thread::scope(|scope| {
        let running: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        running.into_iter().map(|thread| thread.join().expect("no unit panics")).collect()
    });
    let mut sum = [0u64; 6];
    for end in ends {
        match end {
            Ok(counts) => {
                let counts =
                    [counts.steps, counts.iterations, counts.refused, counts.cuts, counts.fallbacks, counts.rests];
                sum.iter_mut().zip(counts).for_each(|(sum, count)| *sum += count);
            }
            Err(line) => {
                eprintln!("{line}");
                return ExitCode::FAILURE;
            }
        }
    }
    let [steps, iterations, refused, cuts, fallbacks, rests] = sum;
    let rate = fallbacks as f64 / steps as f64;
    println!("{steps} steps, {:.2} iterations each, {refused} refused, {cuts} cut", iterations as f64 / steps as f64);
    println!("{rests} frames at rest; {fallbacks} fallbacks, {rate:.1e} of the steps; all finite, all within reason");
    if rate < 1e-6 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// One unit from its first frame to its last.
fn live(mut random: Random) -> Result<Counts, String> {
    // The first numbers of neighbouring seeds are alike.
    for _ in 0..16 {
        random.next();
    }
    let board = board(&mut random);
    let mut settings = Settings::of(&board);
    for knob in Knob::ALL {
        if random.part() < 0.5 {
            settings.set(*knob, knob.at_travel(random.part()));
        }
    }
    let rate_hz = RATES_HZ[random.below(RATES_HZ.len())];
    let mut unit = Instrument::new(&board, &settings, rate_hz).map_err(|error| error.to_string())?;
    let mut reason = Reason::default();
    reason.admit(&board, &settings);
    let (mut every, mut volts, mut hertz, mut kind) = (100, 1.0, 440.0, 0);
    for frame in 0..LIFE {
        if frame % 5000 == 0 {
            every = 1 + random.below(1000) as u64;
            volts = LOUDEST * random.part().powi(3);
            hertz = 20.0 * 800f64.powf(random.part());
            kind = random.below(4);
        }
        if frame % every == 0 {
            let knob = Knob::ALL[random.below(Knob::COUNT)];
            unit.set(knob, knob.at_travel(random.part()));
            reason.admit(&board, unit.settings());
        }
        if random.part() < 2.0 / every as f64 {
            let line = Line::of_stage(random.below(3), random.below(4));
            unit.gate_within(Source::Score, line, random.part() < 0.5, random.part());
        }
        let mut sound = || match kind {
            0 => 0.0,
            1 => volts * (2.0 * random.part() - 1.0),
            2 => volts * (std::f64::consts::TAU * hertz * frame as f64 / rate_hz).sin(),
            _ => volts * ((hertz * frame as f64 / rate_hz).fract() - 0.5).signum(),
        };
        let input = Input { main: [sound(), sound()], stage2: sound(), stage3: sound() };
        let Output { main, pulse, taps } = unit.tick(input);
        let all = main.iter().chain(&taps).chain([&pulse]);
        if all.clone().any(|volts| !volts.is_finite()) || taps.iter().zip(reason.0).any(|(tap, most)| tap.abs() > most)
        {
            return Err(format!(
                "frame {frame}: {main:?} {taps:?} {pulse} V at {rate_hz} Hz, {:?}\n{board:?}",
                unit.settings()
            ));
        }
    }
    Ok(unit.counts())
}

/// Volts that each tap may reach at most. A collector goes no further below ground than its bus, whose base current then leaves
/// through the collector; the coil swings as far above the rail; a tank of which capacitors are switched out keeps its energy,
/// and so rises by √(C/C₀). Twice that, for what one swing leaves to the next.
#[derive(Default)]
struct Reason([f64; 3]);

impl Reason {
    /// Lets in what other settings may do.
    fn admit(&mut self, board: &Board, settings: &Settings) {
        let of = |knob| settings.get(knob).abs();
        let rail = of(Knob::UnitSupply);
        let main = 2.0 * LOUDEST * of(Knob::InputDrive).max(1.0);
        let pulse = of(Knob::ExciterLevel) * 2.0 * rail;
        let joined = if board.coupling.c12 > 0.0 { 1.0 } else { 0.0 };
        let mut before = 0.0;
        let knobs = [
            (Knob::Stage1Main, Knob::Stage1Pulse, 0.0, 0.0),
            (Knob::Stage2Main, Knob::Stage2Pulse, of(Knob::Stage2In), of(Knob::Stage2Link)),
            (Knob::Stage3Main, Knob::Stage3Pulse, of(Knob::Stage3In), of(Knob::Stage3Link)),
        ];
        for (n, (in_main, in_pulse, own, link)) in knobs.into_iter().enumerate() {
            let linked = link * if n == 2 { rail } else { before };
            let bus = of(in_main) * main + of(in_pulse) * pulse + own * LOUDEST + linked;
            let stage = &board.stages()[n];
            let whole: f64 = stage.bank.capacitors.iter().sum::<f64>() + stage.fixed;
            before = 4.0 * (bus + rail) * (whole / stage.fixed).sqrt() + joined * before;
            self.0[n] = self.0[n].max(before);
        }
    }
}

/// The built-in board with everything about it changed.
fn board(random: &mut Random) -> Board {
    let mut board = Board::built_in();
    if random.part() < 0.3 {
        board.coupling.c12 = 20e-9 * random.part();
    }
    random.about(&mut board.follower.transistor.saturation, 10.0);
    random.about(&mut board.follower.coupling, 5.0);
    random.about(&mut board.follower.load, 3.0);
    let select = random.part() < 0.3;
    for stage in board.stages_mut() {
        random.about(&mut stage.coil.inductance, 3.0);
        random.about(&mut stage.coil.series, 5.0);
        random.about(&mut stage.coil.core, 5.0);
        random.about(&mut stage.fixed, 4.0);
        random.about(&mut stage.bank.on, 10.0);
        random.about(&mut stage.driver.transistor.saturation, 10.0);
        random.about(&mut stage.driver.transistor.forward_gain, 2.0);
        random.about(&mut stage.driver.transistor.reverse_gain, 2.0);
        random.about(&mut stage.driver.base, 3.0);
        random.about(&mut stage.driver.emitter, 3.0);
        if random.part() < 0.3 {
            stage.coil.saturation = Some(2e-3 * 10f64.powf(random.part()));
        }
        stage.bank.charge = 20e-12 * random.part();
        if select {
            stage.bank.kind = BankKind::Select;
            stage.bank.capacitors = (0..16).map(|_| 300e-9 * random.part().powi(2)).collect();
        }
    }
    board
}
