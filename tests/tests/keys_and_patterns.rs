//! Keys and patterns in a host: a song sounds on the bench as it does in the plugin, jumps leave nothing stuck, and a state
//! carries both tables. The interface is CLAP 1.2's; the song is written by hand (RP-001, "Standard MIDI Files 1.0").

mod host;

use host::{Event, Heard, Performance, Rig, TRANSPORT_RATE_HZ as RATE_HZ, assert_same, difference_db, play};
use tritank_dsp::board::Board;
use tritank_dsp::instrument::Output;
use tritank_dsp::keys::{Pitch, Row, fill};
use tritank_dsp::knobs::Knob;
use tritank_dsp::lines::Line;
use tritank_dsp::patch::Patch;
use tritank_dsp::pattern::{Lane, Rate, Steps};
use tritank_workbench::render::{Job, render};
use tritank_workbench::song::Song;
use tritank_workbench::sound::Sound;

const FRAMES: usize = 24_000;

/// Keys that pull lines, lanes of two lengths, one of them drawn for, and the exciter in tune.
fn patch() -> Patch {
    let mut patch = Patch::new(Board::built_in());
    for (id, value) in [("exciter.pitch", "keys"), ("exciter.level", "0.5"), ("direct.level", "0.1")] {
        patch.settings.assign(id, value).unwrap();
    }
    fill::gray(&mut patch.keys, 40..=80, fill::STAGES, 0);
    patch.keys.put(38, Row { lines: Some(0x5a5), pitch: Pitch::None, ..Row::default() });
    patch.keys.velocity = 0.7;
    patch.keys.bend = 7.0;
    patch.keys.pressure = [2.0, 0.0, 1.0];
    patch.keys.control(74, Some(Knob::Stage2Main.into()));
    let lane = Lane::new(Steps::parse("x..x..x.").unwrap());
    patch.patterns.put(Line::of_stage(0, 1), Some(Lane { rate: Rate::parse("1/32").unwrap(), ..lane }));
    let other = Lane { steps: Steps::spread(2, 5).unwrap(), rate: Rate::parse("1/32t").unwrap(), ..lane };
    patch.patterns.put(Line::of_stage(1, 3), Some(Lane { probability: 0.7, swing: 0.6, gate: 0.8, ..other }));
    patch.patterns.put(Line::HARD, Some(Lane { rate: Rate::parse("23 Hz").unwrap(), gate: 0.2, ..lane }));
    patch
}

/// At 48 kHz and 480 ticks a quarter: 120 a minute is 50 frames a tick, 240 is 25, 60 is 100.
const MESSAGES: [(u8, usize, [u8; 3]); 12] = [
    // Ticks after the one before; the frame by hand; the message.
    (0, 0, [0x90, 45, 100]),
    (20, 1000, [0x90, 38, 64]),
    (10, 1500, [0xe0, 0, 0x60]),
    (30, 3000, [0x90, 52, 80]),
    // From tick 60 on 240 a minute.
    (20, 3500, [0xb0, 64, 127]),
    (10, 3750, [0x80, 52, 0]),
    (30, 4500, [0xa0, 52, 90]),
    (60, 6000, [0xb0, 74, 99]),
    (60, 7500, [0xb0, 64, 0]),
    (10, 7750, [0x90, 61, 1]),
    // From tick 270 on 60 a minute.
    (40, 10_250, [0xd0, 100, 0]),
    (60, 16_250, [0x80, 61, 0]),
];

/// Tempi: ticks, frame, quarters, quarters a minute.
const TEMPI: [(u8, usize, f64, f64); 3] =
    [(0, 0, 0.0, 120.0), (60, 3000, 0.125, 240.0), (210, 8250, 0.125 + 0.4375, 60.0)];

fn song(messages: &[(u8, usize, [u8; 3])]) -> Vec<u8> {
    let delta = |ticks: u8| if ticks < 128 { vec![ticks] } else { vec![0x81, ticks - 128] };
    let mut tempi = Vec::new();
    for (ticks, _, _, per_minute) in TEMPI {
        let micros = ((60e6 / per_minute) as u32).to_be_bytes();
        tempi.extend(delta(ticks));
        tempi.extend([0xff, 0x51, 3]);
        tempi.extend(&micros[1..]);
    }
    let mut notes = Vec::new();
    for (ticks, _, bytes) in messages {
        notes.push(*ticks);
        // Channel pressure has one byte.
        notes.extend(&bytes[..if bytes[0] & 0xf0 == 0xd0 { 2 } else { 3 }]);
    }
    let mut file = b"MThd\0\0\0\x06\0\x01\0\x02\x01\xe0".to_vec();
    for mut track in [tempi, notes] {
        track.extend([0, 0xff, 0x2f, 0]);
        file.extend(b"MTrk");
        file.extend((track.len() as u32).to_be_bytes());
        file.extend(track);
    }
    file
}

fn performance() -> Performance {
    let mut performance = Performance::tones(FRAMES, RATE_HZ);
    // Places at the starts of these blocks are whole in a host's fixed point, and each tempo begins one.
    performance.blocks = vec![375, 375, 750, 750, 375, 375];
    performance.tempi = TEMPI.iter().map(|&(_, frame, quarters, tempo)| (frame, quarters, tempo)).collect();
    performance
}

/// The bench's rendering, with the latency put back in front.
fn on_the_bench(patch: Patch, song: &[u8], performance: &Performance, latency: usize) -> Vec<Output> {
    let sound = |channels: Vec<Vec<f64>>| Some(Sound { rate_hz: RATE_HZ as u32, channels });
    let side = |n: usize| performance.main.iter().map(|frame| f64::from(frame[n])).collect::<Vec<f64>>();
    let jack = |n: usize| performance.jacks[n].iter().copied().map(f64::from).collect::<Vec<f64>>();
    let job = Job {
        patch,
        main: sound(vec![side(0), side(1)]),
        stage2: sound(vec![jack(0)]),
        stage3: sound(vec![jack(1)]),
        edges: Vec::new(),
        song: Some(Song::parse(song).unwrap()),
        rate_hz: RATE_HZ as u32,
        frames: FRAMES as u64,
    };
    let mut out = vec![Output::default(); latency];
    render(&job, |_, frame| {
        out.push(*frame);
        Ok(())
    })
    .unwrap();
    out
}

/// The plugin's rendering without what comes before the first frame is through, as the bench drops it; and so many frames of it.
fn in_the_plugin(patch: &Patch, messages: &[(u8, usize, [u8; 3])], performance: &Performance) -> (Heard, usize) {
    let mut rig = Rig::in_process();
    let state = rig.state_of(patch);
    rig.load(&state).expect("the state is loaded");
    let events: Vec<_> = messages.iter().map(|&(_, frame, bytes)| (frame, Event::Midi(bytes))).collect();
    let mut processor = rig.start(RATE_HZ, 750);
    let mut heard = play(&mut processor, performance, &events);
    let latency = rig.latency();
    rig.stop(processor);
    for channel in heard.main.iter_mut().chain(heard.sides.iter_mut().flatten()) {
        channel.drain(..latency);
    }
    (heard, FRAMES - latency)
}

#[test]
fn a_song_on_the_bench_sounds_as_it_does_in_the_plugin() {
    let ways = ["last", "stages", "voices"].map(the_song_sounds_as_in_the_plugin);
    for pair in [[0, 1], [1, 2], [2, 0]] {
        let [one, other] = pair.map(|way| &ways[way]);
        let error = difference_db(one, other.iter().copied().map(f64::from));
        assert!(error > -60.0, "ways {pair:?} to play a chord are only {error:.1} dB apart");
    }
}

/// With several keys down as told; what is heard on tap 1.
fn the_song_sounds_as_in_the_plugin(chord: &str) -> Vec<f32> {
    let (mut patch, performance) = (patch(), performance());
    patch.settings.assign("exciter.chord", chord).unwrap();
    let (heard, frames) = in_the_plugin(&patch, &MESSAGES, &performance);
    let expected = on_the_bench(patch.clone(), &song(&MESSAGES), &performance, 0);
    assert_same(&heard, &expected[..frames], &format!("a song, {chord}"));

    // The check can tell a lane that is not played.
    let mut without = patch;
    without.patterns.put(Line::of_stage(1, 3), None);
    let other = on_the_bench(without, &song(&MESSAGES), &performance, 0);
    let error = difference_db(&heard.sides[2][0], other[..frames].iter().map(|out| out.taps[1]));
    assert!(error > -60.0, "without a lane it is only {error:.1} dB away");
    heard.sides[1][0].clone()
}

/// A song of an MPE controller (RP-053): the configuration message, then bend, pressure and controller 74 on channels of their own.
const EXPRESSIVE: [(u8, usize, [u8; 3]); 15] = [
    (0, 0, [0xb0, 101, 0]),
    (0, 0, [0xb0, 100, 6]),
    (0, 0, [0xb0, 6, 5]),
    (0, 0, [0xe1, 0, 0x42]),
    (0, 0, [0xb1, 74, 90]),
    (10, 500, [0x91, 45, 100]),
    (20, 1500, [0xd1, 100, 0]),
    (20, 2500, [0x92, 52, 80]),
    // From tick 60 on 240 a minute.
    (20, 3250, [0xe2, 0, 0x3c]),
    (50, 4500, [0xe1, 0, 0x48]),
    (60, 6000, [0xe0, 0, 0x60]),
    (60, 7500, [0xb2, 74, 20]),
    (10, 7750, [0x82, 52, 0]),
    // From tick 270 on 60 a minute.
    (40, 10_250, [0xd1, 10, 0]),
    (60, 16_250, [0x81, 45, 0]),
];

#[test]
fn a_song_of_an_mpe_controller_sounds_the_same_too_and_as_its_notes_are_bent() {
    let (mut patch, performance) = (patch(), performance());
    let (heard, frames) = in_the_plugin(&patch, &EXPRESSIVE, &performance);
    let expected = on_the_bench(patch.clone(), &song(&EXPRESSIVE), &performance, 0);
    assert_same(&heard, &expected[..frames], "an MPE song");

    // The table alone makes it the same zone; without one, all wheels are as one.
    let plain = song(&EXPRESSIVE[3..]);
    let without = on_the_bench(patch.clone(), &plain, &performance, 0);
    let error = difference_db(&heard.sides[1][0], without[..frames].iter().map(|out| out.taps[0]));
    assert!(error > -40.0, "without a zone it is only {error:.1} dB away");
    patch.keys.members = 5;
    let by_table = on_the_bench(patch, &plain, &performance, 0);
    assert_same(&heard, &by_table[..frames], "the zone of a table");
}

#[test]
fn a_state_carries_both_tables_and_an_old_one_still_opens() {
    let mut rig = Rig::in_process();
    let old = rig.save();
    assert!(!String::from_utf8_lossy(&old).contains("[patterns"), "a unit without tables writes none");
    let state = rig.state_of(&patch());
    rig.load(&state).expect("the state is loaded");
    let saved: serde_json::Value = serde_json::from_slice(&rig.save()[8..]).unwrap();
    let text = saved.pointer("/fields/patch").unwrap().as_str().unwrap();
    assert_eq!(Patch::from_toml(text, &Board::built_in()).unwrap(), patch());
    let mut broken = patch().to_toml();
    broken = broken.replacen("gate = 0.8", "gate = 8.0", 1);
    let mut json: serde_json::Value = serde_json::from_slice(&state[8..]).unwrap();
    *json.pointer_mut("/fields/patch").unwrap() = broken.into();
    let json = serde_json::to_vec(&json).unwrap();
    let before = rig.save();
    assert!(rig.load(&[&(json.len() as u64).to_le_bytes(), json.as_slice()].concat()).is_err());
    assert_eq!(rig.save(), before);
    rig.load(&old).expect("a state without tables still opens");
    assert_eq!(rig.save(), old);
}
