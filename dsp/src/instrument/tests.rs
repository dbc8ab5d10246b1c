//! The instrument as a shell uses it.

use super::*;
use crate::rest::Rest;

fn unit(quality: f64) -> Instrument {
    let board = Board::built_in();
    let mut settings = Settings::of(&board);
    settings.set(Knob::UnitQuality, quality);
    Instrument::new(&board, &settings, 48e3).unwrap()
}

/// An organ-like chord, volts.
fn chord(n: usize) -> Input {
    let t = n as f64 / 48e3;
    let sum: f64 =
        [220.0, 277.2, 330.0, 440.0, 660.0].iter().map(|hz| 0.4 * (std::f64::consts::TAU * hz * t).sin()).sum();
    Input { main: [sum, 0.8 * sum], ..Input::default() }
}

/// Edits by frame: switches, codes, knobs, keys and gates.
fn play(unit: &mut Instrument, n: usize) -> Output {
    match n % 97 {
        3 => unit.set(Knob::Stage1Switch1, f64::from(u8::from(n.is_multiple_of(2)))),
        17 => unit.set(Knob::Stage2Code, (n / 97 % 16) as f64),
        40 => unit.gate(Source::Score, Line::of_stage(2, n % 4), n.is_multiple_of(3)),
        55 => unit.set(Knob::Stage1Sweep, (n % 5) as f64 * 0.4),
        70 => unit.set(Knob::ExciterLevel, 0.5),
        _ => {}
    }
    unit.tick(chord(n))
}

#[test]
fn silence_stays_at_the_operating_point() {
    let mut unit = unit(2.0);
    let first = unit.tick(Input::default());
    for _ in 0..2000 {
        let out = unit.tick(Input::default());
        for (now, then) in out.taps.iter().zip(first.taps) {
            assert!((now - then).abs() < 1e-9, "{now} {then}");
        }
        assert!(out.main[0].abs() < 1e-9 && out.main[1].abs() < 1e-9, "{:?}", out.main);
    }
    assert_eq!(unit.counts().fallbacks, 0);
}

#[test]
fn a_reset_equals_a_fresh_start_to_the_bit() {
    let mut used = unit(2.0);
    for n in 0..3000 {
        play(&mut used, n);
    }
    let settings = *used.settings();
    used.reset();
    let mut fresh = Instrument::new(&Board::built_in(), &settings, 48e3).unwrap();
    for line in Line::all() {
        // The score's lines are neither knobs nor audio: hold them alike.
        used.gate(Source::Score, line, false);
        fresh.gate(Source::Score, line, false);
    }
    used.reset();
    fresh.reset();
    for n in 0..2000 {
        assert_eq!(play(&mut used, n), play(&mut fresh, n), "frame {n}");
    }
}

#[test]
fn the_same_input_gives_the_same_bits() {
    let (mut a, mut b) = (unit(1.0), unit(1.0));
    for n in 0..3000 {
        assert_eq!(play(&mut a, n), play(&mut b, n));
    }
}

#[test]
fn a_later_event_changes_nothing_before_its_frame() {
    for at in [500, 501, 777] {
        let (mut plain, mut switched) = (unit(2.0), unit(2.0));
        let latency = plain.latency();
        for n in 0..1500 {
            if n == at {
                switched.set(Knob::Stage2Switch2, 1.0);
            }
            let (a, b) = (plain.tick(chord(n)), switched.tick(chord(n)));
            // The down-sampling filter is linear phase: its pre-ringing lies before the edge by its own latency.
            if n < at + latency - 100 {
                assert_eq!(a, b, "frame {n}");
            }
            if n == at + latency + 40 {
                assert_ne!(a.taps[1], b.taps[1]);
                // Tap 1 lies before the edge; only the cut of the step after it shows there.
                assert!((a.taps[0] - b.taps[0]).abs() < 1e-6);
            }
        }
    }
}

#[test]
fn hostile_input_stays_finite_and_is_soon_forgotten() {
    // A sweep capacitor behind a closed channel keeps what the body diode charged it to, in the real unit as here; so the
    // memory that must fade is measured without sweeps, and the bounds with them.
    let mut without_sweeps = Board::built_in();
    for stage in without_sweeps.stages_mut() {
        stage.sweep = None;
    }
    let settings = Settings::of(&without_sweeps);
    let fresh = Instrument::new(&without_sweeps, &settings, 48e3).unwrap();
    for hostile in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 100.0, -100.0, f64::MAX] {
        let mut with_sweeps = unit(2.0);
        let (mut plain, mut hit) = (fresh.clone(), fresh.clone());
        // Energies of the clean sound, of the one that was hit, and the largest difference later on.
        let (mut clean_energy, mut hit_energy, mut late) = (0.0, 0.0, 0.0f64);
        for n in 0..24_000 {
            let clean = chord(n);
            let bad = Input { main: [hostile; 2], stage2: hostile, stage3: hostile };
            let dirty = if (1000..1480).contains(&n) { bad } else { clean };
            let (a, b, c) = (plain.tick(clean), hit.tick(dirty), with_sweeps.tick(dirty));
            assert!(c.main.iter().chain(&c.taps).all(|x| x.is_finite() && x.abs() < 50.0), "{hostile}: {c:?}");
            assert!(b.main.iter().chain(&b.taps).all(|x| x.is_finite() && x.abs() < 50.0), "{hostile}: {b:?}");
            let since = n.saturating_sub(1480 + hit.latency());
            if (2400..4800).contains(&since) {
                clean_energy += a.taps.iter().map(|v| v * v).sum::<f64>();
                hit_energy += b.taps.iter().map(|v| v * v).sum::<f64>();
            }
            if since >= 14_400 {
                late = a.taps.iter().zip(&b.taps).fold(late, |most, (x, y)| most.max((x - y).abs()));
            }
        }
        let level = 10.0 * f64::log10(hit_energy / clean_energy);
        println!(
            "{hostile:>9}: level after 50 ms {level:+.2} dB, difference after 300 ms {late:.1e} V, {:?}",
            hit.counts()
        );
        // The sound is back after 50 ms; the follower's coupling capacitor, 25 ms, takes longer to forget.
        assert!(level.abs() < 1.0, "{hostile}: {level} dB");
        assert!(late < 1e-3, "{hostile}: {late} V");
    }
}

#[test]
fn rates_that_no_host_has_are_refused() {
    let board = Board::built_in();
    for rate in [0.0, -1.0, f64::NAN, 1e6] {
        let error = Instrument::new(&board, &Settings::of(&board), rate).unwrap_err().to_string();
        assert!(error.contains("8 kHz"), "{error}");
    }
}

/// Every knob anywhere in its range, edges at any time, inputs to ±20 V: finite, within reason, and how often it fell back.
#[test]
fn wild_knobs_edges_and_inputs_stay_finite() {
    let mut seed = 0x9e37_79b9_7f4a_7c15_u64;
    let mut random = || {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        (seed >> 11) as f64 / (1u64 << 53) as f64
    };
    let mut board = Board::built_in();
    board.stage2.coil.saturation = Some(5e-3);
    let (mut steps, mut fallbacks) = (0, 0);
    for c12 in [0.0, 2e-9] {
        board.coupling.c12 = c12;
        let mut settings = Settings::of(&board);
        settings.set(Knob::UnitQuality, 1.0);
        let mut unit = Instrument::new(&board, &settings, 48e3).unwrap();
        for n in 0..40_000 {
            if n % 7 == 0 {
                let knob = Knob::ALL[(random() * Knob::COUNT as f64) as usize];
                unit.set(knob, knob.at_travel(random()));
            }
            let mut volts = || 40.0 * random() - 20.0;
            let out = unit.tick(Input { main: [volts(), volts()], stage2: volts(), stage3: volts() });
            let all = out.main.iter().chain(&out.taps).chain(std::iter::once(&out.pulse));
            assert!(all.clone().all(|v| v.is_finite() && v.abs() < 500.0), "frame {n}: {out:?}, {:?}", unit.settings());
        }
        let counts = unit.counts();
        steps += counts.steps;
        fallbacks += counts.fallbacks;
    }
    assert!(steps > 160_000 && fallbacks == 0, "{fallbacks} of {steps} steps fell back");
}

/// Sounds, rests and is woken by everything that wakes; beside it the same without rests. A waking returns the chord's level.
#[test]
fn rests_make_no_difference() {
    type Waking = (&'static str, fn(&mut Instrument) -> f64);
    let wakings: [Waking; 8] = [
        ("audio", |_| 1.0),
        ("a line", |unit| {
            unit.gate(Source::Score, Line::of_stage(0, 1), false);
            0.0
        }),
        ("a level", |unit| {
            unit.set(Knob::Stage2Link, 0.7);
            1.0
        }),
        ("the exciter", |unit| {
            unit.set(Knob::ExciterLevel, 1.0);
            0.0
        }),
        ("a sweep", |unit| {
            unit.set(Knob::Stage1Sweep, 1.3);
            0.0
        }),
        ("the supply", |unit| {
            unit.set(Knob::UnitSupply, 4.0);
            0.0
        }),
        ("the temperature", |unit| {
            unit.set(Knob::UnitTemperature, 40.0);
            0.0
        }),
        ("a soft edge", |unit| {
            unit.set(Knob::ClickSoftEdge, 2e-3);
            unit.set(Knob::Stage3Code, 5.0);
            0.0
        }),
    ];
    let board = Board::built_in();
    for quality in [0.0, 2.0] {
        let mut settings = Settings::of(&board);
        settings.set(Knob::UnitQuality, quality);
        let fresh = Instrument::new(&board, &settings, 48e3).unwrap();
        for (name, wake) in wakings {
            let (mut rests, mut never) = (fresh.clone(), fresh.clone());
            never.voices[0].rest = Rest::new(f64::INFINITY);
            let (mut level, mut worst, mut slept) = (0.0, 0.0_f64, 0);
            for n in 0..100_000 {
                for unit in [&mut rests, &mut never] {
                    match n {
                        // A capacitor is left charged behind an open switch.
                        2000 => unit.gate(Source::Score, Line::of_stage(0, 1), true),
                        3600 => unit.set(Knob::Stage2Switch3, 1.0),
                        4321 => unit.set(Knob::Stage2Switch3, 0.0),
                        47_111 | 96_000 => level = wake(unit),
                        0 => level = 1.0,
                        5000 | 50_111 => level = 0.0,
                        _ => {}
                    }
                }
                let chord = chord(n);
                let input = Input { main: chord.main.map(|volts| level * volts), ..Input::default() };
                let (a, b) = (rests.tick(input), never.tick(input));
                for (a, b) in a.taps.iter().chain(&a.main).zip(b.taps.iter().chain(&b.main)) {
                    worst = worst.max((a - b).abs());
                }
                assert_eq!(a.pulse, b.pulse, "{name}, frame {n}");
                if n == 47_000 {
                    slept = rests.counts().rests;
                }
            }
            let (with, without) = (rests.counts(), never.counts());
            println!(
                "×{}, {name}: {worst:.1e} V, {slept} and {} frames of rest, {} of {} steps",
                1 << quality as u32,
                with.rests,
                with.steps,
                without.steps
            );
            assert!(worst < 1e-9, "{name}: {worst} V");
            assert!(slept > 15_000 && without.rests == 0, "{name}: {slept} frames of rest");
        }
    }
}

/// Rests begin and end with the sound, wherever its frames lie in the filters' rooms and in the watches.
#[test]
fn a_rest_is_the_same_whenever_it_comes() {
    let sounds = |n: usize| n % 60_000 < 2000;
    let play = |unit: &mut Instrument, n: Option<usize>| {
        let n = n.filter(|&n| sounds(n));
        if n.is_some_and(|n| n % 1000 == 500) {
            unit.gate(Source::Score, Line::of_stage(1, 2), n.is_some_and(|n| n % 2000 == 500));
        }
        unit.tick(n.map_or(Input::default(), chord))
    };
    let mut early = unit(2.0);
    for delay in [1, 37, 4799, 11_000] {
        let (mut a, mut b) = (early.clone(), early.clone());
        for _ in 0..delay {
            play(&mut b, None);
        }
        for n in 0..70_000 {
            let (x, y) = (play(&mut a, Some(n)), play(&mut b, Some(n)));
            for (x, y) in x.taps.iter().chain(&x.main).zip(y.taps.iter().chain(&y.main)) {
                assert!((x - y).abs() < 1e-9, "{delay} frames late, frame {n}: {x} {y}");
            }
        }
        let (a, b) = (a.counts().rests, b.counts().rests);
        assert!(a > 30_000 && b > 30_000, "{a} {b}");
    }
    // A reset wakes, and nothing is left.
    for n in 0..40_000 {
        play(&mut early, Some(n));
    }
    assert!(early.counts().rests > 10_000);
    early.reset();
    assert_eq!(early.counts().rests, 0);
    let mut fresh = unit(2.0);
    for n in 0..40_000 {
        assert_eq!(play(&mut early, Some(n)), play(&mut fresh, Some(n)), "frame {n}");
    }
    assert_eq!(early.counts(), fresh.counts());
}

/// Times at which the pulse rises through half its height, frames.
fn rises(pulse: &[f64]) -> Vec<f64> {
    let half = 0.5 * pulse.iter().fold(0.0f64, |most, volts| most.max(*volts));
    assert!(half > 0.5, "no pulse");
    let crossing = |n: usize| n as f64 + (half - pulse[n]) / (pulse[n + 1] - pulse[n]);
    (0..pulse.len() - 1).filter(|n| pulse[*n] < half && pulse[n + 1] >= half).map(crossing).collect()
}

/// 1 V/octave (common practice): 440·2^V Hz, whether the knob or a key says 440.
#[test]
fn a_control_voltage_turns_the_exciter_by_an_octave_a_volt() {
    for keys in [false, true] {
        for volts in [-3.0, -1.0, 0.0, 1.0 / 12.0, 1.0, 1.75] {
            let mut unit = unit(2.0);
            if keys {
                unit.set(Knob::ExciterPitch, 1.0);
                unit.key(69, 1.0);
            } else {
                unit.set(Knob::ExciterRate, 440.0);
            }
            unit.control(Voltage::Exciter, f64::NAN);
            unit.control(Voltage::Exciter, volts);
            unit.control(Voltage::Exciter, f64::INFINITY);
            let pulse: Vec<f64> = (0..48_000).map(|_| unit.tick(Input::default()).pulse).collect();
            // The glide of the knob, and the gate capacitor, come first.
            let rises = rises(&pulse[6000..]);
            let hertz = 48e3 * (rises.len() - 1) as f64 / (rises[rises.len() - 1] - rises[0]);
            let cents = 1200.0 * (hertz / (440.0 * volts.exp2())).log2();
            assert!(cents.abs() < 0.05, "{volts} V, keys {keys}: {hertz} Hz, {cents} cents");
        }
    }
}

/// A volt on the knob or at the jack: the same volt on the gate, once the knob has glided there.
#[test]
fn a_sweep_hears_the_sum_of_knob_and_control_voltage() {
    let play = |knob: f64, volts: f64| {
        let mut unit = unit(2.0);
        unit.set(Knob::Stage2Main, 0.3);
        unit.set(Knob::Stage2Sweep, knob);
        unit.reset();
        unit.control(Voltage::Sweep(1), volts);
        unit.reset();
        (0..3000).map(|n| unit.tick(chord(n))).collect::<Vec<_>>()
    };
    let [whole, sum, other] = [(1.25, 0.0), (0.75, 0.5), (0.75, 0.0)].map(|(knob, volts)| play(knob, volts));
    assert_eq!(whole, sum);
    assert_ne!(whole, other);
    assert_eq!(play(0.0, 10.0), play(9.0, 0.0), "no further than the knob");
    assert_eq!(play(0.0, -3.0), play(0.0, 0.0), "nor below");
}

/// A control voltage meets the audio of its frame, and a unit whose voltages rest does as if it had none.
#[test]
fn a_control_voltage_takes_effect_on_its_frame() {
    let (mut plain, mut moved) = (unit(2.0), unit(2.0));
    let latency = plain.latency();
    for n in 0..1500 {
        if n == 700 {
            moved.control(Voltage::Sweep(2), 1.4);
        }
        if n == 100 {
            moved.control(Voltage::Exciter, 0.0);
        }
        let (a, b) = (plain.tick(chord(n)), moved.tick(chord(n)));
        if n < 700 + latency - 100 {
            assert!((a.taps[2] - b.taps[2]).abs() < 1e-9, "frame {n}");
        }
        if n == 700 + latency + 20 {
            assert!((a.taps[2] - b.taps[2]).abs() > 1e-4, "{} {}", a.taps[2], b.taps[2]);
        }
    }
}

/// What is read of the lines, as late as the sound, is the pull of `ahead` and the way up before.
#[test]
fn lines_are_read_ahead_of_what_comes_out() {
    for quality in 0..5 {
        let mut unit = unit(f64::from(quality));
        let early = unit.latency() - unit.ahead();
        unit.gate(Source::Inputs, Line::SOFT, true);
        for n in 0..=early {
            assert_eq!(unit.line_word(), 0);
            unit.tick(Input::default());
            assert_eq!(unit.line_word() != 0, n == early);
        }
        assert_eq!(unit.line_word(), 1 << Line::SOFT.index());
    }
}

/// Two pulls that cancel between two ticks leave nothing behind, not even the time at which they came.
#[test]
fn what_cancels_leaves_no_trace_on_the_next_edge() {
    let line = Line::of_stage(0, 2);
    let (mut plain, mut cancelled) = (unit(2.0), unit(2.0));
    let mut worst = 0.0_f64;
    for n in 0..4000 {
        if n == 1000 {
            cancelled.gate_within(Source::Inputs, line, true, 0.3);
            cancelled.gate_within(Source::Patterns, line, true, 0.3);
        }
        if n == 2000 {
            plain.set(Knob::Stage1Switch2, 1.0);
            cancelled.set(Knob::Stage1Switch2, 1.0);
        }
        let [a, b] = [&mut plain, &mut cancelled].map(|unit| unit.tick(chord(n)));
        if n >= 2000 {
            worst = worst.max((a.taps[0] - b.taps[0]).abs());
        }
    }
    println!("what cancels: {worst:.1e} V");
    assert!(worst < 1e-7, "{worst:e} V");
}

/// Edges that wait for their tank's zero click less (common practice): what tap 1 has beyond the sound, by its fourth difference,
/// which leaves 9 kHz and more.
#[test]
fn zero_wait_takes_the_clicks_out_of_a_tap() {
    let clicks = |zero_wait: f64| {
        let mut unit = unit(2.0);
        unit.set(Knob::ClickZeroWait, zero_wait);
        let taps: Vec<f64> = (0..96_000)
            .map(|n| {
                // Lines 0 to 3 in turn, at no period of the chord's.
                if n > 4800 && n % 2311 == 0 {
                    let turn = n / 2311;
                    unit.gate(Source::Score, Line::of_stage(0, turn % 4), turn / 4 % 2 == 0);
                }
                unit.tick(chord(n)).taps[0]
            })
            .collect();
        let fourth = |w: &[f64]| w[0] - 4.0 * w[1] + 6.0 * w[2] - 4.0 * w[3] + w[4];
        let differences = taps[4800..].windows(5).map(fourth);
        let (sum, most) = differences.fold((0.0, 0.0_f64), |(sum, most), d| (sum + d * d, most.max(d.abs())));
        [10.0 * f64::log10(sum), 20.0 * most.log10()]
    };
    let [at_once, waiting] = [0.0, 1.0].map(clicks);
    let less = [at_once[0] - waiting[0], at_once[1] - waiting[1]];
    println!("zero wait: {:.1} dB less in all, {:.1} dB at the peak", less[0], less[1]);
    assert!(less[0] > 6.0 && less[1] > 6.0, "{less:?}");
}
