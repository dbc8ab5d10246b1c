//! The instrument itself under the same performance: what the plugin must sound like.

use super::{Given, Heard, Performance, written};
use tritank_dsp::instrument::{Input, Instrument, Output, Voltage};
use tritank_dsp::knobs::Settings;
use tritank_dsp::lines::{Line, Source};

/// The instrument itself, driven directly: what the plugin must sound like.
pub fn directly(
    instrument: &mut Instrument,
    performance: &Performance,
    mut before: impl FnMut(usize, &mut Instrument),
) -> Vec<Output> {
    let ports = performance.ports.inputs;
    let mut high = [false; Line::COUNT];
    let mut stands = [0.0; Voltage::COUNT];
    (0..performance.main.len())
        .map(|n| {
            before(n, instrument);
            for (line, high) in Line::all().zip(&mut high).take(written(ports[3], Line::COUNT)) {
                let volts = performance.gates[n][line.index()];
                if volts.is_finite() && if *high { volts < 0.5 } else { volts >= 1.0 } {
                    *high ^= true;
                    instrument.gate(Source::Inputs, line, *high);
                }
            }
            for (place, stands) in stands.iter_mut().enumerate().take(written(ports[4], Voltage::COUNT)) {
                let volts = f64::from(performance.control[n][place]);
                if volts != *stands {
                    *stands = volts;
                    instrument.control(Voltage::ALL[place], volts);
                }
            }
            let given = |port: usize, volts: f64| match ports[port] {
                Given::Whole | Given::Mono => volts,
                // One channel of two: the jack hears the mean.
                Given::HalfNull => volts / 2.0,
                _ => 0.0,
            };
            let [left, right] = performance.main[n].map(f64::from);
            let main = match ports[0] {
                Given::Whole => [left, right],
                Given::Mono => [left, left],
                Given::HalfNull => [left, 0.0],
                _ => [0.0, 0.0],
            };
            let [two, three] = [0, 1].map(|jack| given(jack + 1, f64::from(performance.jacks[jack][n])));
            instrument.tick(Input { main, stage2: two, stage3: three })
        })
        .collect()
}

/// A new instrument on the built-in board.
pub fn instrument(settings: &Settings, rate_hz: f64) -> Instrument {
    Instrument::new(&tritank_dsp::board::Board::built_in(), settings, rate_hz).expect("a usual rate")
}

/// Largest difference from a reference, in decibels re its largest value.
pub fn difference_db(heard: &[f32], reference: impl Iterator<Item = f64>) -> f64 {
    let reference: Vec<f64> = reference.collect();
    assert_eq!(heard.len(), reference.len());
    let most = reference.iter().fold(0.0f64, |most, x| most.max(x.abs()));
    assert!(most > 1e-3, "a reference of silence proves nothing");
    let error = heard.iter().zip(&reference).fold(0.0f64, |error, (h, r)| {
        let difference = (f64::from(*h) - r).abs();
        // Not a number is no small difference.
        if difference.is_nan() { f64::INFINITY } else { error.max(difference) }
    });
    20.0 * (error / most).log10()
}

/// Holds everything that was heard against the reference, to −120 dB.
pub fn assert_same(heard: &Heard, reference: &[Output], what: &str) {
    let check = |name: &str, heard: &[f32], of: &dyn Fn(&Output) -> f64| {
        if !heard.is_empty() {
            let error = difference_db(heard, reference.iter().map(of));
            println!("{what}, {name}: {error:.1} dB");
            assert!(error <= -120.0, "{what}, {name}: {error:.1} dB");
        }
    };
    for channel in 0..2 {
        check("main", &heard.main[channel], &|out| out.main[channel]);
        check("pulse", &heard.sides[0][channel], &|out| out.pulse);
        for tap in 0..3 {
            check("tap", &heard.sides[tap + 1][channel], &|out| out.taps[tap]);
        }
    }
}
