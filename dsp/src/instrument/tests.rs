//! The instrument as a shell uses it.

use super::*;

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
