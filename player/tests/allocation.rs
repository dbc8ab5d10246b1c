//! Deck and inlet allocate nothing while they play, under an allocator that counts: keys and too many of them, gates, patterns, an input that is
//! resampled, one that runs dry, and the fade at the end.

use std::hint::black_box;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use tritank_dsp::board::Board;
use tritank_dsp::factory::Factory;
use tritank_dsp::instrument::Instrument;
use tritank_dsp::patch::Patch;
use tritank_player::deck::{Deck, Sound};
use tritank_player::inlet::Inlet;
use tritank_player::wires::{Side, Wires};
use tritank_tests::allocations::{Counting, counted};

#[global_allocator]
static ALLOCATOR: Counting = Counting;

#[test]
fn nothing_is_allocated_while_a_resampled_input_keys_and_patterns_play() {
    assert_eq!(counted(|| drop(black_box(vec![0u8; 100]))).0, 2, "the allocator counts");

    let riff = Factory::find("talking-riff").unwrap();
    let patch = Patch::from_toml(riff.toml, &Board::built_in()).unwrap();
    for (from_hz, to_hz) in [(44_100, 48_000), (48_000, 48_000), (96_000, 44_100)] {
        let wires = Arc::new(Wires::new(65_536));
        wires.put_between(1024);
        let mut inlet = Inlet::new(wires.clone(), Some(3), 10.0, from_hz, to_hz).unwrap();
        let rate_hz = f64::from(to_hz);
        let mut deck = Deck::new(Instrument::of(&patch, rate_hz).unwrap(), rate_hz, Sound::Live, wires.clone());
        let heard: Vec<f32> = (0..16 * 512).map(|n| (n as f32 * 0.01).sin() * 0.3).collect();
        let mut played = vec![0.0; 2 * 512];
        let (asked, ()) = counted(|| {
            for block in 0..200u8 {
                // Every fifth block does not come, for a while none does, and then more than can be played.
                let blocks = match block {
                    60..80 => 0,
                    80..90 => 6,
                    _ if block % 5 == 0 => 0,
                    _ => 1,
                };
                for _ in 0..blocks {
                    inlet.hear(&heard, 16, |volts| volts);
                }
                // At one block more messages than can wait.
                for _ in 0..if block == 120 { 2000 } else { 1 } {
                    wires.hear([0x90, 30 + block % 60, 100]);
                }
                if block == 190 {
                    wires.closing.store(true, Ordering::Relaxed);
                }
                deck.fill(&mut played, 2);
            }
        });
        assert_eq!(wires.floods.load(Ordering::Relaxed), 1);
        assert!(wires.slips.load(Ordering::Relaxed) > 2 && wires.closed.load(Ordering::Relaxed));
        assert!(wires.peak(Side::Out) > 0.01);
        assert_eq!(asked, 0, "{from_hz} Hz to {to_hz} Hz");
    }
}
