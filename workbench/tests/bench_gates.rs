//! Gates out: what a real unit would get is what the score says, to the sample and to the tick; nothing goes out that
//! was not measured.

mod bench;

use bench::Bench;
use bwavfile::WaveReader;
use hound::{SampleFormat, WavReader};
use midly::{MetaMessage, MidiMessage, Smf, Timing, TrackEventKind};
use tritank_dsp::board::Board;
use tritank_dsp::instrument::{Input, Instrument};
use tritank_dsp::knobs::{Knob, Settings};
use tritank_dsp::lines::{Line, Source};
use tritank_dsp::patch::Patch;
use tritank_dsp::pattern::{Place, Transport};
use tritank_workbench::gates::{Form, GateFile, TICKS_PER_SECOND, gates};
use tritank_workbench::score::Edge;

/// Rate, channels in volts at a full scale, and the mask of loudspeaker positions.
fn read(bench: &Bench, name: &str, full_scale: f64) -> (u32, Vec<Vec<f64>>) {
    let mut reader = WavReader::open(bench.path(name)).unwrap();
    let spec = reader.spec();
    assert_eq!((spec.bits_per_sample, spec.sample_format), (32, SampleFormat::Float));
    let samples: Vec<_> = reader.samples::<f32>().map(|sample| full_scale * f64::from(sample.unwrap())).collect();
    let count = usize::from(spec.channels);
    let channels = (0..count).map(|n| samples.iter().skip(n).step_by(count).copied().collect()).collect();
    (spec.sample_rate, channels)
}

/// A gate input as it is built: on above 1.1 V, off below 0.9 V, as it was in between.
fn gate_input(volts: &[f64]) -> Vec<bool> {
    let mut on = false;
    let input = volts.iter().map(|volts| {
        on = if on { *volts > 0.9 } else { *volts > 1.1 };
        on
    });
    input.collect()
}

/// A sound, so that the unit never rests: at rest it looks at its lines a frame later, at the start of the next one
/// instead of the end of the last.
fn awake(n: usize) -> Input {
    Input { main: [if n % 100 < 50 { 0.1 } else { -0.1 }; 2], ..Input::default() }
}

/// The lines as the engine has them, frame by frame: the same score, panel and codes.
fn engine(settings: &Settings, rate_hz: u32, frames: usize, edges: &[(f64, &str, bool)]) -> Vec<[bool; Line::COUNT]> {
    let rate = f64::from(rate_hz);
    let mut instrument = Instrument::new(&Board::built_in(), settings, rate).unwrap();
    let latency = instrument.latency();
    let mut rows = Vec::new();
    for n in 0..frames + latency {
        for (seconds, line, on) in edges {
            if (seconds * rate).round() as usize == n && n < frames {
                instrument.gate(Source::Score, Line::parse(line).unwrap(), *on);
            }
        }
        instrument.tick(awake(n));
        rows.push(instrument.lines());
    }
    rows
}

const EDGES: [(f64, &str, bool); 12] = [
    (0.0, "1.0", true),
    (0.0, "3.3", true),
    (0.01, "1.2", true),
    (0.010_013, "2.1", true),
    (0.0125, "soft", true),
    (0.0125, "1.2", true),
    (0.02, "1.2", false),
    (0.025_7, "2.1", false),
    (0.026_01, "2.1", true),
    (0.03, "hard", true),
    (0.033_333, "soft", false),
    (0.04, "1.0", false),
];

fn score() -> String {
    let rows = EDGES.iter().map(|(seconds, line, on)| format!("{seconds},{line},{}\n", u8::from(*on)));
    format!("seconds,line,state\n{}", rows.collect::<String>())
}

const PANEL: &str = "--set stage1.switch2=on --set stage2.code=10 --set stage3.switch3=on --set exciter.soft_gate=on";

fn panel() -> Settings {
    let mut settings = Settings::of(&Board::built_in());
    for (knob, value) in
        [(Knob::Stage1Switch2, 1.0), (Knob::Stage2Code, 10.0), (Knob::Stage3Switch3, 1.0), (Knob::ExciterSoftGate, 1.0)]
    {
        settings.set(knob, value);
    }
    settings
}

#[test]
fn a_gate_input_sees_the_engines_lines_to_the_sample() {
    let bench = Bench::new();
    bench.put("steps.csv", score());
    for (knobs, settings) in [("", Settings::of(&Board::built_in())), (PANEL, panel())] {
        for rate in [44_100, 48_000, 192_000] {
            let facts = bench.facts(&format!(
                "gates --lines steps.csv {knobs} --full-scale 10V --gate-volts 5V --rate {rate} --out g.wav --json"
            ));
            let (told_rate, channels) = read(&bench, "g.wav", 10.0);
            assert_eq!((told_rate, channels.len()), (rate, 14));
            assert!(channels.iter().flatten().all(|volts| *volts == 0.0 || *volts == 5.0));
            let frames = channels[0].len();
            assert_eq!(facts["frames"], frames);
            let engine = engine(&settings, rate, frames, &EDGES);
            // The engine meets an edge when the frame that waits in its filter reaches the circuit.
            let seen: Vec<_> = channels.iter().map(|channel| gate_input(channel)).collect();
            let alike = |n: usize, late: usize| Line::all().all(|l| seen[l.index()][n] == engine[n + late][l.index()]);
            let late = (0..engine.len() - frames)
                .find(|late| (1..frames).all(|n| alike(n, *late)))
                .unwrap_or_else(|| panic!("{rate} Hz {knobs}: the engine's lines are others"));
            assert!(late < 200, "{late}");
            for line in Line::all() {
                let (seen, row) = (&seen[line.index()], &facts["channels"][line.index()]);
                assert_eq!((&row["line"], &row["channel"]), (&line.to_string().into(), &(1 + line.index()).into()));
                assert_eq!(row["starts_on"], seen[0]);
                assert_eq!(row["edges"], seen.windows(2).filter(|pair| pair[0] != pair[1]).count());
            }
        }
    }
}

/// Patterns, score and panel at once, as the engine plays them with the transport running: at 120 beats a minute every
/// edge of these lanes lies on a sample, where no rounding of either hides a difference.
#[test]
fn a_patchs_patterns_come_out_as_the_engine_plays_them() {
    let bench = Bench::new();
    let text = "patch = 1\n[knobs]\n\"stage1.switch2\" = true\n[patterns]\ntempo = 60.0\n\
        [patterns.lanes.\"1.2\"]\nsteps = \"x..x.\"\ngate = 0.5\n\
        [patterns.lanes.\"2.0\"]\nsteps = \"xx.\"\nrate = \"1/8\"\ngate = 1.0\n\
        [patterns.lanes.\"hard\"]\neven = [3, 8]\nrate = \"50 Hz\"\ngate = 0.25\nprobability = 0.6\nseed = 5\n";
    bench.put("p.toml", text);
    bench.put("steps.csv", "seconds,line,state\n0.05,2.0,on\n0.3,1.2,on\n0.31,3.1,on\n");
    let line = "gates --patch p.toml --lines steps.csv --tempo 120 --full-scale 10V --out g.wav";
    bench.well(&format!("{line} --seconds 2"));
    let (_, channels) = read(&bench, "g.wav", 10.0);
    let seen: Vec<_> = channels.iter().map(|channel| gate_input(channel)).collect();
    let frames = seen[0].len();
    assert_eq!(frames, 96_000);

    let patch = Patch::from_toml(text, &Board::built_in()).unwrap();
    let mut instrument = Instrument::of(&patch, 48e3).unwrap();
    instrument.transport(&Transport { playing: true, place: Some(Place::default()), tempo: Some(120.0) });
    let latency = instrument.latency();
    let mut engine = Vec::new();
    for n in 0..frames + latency {
        for (frame, line) in [(2_400, "2.0"), (14_400, "1.2"), (14_880, "3.1")] {
            if frame == n {
                instrument.gate(Source::Score, Line::parse(line).unwrap(), true);
            }
        }
        instrument.tick(awake(n));
        engine.push(instrument.lines());
    }
    let alike = |n: usize, late: usize| Line::all().all(|l| seen[l.index()][n] == engine[n + late][l.index()]);
    assert!((0..latency).any(|late| (1..frames).all(|n| alike(n, late))), "the engine plays it otherwise");
    for line in ["1.2", "2.0", "hard"] {
        let seen = &seen[Line::parse(line).unwrap().index()];
        assert!(seen.windows(2).filter(|pair| pair[0] != pair[1]).count() > 3, "line {line} stands still");
    }

    let told = bench.refused("gates --patch p.toml --full-scale 10V --out h.wav");
    assert!(told.contains("patterns") && told.contains("--seconds"), "{told}");
    bench.put("p.toml", text.replace("50 Hz", "1000 Hz"));
    let told = bench.refused("gates --patch p.toml --full-scale 10V --seconds 80000 --out h.wav");
    assert!(told.contains("patterns") && told.contains("10000000 edges"), "{told}");
    assert!(bench.refused(&format!("{line} --tempo 0")).contains("--tempo"));
}

#[test]
fn an_edge_is_at_most_half_a_sample_off_and_the_worst_is_told() {
    let bench = Bench::new();
    bench.put("steps.csv", score());
    for rate in [8_000u32, 44_100, 48_000] {
        let facts = bench.facts(&format!("gates --lines steps.csv --full-scale 10V --rate {rate} --out g.wav --json"));
        let (_, channels) = read(&bench, "g.wav", 10.0);
        let mut worst: f64 = 0.0;
        for line in Line::all() {
            let seen = gate_input(&channels[line.index()]);
            let edges: Vec<_> = (1..seen.len()).filter(|n| seen[*n] != seen[n - 1]).collect();
            let mut state = false;
            let mut wanted = Vec::new();
            for (seconds, _, on) in EDGES.iter().filter(|(_, name, _)| *name == line.to_string()) {
                if *on != state && *seconds > 0.0 {
                    wanted.push(*seconds);
                }
                state = *on;
            }
            assert_eq!(edges.len(), wanted.len(), "{line}");
            for (frame, seconds) in edges.iter().zip(wanted) {
                worst = worst.max((*frame as f64 / f64::from(rate) - seconds).abs());
            }
        }
        assert!(worst <= 0.5 / f64::from(rate));
        approx::assert_abs_diff_eq!(facts["wav_error_seconds"].as_f64().unwrap(), worst, epsilon = 1e-12);
        approx::assert_relative_eq!(facts["wav_error_limit_seconds"].as_f64().unwrap(), 0.5 / f64::from(rate));
    }
}

#[test]
fn channels_stand_in_the_order_asked_for_and_no_loudspeaker_is_named() {
    let bench = Bench::new();
    bench.put("steps.csv", "seconds,line,state\n0.001,2.1,on\n0.002,hard,on\n0.003,1.0,on\n");
    let line = "gates --lines steps.csv --channels hard,1.0,2.1 --full-scale 8V --gate-volts 2V --out g.wav";
    let facts = bench.facts(&format!("{line} --json"));
    let (_, channels) = read(&bench, "g.wav", 8.0);
    let first = |channel: &Vec<f64>| channel.iter().position(|volts| *volts == 2.0).unwrap();
    assert_eq!(channels.iter().map(first).collect::<Vec<_>>(), [96, 144, 48]);
    let names: Vec<_> = facts["channels"].as_array().unwrap().iter().map(|row| row["line"].clone()).collect();
    assert_eq!(names, ["hard", "1.0", "2.1"]);
    assert_eq!((&facts["sample"], &facts["form"]), (&0.25.into(), &"WAV".into()));
    let table = bench.well(line);
    let order: Vec<_> = ["hard", "1.0", "2.1"].map(|name| table.find(&format!("  {name} ")).unwrap()).into();
    assert!(order.is_sorted(), "{table}");
    // WAVEFORMATEXTENSIBLE: dwChannelMask, 20 bytes into the chunk; 0 names no position.
    let bytes = std::fs::read(bench.path("g.wav")).unwrap();
    assert_eq!((&bytes[12..16], &bytes[20..22], &bytes[40..44]), (&b"fmt "[..], &[0xfe, 0xff][..], &[0; 4][..]));
    // The file reads as whole in a library of others, too.
    let mut reader = WaveReader::open(bench.path("g.wav")).unwrap();
    assert_eq!((reader.frame_length().unwrap(), reader.format().unwrap().channel_count), (48_144, 3));
}

/// The same gates forced into RF64, read by another library: the same samples.
#[test]
fn an_rf64_file_holds_the_same_gates() {
    let bench = Bench::new();
    let edges = EDGES.iter().map(|&(seconds, line, on)| Edge { seconds, line: Line::parse(line).unwrap(), on });
    let pulls: Vec<_> = edges.map(|edge| (Source::Score, edge)).collect();
    let lines: Vec<_> = Line::all().collect();
    let frames = 3000;
    let grid: Vec<_> = gates(&panel(), &lines, &pulls).iter().map(|gate| gate.on_grid(48e3, frames)).collect();
    for (name, form) in [("plain.wav", Form::Wav), ("long.wav", Form::Rf64)] {
        let file = GateFile::create(&bench.path(name), form, 48_000, 14, frames).unwrap();
        file.write(&grid, 0.5, |_| Ok(())).unwrap();
    }
    let (_, plain) = read(&bench, "plain.wav", 1.0);
    let mut reader = WaveReader::open(bench.path("long.wav")).unwrap();
    reader.validate_readable().unwrap();
    let format = reader.format().unwrap();
    assert_eq!((reader.frame_length().unwrap(), format.channel_count, format.sample_rate), (frames, 14, 48_000));
    let mut samples = vec![0f32; 14 * frames as usize];
    assert_eq!(reader.audio_frame_reader().unwrap().read_frames(&mut samples).unwrap(), frames);
    for (n, frame) in samples.chunks(14).enumerate() {
        assert!(frame.iter().zip(&plain).all(|(a, b)| f64::from(*a) == b[n]), "frame {n}");
    }
    assert!(samples.contains(&0.5) && samples.contains(&0.0));
    assert!(std::fs::read(bench.path("long.wav")).unwrap().starts_with(b"RF64"));
}

/// Lines over time from a MIDI file: for each key its changes in ticks, on and off in turn.
fn notes(bytes: &[u8]) -> (Vec<Vec<u64>>, u64) {
    let smf = Smf::parse(bytes).unwrap();
    assert_eq!(smf.header.timing, Timing::Metrical(960.into()));
    assert_eq!(smf.tracks.len(), 1);
    let (mut at, mut keys) = (0u64, vec![Vec::new(); 128]);
    let mut tempo = None;
    for event in &smf.tracks[0] {
        at += u64::from(event.delta.as_int());
        match event.kind {
            TrackEventKind::Midi { message: MidiMessage::NoteOn { key, vel }, .. } => {
                assert!(vel > 0 && keys[usize::from(key.as_int())].len() % 2 == 0, "struck twice");
                keys[usize::from(key.as_int())].push(at);
            }
            TrackEventKind::Midi { message: MidiMessage::NoteOff { key, .. }, .. } => {
                assert!(keys[usize::from(key.as_int())].len() % 2 == 1, "let go twice");
                keys[usize::from(key.as_int())].push(at);
            }
            TrackEventKind::Meta(MetaMessage::Tempo(micros)) => tempo = Some(micros.as_int()),
            _ => {}
        }
    }
    assert_eq!(tempo, Some(500_000));
    (keys, at)
}

#[test]
fn a_midi_file_plays_the_same_lines_to_the_tick() {
    let bench = Bench::new();
    bench.put("steps.csv", score());
    let facts = bench.facts(&format!("gates --lines steps.csv {PANEL} --midi g.mid --first-note 48 --json"));
    assert!(facts["out"].is_null() && facts["full_scale_volts"].is_null() && facts["sample"].is_null());
    let bytes = std::fs::read(bench.path("g.mid")).unwrap();
    // Standard MIDI Files 1.0: MThd, six bytes, format 0, one track, division in ticks a beat.
    assert_eq!(bytes[..14], [b'M', b'T', b'h', b'd', 0, 0, 0, 6, 0, 0, 0, 1, 0x03, 0xc0]);
    let (keys, end) = notes(&bytes);
    assert!(keys.iter().enumerate().all(|(key, edges)| edges.is_empty() || (48..62).contains(&key)));
    assert!(keys.iter().all(|edges| edges.len() % 2 == 0), "a key is held for ever");

    // Played back into lines at the ticks, beside what the engine's rule says at the same places.
    let mut wanted = vec![Vec::new(); Line::COUNT];
    let mut worst: f64 = 0.0;
    for line in Line::all() {
        let panel = ["1.2", "2.1", "2.3", "3.3", "soft"].contains(&line.to_string().as_str());
        let (mut score, mut now) = (false, false);
        let mut changes = vec![(0u64, panel)];
        for (seconds, _, on) in EDGES.iter().filter(|(_, name, _)| *name == line.to_string()) {
            let tick = (seconds * TICKS_PER_SECOND).round();
            if *on != score {
                worst = worst.max((tick / TICKS_PER_SECOND - seconds).abs());
                changes.push((tick as u64, on ^ panel));
            }
            score = *on;
        }
        for (n, (tick, on)) in changes.iter().enumerate() {
            let last = changes.get(n + 1).is_none_or(|(next, _)| next != tick);
            if last && *on != now {
                wanted[line.index()].push(*tick);
                now = *on;
            }
        }
        if now {
            wanted[line.index()].push(end);
        }
        assert_eq!(keys[48 + line.index()], wanted[line.index()], "{line}");
    }
    assert!(worst <= 0.5 / TICKS_PER_SECOND);
    approx::assert_abs_diff_eq!(facts["midi_error_seconds"].as_f64().unwrap(), worst, epsilon = 1e-12);
    approx::assert_relative_eq!(facts["midi_error_limit_seconds"].as_f64().unwrap(), 1.0 / 3840.0);
}

#[test]
fn a_gate_shorter_than_the_grid_is_not_there_and_is_told() {
    let bench = Bench::new();
    bench.put("steps.csv", "seconds,line,state\n0.1,1.0,on\n0.1001,1.0,off\n0.2,1.1,on\n0.200001,1.1,off\n");
    let output = bench.run("gates --lines steps.csv --full-scale 10V --out g.wav --midi g.mid --seconds 0.15 --json");
    let facts: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let told = String::from_utf8(output.stderr).unwrap();
    // 0.1 ms is five samples and no tick; line 1.1 moves beyond the end.
    assert_eq!((&facts["wav_edges_lost"], &facts["midi_edges_lost"]), (&0.into(), &2.into()));
    assert_eq!(facts["edges_beyond_end"], 2);
    assert!(
        told.contains("2 edges fall on one tick") && told.contains("2 edges lie beyond the end, not written"),
        "{told}"
    );
    let output = bench.run("gates --lines steps.csv --full-scale 10V --out g.wav --json");
    let facts: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(facts["wav_edges_lost"], 2);
}

#[test]
fn the_caution_is_in_the_help_in_the_note_and_in_the_json() {
    let bench = Bench::new();
    bench.put("steps.csv", score());
    let line = "gates --lines steps.csv --full-scale 10V --out g.wav";
    for (what, told) in [
        ("help", bench.well("gates --help")),
        ("note", String::from_utf8(bench.run(line).stderr).unwrap()),
        ("json", bench.well(&format!("{line} --json"))),
    ] {
        for word in ["CAUTION", "DC", "loudspeakers", "headphones", "only to", "measure before you connect"] {
            let told: Vec<_> = told.split_whitespace().collect();
            assert!(told.join(" ").contains(word), "{what}: no \"{word}\" in {told:?}");
        }
    }
    let brief = bench.well("gates -h");
    assert!(brief.contains("Example"), "{brief}");
    // 5 V into switches on 3 V.
    let told = String::from_utf8(bench.run(line).stderr).unwrap();
    assert!(told.contains("gates of 5 V on a unit with 3 V"), "{told}");
    let told = String::from_utf8(bench.run(&format!("{line} --gate-volts 3V")).stderr).unwrap();
    assert!(!told.contains("protection diodes"), "{told}");
}

#[test]
fn nothing_is_written_without_a_measured_full_scale_or_from_a_bad_score() {
    let bench = Bench::new();
    let says = |line: &str, words: &[&str]| {
        let told = bench.refused(line);
        for word in words {
            assert!(told.contains(word), "{line}: \"{word}\" is not in: {told}");
        }
    };
    bench.put("steps.csv", score());
    let out = "--out g.wav --midi g.mid";
    says(
        &format!("gates --lines steps.csv {out}"),
        &["--full-scale", "measured", "sample of 1.0", "meter", "loudspeakers disconnected"],
    );
    says(&format!("gates --lines steps.csv --full-scale 3.3V {out}"), &["--gate-volts", "5 V", "3.3 V"]);
    says(&format!("gates --lines steps.csv --full-scale 10V --gate-volts 10.1V {out}"), &["10.1 V", "10 V"]);
    for volts in ["0V", "-10V", "nan", "1kV", "10mV", "ten"] {
        says(&format!("gates --lines steps.csv --full-scale {volts} {out}"), &["--full-scale"]);
    }
    says("gates --lines steps.csv --full-scale 10V", &["--out", "--midi"]);
    for (channels, word) in [("1.0,1.0", "twice"), ("4.0", "1.0 to 1.3"), ("1.0,,1.1", "1.0 to 1.3")] {
        says(&format!("gates --lines steps.csv --full-scale 10V --channels {channels} {out}"), &["--channels", word]);
    }
    says(&format!("gates --lines steps.csv --full-scale 10V --first-note 115 {out}"), &["--first-note", "115"]);
    says(&format!("gates --lines steps.csv --full-scale 10V --rate 7 {out}"), &["--rate"]);
    for seconds in ["0", "-1", "nan", "1e9"] {
        says(&format!("gates --lines steps.csv --full-scale 10V --seconds {seconds} {out}"), &["--seconds"]);
    }
    for (text, words) in [
        ("seconds,line,state\n1e300,1.0,on\n", &["1000", "--seconds"][..]),
        ("seconds,line,state\n3601,1.0,on\n", &["3601 s", "--seconds"]),
        ("seconds,line,state\ninf,1.0,on\n", &["line 2", "\"inf\""]),
        ("seconds,line,state\n0,1.0,on\n0,1.9,on\n", &["line 3", "\"1.9\""]),
        ("seconds,line,state\n0,1.0,2\n", &["line 2", "\"2\""]),
        ("", &["bad.csv", "line 1"]),
    ] {
        bench.put("bad.csv", text);
        says(&format!("gates --lines bad.csv --full-scale 10V {out}"), words);
    }
    bench.put("bad.csv", b"seconds,line,state\n0,1.\xff,on\n");
    says(&format!("gates --lines bad.csv --full-scale 10V {out}"), &["bad.csv", "UTF-8"]);
    says(&format!("gates --lines lost.csv --full-scale 10V {out}"), &["lost.csv"]);
    says("gates --lines steps.csv --full-scale 10V --out steps.csv", &["steps.csv", "input and as output"]);
    says("gates --lines steps.csv --full-scale 10V --out g.wav --midi g.wav", &["--out", "--midi"]);
    says("gates --lines steps.csv --full-scale 10V --out g.wav --midi lost/g.mid", &["lost/g.mid"]);
    assert_eq!(bench.names(), ["bad.csv", "steps.csv"]);
}

/// A gate of 1 V is on for an input that trips at 1 V only above it; the volts are those asked for.
#[test]
fn a_sample_is_gate_volts_over_full_scale() {
    let bench = Bench::new();
    bench.put("steps.csv", "seconds,line,state\n0,1.0,on\n");
    for (full_scale, gate) in [(10.0, 5.0), (10.0, 10.0), (6.3, 5.0), (20.0, 3.3)] {
        let knobs = format!("--full-scale {full_scale}V --gate-volts {gate}V --seconds 0.01");
        let facts = bench.facts(&format!("gates --lines steps.csv {knobs} --out g.wav --json"));
        let (_, channels) = read(&bench, "g.wav", full_scale);
        assert!(channels[0].iter().all(|volts| (volts - gate).abs() <= gate * f64::from(f32::EPSILON)));
        assert!(channels[1..].iter().flatten().all(|volts| *volts == 0.0));
        approx::assert_relative_eq!(facts["sample"].as_f64().unwrap(), gate / full_scale, max_relative = 1e-7);
    }
}

/// A song by hand (RP-001): 480 ticks a quarter, a quarter of 0.5 s until tick 480, of 0.25 s from there.
#[test]
fn a_song_plays_the_key_table_of_a_real_unit_and_its_tempo_moves_the_lanes() {
    let bench = Bench::new();
    let track = [
        &[0, 0x90, 60, 100][..],                        // 0 s: row of 60
        &[0x81, 0x70, 0x90, 62, 100],                   // tick 240, 0.25 s: row of 62 besides
        &[0x81, 0x70, 0xff, 0x51, 3, 0x03, 0xd0, 0x90], // tick 480, 0.5 s: a quarter of 0.25 s
        &[0x83, 0x60, 0x80, 62, 0],                     // tick 960, 0.75 s: back to 60
        &[0, 0xb1, 83, 127],                            // the pedal of line 2.3
        &[0x83, 0x60, 0x80, 60, 0],                     // tick 1440, 1 s: none
        &[0, 0xff, 0x2f, 0],
    ]
    .concat();
    let mut file = b"MThd\0\0\0\x06\0\0\0\x01\x01\xe0MTrk\0\0\0".to_vec();
    file.push(track.len() as u8);
    file.extend(track);
    bench.put("song.mid", file);
    let patch = "patch = 1\n[knobs]\n\"exciter.pitch\" = \"keys\"\n\"exciter.chord\" = \"voices\"\n\"stage1.switch0\" = true\n\
        [keys]\nhold = \"held\"\n[keys.rows.60]\ncode = [1, 0, 8]\n[keys.rows.62]\ncode = [2, 0, 8]\n\
        [patterns.lanes.\"2.0\"]\nsteps = \"x.\"\nrate = \"1/4\"\ngate = 1.0\n";
    bench.put("patch.toml", patch);
    let line = "gates --keys song.mid --patch patch.toml --full-scale 10V --rate 8000 --out g.wav";
    let told = bench.facts(&format!("{line} --json"))["notes"].to_string();
    assert!(told.contains("these are the lines of one: the last key's"), "{told}");
    let told = bench.facts(&format!("{line} --set exciter.chord=stages --json"))["notes"].to_string();
    assert!(!told.contains("chain of its own"), "{told}");
    bench.well(line);
    let (_, volts) = read(&bench, "g.wav", 10.0);
    assert_eq!(volts[0].len(), 16_000, "a second of song, and one behind it");
    let on = |line: &str| gate_input(&volts[Line::parse(line).unwrap().index()]);
    let spans = |spans: &[[usize; 2]]| -> Vec<bool> {
        (0..16_000).map(|n| spans.iter().any(|[from, to]| (*from..*to).contains(&n))).collect()
    };
    for (line, high) in [
        // The panel switch turns it over.
        ("1.0", &[[2000, 6000], [8000, 16_000]][..]),
        ("1.1", &[[2000, 6000]]),
        ("3.3", &[[0, 8000]]),
        ("2.3", &[[6000, 16_000]]),
        ("hard", &[[8000, 16_000]]),
        // Quarters begin at 0, 0.5, 0.75 s, and every quarter of a second from there.
        ("2.0", &[[0, 4000], [6000, 8000], [10_000, 12_000], [14_000, 16_000]]),
        ("1.2", &[]),
    ] {
        assert_eq!(on(line), spans(high), "line {line}");
    }
    let told = bench.refused("gates --keys song.mid --tempo 90 --patch patch.toml --full-scale 10V --out h.wav");
    assert!(told.contains("--tempo") && told.contains("--keys"), "{told}");
    assert!(bench.refused("gates --keys lost.mid --full-scale 10V --out h.wav").contains("lost.mid"));
}
