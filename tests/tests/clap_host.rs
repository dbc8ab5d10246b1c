//! The built CLAP file in a host: ports, parameters, state, automation, latency, bypass, and every port that a host may
//! leave out. The reference for sound is the instrument itself, driven directly; the interface is CLAP 1.2's.

mod host;

use clack_extensions::audio_ports::{AudioPortFlags, AudioPortInfoBuffer, AudioPortType, PluginAudioPorts};
use clack_extensions::audio_ports_activation::{PluginAudioPortsActivation, SampleSize};
use clack_extensions::note_ports::{NotePortInfoBuffer, PluginNotePorts};
use clack_extensions::params::{ParamInfoFlags, PluginParams};
use clack_extensions::remote_controls::{PluginRemoteControls, RemoteControlsPageBuffer};
use clack_host::prelude::{InputAudioBuffers, InputEvents, OutputAudioBuffers, OutputEvents};
use host::Given::{Absent, Empty, HalfNull, Mono, NullChannels, NullList, Whole};
use host::patched::{RATE_HZ, new_unit, patched, patched_settings, reference};
use host::{
    Event, Given, INS, OUTS, Performance, Ports, Rig, assert_same, difference_db, directly, instrument, number, play,
};
use std::collections::BTreeSet;
use std::sync::atomic::Ordering;
use tritank::pages::SECTIONS;
use tritank::panel::{BYPASS, LEARN};
use tritank_dsp::board::Board;
use tritank_dsp::knobs::{Kind, Knob};
use tritank_dsp::lines::{Line, Source};
use tritank_dsp::patch::Patch;

const BLOCK: u32 = 512;
const FRAMES: usize = 6000;
/// Blocks that a test waits for a unit that another thread builds.
const PATIENCE: usize = 10_000;

#[test]
fn ports_are_named_and_notes_come_in() {
    let mut rig = Rig::built();
    let ports: PluginAudioPorts = rig.extension();
    let handle = rig.instance.plugin_handle();
    let names = |is_input: bool| -> Vec<String> {
        (0..ports.count(&handle, is_input))
            .map(|index| {
                let mut buffer = AudioPortInfoBuffer::new();
                let info = ports.get(&handle, index, is_input, &mut buffer).expect("every index below the count");
                let channels = if is_input { &INS[..] } else { &OUTS };
                assert_eq!(info.channel_count as usize, channels[index as usize]);
                assert_eq!(info.port_type == Some(AudioPortType::STEREO), info.channel_count == 2);
                assert_eq!(info.flags.contains(AudioPortFlags::IS_MAIN), index == 0);
                String::from_utf8(info.name.to_vec()).unwrap()
            })
            .collect()
    };
    assert_eq!(names(true), ["Input", "Stage 2 in", "Stage 3 in", "Gates", "Control"]);
    assert_eq!(names(false), ["Output", "Pulse", "Tap 1", "Tap 2", "Tap 3", "Lines"]);

    let notes: PluginNotePorts = rig.extension();
    let handle = rig.instance.plugin_handle();
    assert_eq!((notes.count(&handle, true), notes.count(&handle, false)), (1, 0));
    assert!(notes.get(&handle, 0, true, &mut NotePortInfoBuffer::new()).is_some());
}

#[test]
fn every_port_may_be_inactive_between_performances() {
    let mut rig = Rig::built();
    let activation: PluginAudioPortsActivation = rig.extension();
    assert!(!activation.can_activate_while_processing(&rig.instance.plugin_handle()));
    let mut handle = rig.instance.inactive_plugin_handle().expect("not active yet");
    let mut set = |is_input, port, bits| activation.set_active_audio_inactive(&mut handle, is_input, port, false, bits);
    assert!((0..5).all(|port| set(true, port, SampleSize::Float32)));
    assert!((0..6).all(|port| set(false, port, SampleSize::Unspecified)));
    assert!(!set(true, 5, SampleSize::Float32) && !set(false, 6, SampleSize::Float32), "there is no such port");
    assert!(!set(true, 0, SampleSize::Float64), "that precision was not offered");
}

#[test]
fn parameters_are_the_knob_table_in_groups_the_bypass_and_the_learning() {
    let mut rig = Rig::built();
    let listed = rig.parameters();
    assert_eq!(listed.len(), Knob::COUNT + 2);
    for (&knob, listed) in Knob::ALL.iter().zip(&listed) {
        let id = knob.id();
        assert_eq!(listed.id, number(id), "{id}");
        assert_eq!(
            (listed.name.as_str(), listed.module.as_str()),
            (knob.full_name().as_str(), knob.group_name().as_str())
        );
        let stepped = !matches!(knob.kind(), Kind::Value { .. });
        assert_eq!(listed.flags.contains(ParamInfoFlags::IS_STEPPED), stepped, "{id}");
        assert_eq!(listed.flags.contains(ParamInfoFlags::IS_AUTOMATABLE), !knob.rebuilds(), "{id}");
        assert!(!listed.flags.contains(ParamInfoFlags::IS_BYPASS));
        assert_eq!((listed.least, listed.most), (0.0, if stepped { knob.range().1 } else { 1.0 }), "{id}");
        // Where a new unit on the built-in board stands, by the text that the table itself writes.
        assert_eq!(rig.write(listed.id, listed.default), knob.write(new_unit().get(knob)), "{id}");
    }
    let [bypass, learn] = &listed[Knob::COUNT..] else { panic!("two more than knobs") };
    assert_eq!(bypass.id, number(BYPASS));
    assert!(bypass.flags.contains(ParamInfoFlags::IS_BYPASS | ParamInfoFlags::IS_AUTOMATABLE));
    assert_eq!((learn.id, learn.name.as_str(), learn.default), (number(LEARN), "Learn", 0.0));
    assert!(!learn.flags.intersects(ParamInfoFlags::IS_BYPASS | ParamInfoFlags::IS_AUTOMATABLE));
    let groups: BTreeSet<_> = listed.iter().map(|listed| listed.module.as_str()).collect();
    for group in ["Unit", "Exciter", "Stage 1", "Stage 2", "Stage 3", "Tap 1", "Limiter"] {
        assert!(groups.contains(group), "{group}");
    }

    // One past the last is none (and no crash: the framework alone would panic).
    let params: PluginParams = rig.extension();
    let mut buffer = clack_extensions::params::ParamInfoBuffer::new();
    assert!(params.get_info(&rig.instance.plugin_handle(), listed.len() as u32, &mut buffer).is_none());
}

#[test]
fn text_goes_both_ways_on_every_parameter() {
    let mut rig = Rig::built();
    for listed in rig.parameters() {
        for step in 0..=12 {
            let value = listed.least + (listed.most - listed.least) * f64::from(step) / 12.0;
            let value = if listed.flags.contains(ParamInfoFlags::IS_STEPPED) { value.round() } else { value };
            let text = rig.write(listed.id, value);
            let back = rig.read(listed.id, &text).unwrap_or_else(|| panic!("{}: \"{text}\" is not read", listed.name));
            assert!((back - value).abs() <= 1e-6 * listed.most, "{}: {value} is \"{text}\" is {back}", listed.name);
        }
        assert_eq!(rig.read(listed.id, "a cup of tea"), None, "{}", listed.name);
    }
    for (id, text) in [
        ("exciter.rate", "440 Hz"),
        ("unit.supply", "2.45 V"),
        ("unit.temperature", "-5 °C"),
        ("stage1.sweep", "1.5 V"),
        ("exciter.pitch", "keys"),
        ("stage2.code", "13"),
        ("stage1.switch2", "on"),
        ("output.level", "-6.5 dB"),
    ] {
        let value = rig.read(number(id), text).unwrap_or_else(|| panic!("{id} refuses \"{text}\""));
        assert_eq!(rig.write(number(id), value), text, "{id}");
    }
    for (id, text) in [("unit.supply", "12 V"), ("stage2.code", "16"), ("exciter.pitch", "wheel")] {
        assert_eq!(rig.read(number(id), text), None, "{id} takes \"{text}\"");
    }
}

#[test]
fn remote_control_pages_hold_every_knob() {
    let mut rig = Rig::built();
    let remote: PluginRemoteControls = rig.extension();
    let handle = rig.instance.plugin_handle();
    let pages: Vec<_> =
        SECTIONS.iter().flat_map(|(section, pages)| pages.iter().map(move |page| (section, page))).collect();
    assert_eq!(remote.count(&handle) as usize, pages.len());
    for (index, (section, (name, knobs))) in pages.into_iter().enumerate() {
        let mut buffer = RemoteControlsPageBuffer::new();
        let page = remote.get(&handle, index as u32, &mut buffer).expect("every index below the count");
        assert_eq!((page.section_name, page.page_name), (section.as_bytes(), name.as_bytes()));
        let ids: Vec<_> = page.param_ids.iter().flatten().copied().collect();
        assert_eq!(ids, knobs.iter().map(|knob| number(knob.id())).collect::<Vec<_>>(), "{name}");
    }
}

#[test]
fn a_new_plugin_sounds_as_the_instrument_does_whatever_the_blocks() {
    let mut performance = Performance::tones(FRAMES, RATE_HZ);
    let expected = reference(&performance);
    let mut first = None;
    for blocks in [vec![256], vec![1, 37, 512, 5], vec![512]] {
        let mut rig = Rig::built();
        let turns = patched(&mut rig);
        let mut processor = rig.start(RATE_HZ, BLOCK);
        performance.blocks = blocks;
        let heard = play(&mut processor, &performance, &turns);
        rig.stop(processor);
        assert_same(&heard, &expected, &format!("blocks {:?}", performance.blocks));
        assert_eq!(first.get_or_insert_with(|| heard.clone()), &heard, "blocks {:?} change bits", performance.blocks);
    }
}

#[test]
fn a_reset_is_a_new_start() {
    let performance = Performance::tones(FRAMES, RATE_HZ);
    let mut rig = Rig::built();
    let turns = patched(&mut rig);
    let mut processor = rig.start(RATE_HZ, BLOCK);
    let first = play(&mut processor, &performance, &turns);
    play(&mut processor, &performance, &[(100, Event::Midi([0x90, 60, 100])), (200, Event::Midi([0xb0, 80, 127]))]);
    processor.reset();
    let again = play(&mut processor, &performance, &[]);
    rig.stop(processor);
    assert!(again == first, "what was played before a reset is heard after it");
}

#[test]
fn automation_lands_on_its_frame() {
    let mut performance = Performance::tones(FRAMES, RATE_HZ);
    performance.blocks = vec![200, 512, 3];
    let moves = [
        (613, "stage1.switch2", "on"),
        (1024, "stage2.code", "9"),
        (1025, "stage2.switch0", "on"),
        (1907, "stage3.switch3", "on"),
        (2500, "stage1.switch2", "off"),
        (2500, "exciter.rate", "173 Hz"),
        (3333, "stage1.sweep", "1.4 V"),
        (4001, "exciter.hard_gate", "on"),
        (4800, "unit.supply", "1.9 V"),
    ];
    let mut rig = Rig::built();
    let mut turns = patched(&mut rig);
    turns.extend(moves.iter().map(|&(frame, id, text)| (frame, rig.turn(id, text))));
    let mut processor = rig.start(RATE_HZ, BLOCK);
    let heard = play(&mut processor, &performance, &turns);
    rig.stop(processor);

    let at = |late: usize| {
        directly(&mut instrument(&patched_settings(), RATE_HZ), &performance, |n, instrument| {
            for (_, id, text) in moves.iter().filter(|(frame, ..)| frame + late == n) {
                let knob = Knob::find(id).unwrap();
                instrument.set(knob, knob.parse(text).unwrap());
            }
        })
    };
    assert_same(&heard, &at(0), "automation");
    // The check can tell one frame.
    let late = at(1);
    let error = host::difference_db(&heard.main[0], late.iter().map(|out| out.main[0]));
    assert!(error > -100.0, "one frame late is only {error:.1} dB away");
}

#[test]
fn keys_bend_and_pedals_reach_the_instrument_on_their_frame() {
    let mut performance = Performance::tones(FRAMES, RATE_HZ);
    performance.blocks = vec![333];
    let events = [
        (500, [0x90, 45, 100]),
        (1500, [0x90, 52, 80]),
        (2000, [0xe0, 0, 0x60]),
        (2600, [0x80, 52, 0]),
        (3100, [0xb1, 82, 127]),
        (3900, [0xb1, 82, 0]),
        (4500, [0xb0, 123, 0]),
    ];
    let mut rig = Rig::built();
    let mut turns = patched(&mut rig);
    turns.push((0, rig.turn("exciter.pitch", "keys")));
    turns.extend(events.iter().map(|&(frame, bytes)| (frame, Event::Midi(bytes))));
    let mut processor = rig.start(RATE_HZ, BLOCK);
    let heard = play(&mut processor, &performance, &turns);
    rig.stop(processor);

    let mut settings = patched_settings();
    settings.assign("exciter.pitch", "keys").unwrap();
    let expected = directly(&mut instrument(&settings, RATE_HZ), &performance, |n, instrument| match n {
        500 => instrument.key(45, 100.0 / 127.0),
        1500 => instrument.key(52, 80.0 / 127.0),
        // MIDI 1.0: 0x60 · 128 of 8192 ± 8192, two semitones at the end.
        2000 => instrument.bend(2.0 * (f64::from(0x60 * 128) - 8192.0) / 8192.0),
        2600 => instrument.key(52, 0.0),
        3100 => instrument.gate(Source::Gates, Line::of_stage(1, 2), true),
        3900 => instrument.gate(Source::Gates, Line::of_stage(1, 2), false),
        4500 => instrument.key(45, 0.0),
        _ => {}
    });
    assert_same(&heard, &expected, "keys");
}

#[test]
fn a_state_comes_back_whole_and_sounds_the_same() {
    let performance = Performance::tones(FRAMES, RATE_HZ);
    let mut rig = Rig::built();
    let mut turns = patched(&mut rig);
    for (id, text) in [("exciter.rate", "97.3 Hz"), ("stage3.switch1", "on"), ("stage1.code", "6"), (BYPASS, "off")] {
        turns.push((0, rig.turn(id, text)));
    }
    let mut processor = rig.start(RATE_HZ, BLOCK);
    let heard = play(&mut processor, &performance, &turns);
    rig.stop(processor);
    let state = rig.save();
    let values: Vec<_> = rig.parameters().iter().map(|listed| rig.value(listed.id)).collect();

    let mut other = Rig::built();
    other.load(&state).expect("the state is loaded");
    assert!(other.asked.rescans.load(Ordering::SeqCst) > 0, "the host is not told of the new values");
    assert_eq!(other.parameters().iter().map(|listed| other.value(listed.id)).collect::<Vec<_>>(), values);
    assert_eq!(other.save(), state);
    let mut processor = other.start(RATE_HZ, BLOCK);
    let again = play(&mut processor, &performance, &[]);
    other.stop(processor);
    assert!(heard == again, "the loaded state sounds different");
}

/// The state with a change in its text; the length in front follows.
fn edited(state: &[u8], from: &str, to: &str) -> Vec<u8> {
    let json = std::str::from_utf8(&state[8..]).unwrap();
    assert!(json.contains(from), "{from} is not in the state");
    let json = json.replacen(from, to, 1);
    [&(json.len() as u64).to_le_bytes(), json.as_bytes()].concat()
}

#[test]
fn a_board_in_the_state_is_the_board_that_plays() {
    let performance = Performance::tones(FRAMES, RATE_HZ);
    let mut rig = Rig::built();
    let state = edited(&rig.save(), r#"inductance = \"500 mH\""#, r#"inductance = \"300 mH\""#);
    rig.load(&state).expect("another coil is allowed");
    assert_eq!(rig.save(), state);
    let mut processor = rig.start(RATE_HZ, BLOCK);
    let heard = play(&mut processor, &performance, &[]);
    rig.stop(processor);

    let mut board = Board::built_in();
    board.stage1.coil.inductance = 0.3;
    let mut other = tritank_dsp::instrument::Instrument::new(&board, &new_unit(), RATE_HZ).unwrap();
    let expected = directly(&mut other, &performance, |_, _| {});
    let error = host::difference_db(&heard.main[0], expected.iter().map(|out| out.main[0]));
    assert!(error <= -120.0, "{error:.1} dB");
    let built_in = directly(&mut instrument(&new_unit(), RATE_HZ), &performance, |_, _| {});
    let error = host::difference_db(&heard.main[0], built_in.iter().map(|out| out.main[0]));
    assert!(error > -40.0, "a coil of 300 mH sounds like one of 500 mH");
}

#[test]
fn a_board_loaded_while_playing_is_faded_in() {
    let performance = Performance::tones(24_000, RATE_HZ);
    let mut rig = Rig::built();
    let state = edited(&rig.save(), r#"inductance = \"500 mH\""#, r#"inductance = \"300 mH\""#);
    let mut processor = rig.start(RATE_HZ, BLOCK);
    play(&mut processor, &performance, &[]);
    rig.load(&state).expect("another coil is allowed");
    let heard = play(&mut processor, &performance, &[]);
    rig.stop(processor);

    let mut board = Board::built_in();
    board.stage1.coil.inductance = 0.3;
    let mut other = tritank_dsp::instrument::Instrument::new(&board, &new_unit(), RATE_HZ).unwrap();
    let expected = directly(&mut other, &performance, |_, _| {});
    // Once the fade of 20 ms and the ringing of the old board are over.
    let settled = 12_000;
    let error = host::difference_db(&heard.main[0][settled..], expected[settled..].iter().map(|out| out.main[0]));
    assert!(error <= -80.0, "{error:.1} dB");
    let steepest = |samples: &[f32]| samples.windows(2).fold(0.0f32, |most, pair| most.max((pair[1] - pair[0]).abs()));
    let (fade, rest) = heard.main[0].split_at(2000);
    assert!(steepest(fade) < 3.0 * steepest(rest), "the change clicks: {} V in one sample", steepest(fade));
}

#[test]
fn a_broken_state_is_refused_and_the_sound_goes_on() {
    let performance = Performance::tones(FRAMES, RATE_HZ);
    let mut rig = Rig::built();
    let mut untouched = Rig::built();
    let turns = patched(&mut rig);
    let mut processor = rig.start(RATE_HZ, BLOCK);
    let mut other = untouched.start(RATE_HZ, BLOCK);
    play(&mut processor, &performance, &turns);
    play(&mut other, &performance, &turns);
    let good = rig.save();
    let mut short = good.clone();
    short.truncate(good.len() - 20);
    let broken = [
        ("a knob out of range", edited(&good, r#"\"unit.supply\" = \"3 V\""#, r#"\"unit.supply\" = \"30 V\""#)),
        ("a part out of range", edited(&good, r#"inductance = \"500 mH\""#, r#"inductance = \"-500 mH\""#)),
        ("a knob that is not there", edited(&good, r#"\"stage1.switch2\" ="#, r#"\"stage1.swich2\" ="#)),
        ("a newer version", edited(&good, "patch = 1", "patch = 2")),
        ("no patch", edited(&good, r#""patch":"#, r#""pitch":"#)),
        ("cut short", short),
        ("no state at all", b"once upon a time".to_vec()),
        ("nothing", Vec::new()),
    ];
    for (what, state) in &broken {
        assert!(rig.load(state).is_err(), "{what} is loaded");
        assert_eq!(rig.save(), good, "{what} changed something");
    }
    let (heard, expected) = (play(&mut processor, &performance, &[]), play(&mut other, &performance, &[]));
    assert!(heard == expected, "a refused state is heard");
    rig.load(&good).expect("a good state is still loaded");
    rig.stop(processor);
    untouched.stop(other);
}

#[test]
fn latency_is_reported_and_follows_the_oversampling() {
    let mut rig = Rig::built();
    let mut processor = rig.start(RATE_HZ, BLOCK);
    assert_eq!(rig.latency(), instrument(&new_unit(), RATE_HZ).latency());
    // The host learns of a latency that was not zero by being asked to restart; after that it is quiet.
    processor = rig.answer(processor, RATE_HZ, BLOCK);
    assert!(!rig.asked.restart.load(Ordering::SeqCst));

    for quality in ["16", "1", "4"] {
        let mut settings = new_unit();
        settings.assign("unit.quality", quality).unwrap();
        let expected = instrument(&settings, RATE_HZ).latency();
        let turn = rig.turn("unit.quality", quality);
        let performance = Performance::tones(BLOCK as usize, RATE_HZ);
        play(&mut processor, &performance, &[(0, turn)]);
        // The new unit is built on another thread; the old one plays until it comes.
        for _ in 0..PATIENCE {
            if rig.latency() == expected {
                break;
            }
            std::thread::sleep(std::time::Duration::from_millis(1));
            processor = rig.answer(processor, RATE_HZ, BLOCK);
            play(&mut processor, &performance, &[]);
        }
        processor = rig.answer(processor, RATE_HZ, BLOCK);
        assert_eq!(rig.latency(), expected, "×{quality}");
        assert!(rig.asked.latency_changed.swap(0, Ordering::SeqCst) > 0, "×{quality}: the host is not told");

        let performance = Performance::tones(FRAMES, RATE_HZ);
        let heard = play(&mut processor, &performance, &[]);
        processor.reset();
        let again = play(&mut processor, &performance, &[]);
        let direct = directly(&mut instrument(&settings, RATE_HZ), &performance, |_, _| {});
        assert_eq!(heard.main[0].len(), again.main[0].len());
        assert_same(&again, &direct[..], &format!("×{quality}"));
    }
    rig.stop(processor);
}

#[test]
fn voices_come_with_a_new_unit() {
    let performance = Performance::tones(4000, RATE_HZ);
    let notes = [[0x90, 45, 100], [0x90, 52, 80]].map(Event::Midi);
    let turns: Vec<_> = notes.into_iter().zip([500, 900]).map(|(event, frame)| (frame, event)).collect();
    let mut settings = new_unit();
    for (id, text) in [("exciter.pitch", "keys"), ("exciter.level", "0.5"), ("exciter.chord", "voices")] {
        settings.assign(id, text).unwrap();
    }
    let expected = directly(&mut instrument(&settings, RATE_HZ), &performance, |n, instrument| match n {
        500 => instrument.key(45, 100.0 / 127.0),
        900 => instrument.key(52, 80.0 / 127.0),
        _ => {}
    });

    let mut rig = Rig::built();
    let mut processor = rig.start(RATE_HZ, BLOCK);
    let knobs = [("exciter.pitch", "keys"), ("exciter.level", "0.5"), ("exciter.chord", "voices")];
    let knobs = knobs.map(|(id, text)| (0, rig.turn(id, text)));
    play(&mut processor, &performance, &knobs);
    // It is built on another thread; one chain plays the last key until it comes.
    let voices = (0..PATIENCE).find_map(|_| {
        std::thread::sleep(std::time::Duration::from_millis(1));
        processor.reset();
        let heard = play(&mut processor, &performance, &turns);
        (difference_db(&heard.sides[1][0], expected.iter().map(|out| out.taps[0])) < -120.0).then_some(heard)
    });
    assert_same(&voices.expect("the voices came"), &expected, "voices");
    rig.stop(processor);
}

/// The knob that a controller turned last stays there through another quality, and one that the host turned last stays there.
#[test]
fn a_new_unit_stands_where_controllers_and_host_have_put_its_knobs() {
    let mut patch = Patch::new(Board::built_in());
    patch.keys.control(74, Some(Knob::Stage1Main.into()));
    patch.keys.control(75, Some(Knob::DirectLevel.into()));
    let mut rig = Rig::in_process();
    let state = rig.state_of(&patch);
    rig.load(&state).expect("the state is loaded");
    let mut processor = rig.start(RATE_HZ, BLOCK);
    // Ten time constants of a coupling capacitor, as what was before is none of the test's.
    let performance = Performance::tones(30_000, RATE_HZ);
    let mut turns: Vec<_> = [[0xb0, 74, 64], [0xb0, 75, 127]].map(|bytes| (0, Event::Midi(bytes))).into();
    turns.push((1000, rig.turn("direct.level", "0.4")));
    let before = play(&mut processor, &performance, &turns);
    let (late, quality) = (rig.latency(), rig.turn("unit.quality", "2"));
    play(&mut processor, &performance, &[(0, quality)]);
    for _ in 0..PATIENCE {
        if rig.latency() != late {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(1));
        play(&mut processor, &Performance::tones(BLOCK as usize, RATE_HZ), &[]);
    }
    let after = play(&mut processor, &performance, &[]);
    rig.stop(processor);

    let mut settings = patch.settings;
    settings.set(Knob::Stage1Main, Knob::Stage1Main.at_travel(64.0 / 127.0));
    settings.set(Knob::DirectLevel, 0.4);
    for (heard, quality) in [(before, None), (after, Some("2"))] {
        if let Some(quality) = quality {
            settings.assign("unit.quality", quality).unwrap();
        }
        let expected = directly(&mut instrument(&settings, RATE_HZ), &performance, |_, _| {});
        let from = 24_000;
        let wanted = expected[from..].iter().map(|out| out.main[0]);
        let error = difference_db(&heard.main[0][from..], wanted);
        assert!(error < -40.0, "{quality:?}: {error:.1} dB");
    }
}

#[test]
fn bypass_is_the_input_as_late_as_the_unit() {
    let performance = Performance::tones(FRAMES, RATE_HZ);
    let mut rig = Rig::built();
    let on = rig.turn(BYPASS, "on");
    let mut turns = patched(&mut rig);
    turns.push((0, on));
    let mut processor = rig.start(RATE_HZ, BLOCK);
    let late = rig.latency();
    let heard = play(&mut processor, &performance, &turns);
    for channel in 0..2 {
        let expected: Vec<f32> =
            (0..FRAMES).map(|n| n.checked_sub(late).map_or(0.0, |n| performance.main[n][channel])).collect();
        assert_eq!(heard.main[channel], expected);
    }
    assert!(heard.sides.iter().flatten().flatten().all(|volts| *volts == 0.0), "a bypassed unit has no taps");

    // Off again: after 5 ms the unit, which has been running all the while.
    let off = rig.turn(BYPASS, "off");
    let on_again = play(&mut processor, &performance, &[(1000, off)]);
    rig.stop(processor);
    let mut twice = performance.clone();
    twice.main.extend(performance.main.clone());
    for jack in 0..2 {
        twice.jacks[jack].extend(performance.jacks[jack].clone());
    }
    twice.gates.extend(performance.gates.clone());
    twice.control.extend(performance.control.clone());
    let expected = reference(&twice);
    let settled = 1000 + 241;
    let error =
        host::difference_db(&on_again.main[0][settled..], expected[FRAMES + settled..].iter().map(|out| out.main[0]));
    assert!(error <= -120.0, "{error:.1} dB");
    let dry = |n: usize| if n < late { performance.main[FRAMES + n - late][0] } else { performance.main[n - late][0] };
    assert!((late..1000).all(|n| on_again.main[0][n] == dry(n)), "the way round is not as late as the unit");
}

#[test]
fn what_a_host_leaves_out_is_lent_and_the_rest_is_right() {
    let all = Ports::ALL;
    let inputs = |port: usize, how: Given| {
        let mut ports = all;
        ports.inputs[port] = how;
        ports
    };
    let outputs = |port: usize, how: Given| {
        let mut ports = all;
        ports.outputs[port] = how;
        ports
    };
    let mut cases = vec![("every port", all)];
    for how in [Absent, Empty, NullList, NullChannels, HalfNull, Mono] {
        cases.extend((0..INS.len()).map(|port| ("an input", inputs(port, how))));
        cases.extend((0..OUTS.len()).map(|port| ("an output", outputs(port, how))));
    }
    let insert = |how| Ports { inputs: [Whole, how, how, how, how], outputs: [Whole, how, how, how, how, how] };
    cases.extend([Absent, Empty, NullList, NullChannels].map(|how| ("an insert", insert(how))));
    cases.push(("nothing at all", Ports { inputs: [Absent; 5], outputs: [Absent; 6] }));

    let mut rig = Rig::built();
    let turns = patched(&mut rig);
    let mut processor = rig.start(RATE_HZ, BLOCK);
    let mut performance = Performance::tones(2000, RATE_HZ);
    performance.blocks = vec![300];
    // A gate on the first line and one on the last, and a voltage at the first and the last of the others.
    for n in 0..2000 {
        performance.gates[n] = std::array::from_fn(|line| if line % 13 == 0 && n % 700 >= 350 { 5.0 } else { 0.0 });
        performance.control[n] = if n < 1000 { [0.0; 4] } else { [0.25, 0.0, 0.0, 1.3] };
    }
    for (what, ports) in cases {
        performance.ports = ports;
        processor.reset();
        let heard = play(&mut processor, &performance, &turns);
        let mut heard_in = performance.clone();
        // After an absent port there is none.
        if let Some(first) = ports.inputs.iter().position(|how| *how == Absent) {
            heard_in.ports.inputs[first..].fill(Absent);
        }
        assert_same(&heard, &reference(&heard_in), &format!("{what} {ports:?}"));
    }
    rig.stop(processor);
}

#[test]
fn a_call_longer_than_was_agreed_is_refused() {
    let mut rig = Rig::built();
    let mut processor = rig.start(RATE_HZ, 64);
    let mut memory = vec![0.5f32; 65];
    let mut list = [memory.as_mut_ptr(), memory.as_mut_ptr()];
    let port = clap_sys::audio_buffer::clap_audio_buffer {
        data32: list.as_mut_ptr(),
        data64: std::ptr::null_mut(),
        channel_count: 2,
        latency: 0,
        constant_mask: 0,
    };
    let (ins, mut outs) = ([port], [port]);
    // SAFETY: both lists have two channels of 65 samples.
    let (ins, mut outs) =
        unsafe { (InputAudioBuffers::from_raw_buffers(&ins, 65), OutputAudioBuffers::from_raw_buffers(&mut outs, 65)) };
    let result = processor.process(&ins, &mut outs, &InputEvents::empty(), &mut OutputEvents::void(), None, None);
    assert!(result.is_err());
    rig.stop(processor);
}

#[test]
fn a_rate_that_the_instrument_does_not_run_at_is_refused() {
    let mut rig = Rig::built();
    let configuration =
        clack_host::prelude::PluginAudioConfiguration { sample_rate: 4e3, min_frames_count: 1, max_frames_count: 64 };
    assert!(rig.instance.activate(|_, _| (), configuration).is_err());
    let mut processor = rig.start(44_100.0, 64);
    play(&mut processor, &Performance::tones(64, 44_100.0), &[]);
    rig.stop(processor);
}
