//! A scene played for so many frames and nothing else, for `cargo xtask guard` to count its instructions.
//!
//! Without a scene it lists them, a line each; with a scene, frames and `widest` or `common` instructions it plays, and says on
//! which path the solver runs.

mod scene;

use scene::{KEYS, Scene, tick_four};
use std::hint::black_box;
use tritank_dsp::knobs::{Chord, Knob};
use tritank_dsp::processor::Instructions;

/// The chord stands ready for so long, whatever is played of it, so that preparing it always counts the same.
const MOST: usize = 24_000;
const QUARTET: &str = "quartet, x4";

fn scenes() -> [Scene; 12] {
    [
        Scene::new("idle").volts(0.0),
        Scene::new("chord, x4"),
        Scene::new("chord overdriven, x4").with(Knob::InputOverdriven, 1.0),
        Scene::new("chord with sweeps half open, x4").swept(),
        Scene::new("chord, a line switched every 10 frames, x4").switching(10),
        Scene::new("chord, a line switched every frame, x4").switching(1),
        Scene::new("chord, x1").with(Knob::UnitQuality, 0.0),
        Scene::new("chord, a line switched every frame, x1").switching(1).with(Knob::UnitQuality, 0.0),
        Scene::new(QUARTET),
        Scene::new("a key, x4").played(&KEYS[..1], Chord::Last),
        Scene::new("three keys into three stages, x4").played(&KEYS[..3], Chord::Stages),
        Scene::new("four keys in four voices, x4").played(&KEYS, Chord::Voices),
    ]
}

fn main() {
    // Cargo adds `--bench`.
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let [name, frames, instructions] = &words[..] else {
        return scenes().iter().for_each(|scene| println!("{}", scene.name));
    };
    let instructions = if instructions == "common" { Instructions::Common } else { Instructions::Widest };
    let scene = scenes().into_iter().find(|scene| scene.name == *name).expect("a scene of the list").on(instructions);
    let frames: usize = frames.parse().expect("a number of frames");
    assert!(frames <= MOST, "frames: given {frames}, allowed is {MOST}");
    let chord = scene.chord(MOST);
    let sum: f64 = if scene.name == QUARTET {
        let mut quartet = scene.quartet();
        (0..frames).map(|n| tick_four(&mut quartet, n, &chord)).sum()
    } else {
        let mut unit = scene.instrument();
        chord[..frames].iter().enumerate().map(|(n, &volts)| scene.tick(&mut unit, n, volts)).sum()
    };
    black_box(sum);
    println!("{}", instructions.name());
}
