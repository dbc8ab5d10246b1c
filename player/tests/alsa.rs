//! The player as it is built, through ALSA: a device of ALSA's own that writes what it is given to a file (`pcm_file`).
//! What stands there is held against the bench's render of the same sound and patch. Built with `standalone` alone.
#![cfg(target_os = "linux")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;
use tempfile::TempDir;
use tritank_dsp::board::Board;
use tritank_dsp::factory::Factory;
use tritank_dsp::patch::Patch;
use tritank_workbench::render::{Job, to_sounds};
use tritank_workbench::sound::Sound;
use tritank_workbench::unit;

const RATE_HZ: u32 = 48_000;
/// Frames that the player fades in: 20 ms.
const FADE: usize = 960;
/// Frames at the end of a render that are not compared: more than its latency.
const END: usize = 1000;
/// Looks for enough sound, a twentieth of a second each: what has not come by then never will.
const LOOKS: u32 = 2400;

/// A machine with a tape for float, and one for 16 bits behind it.
struct Machine {
    folder: TempDir,
}

impl Machine {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let tape = folder.path().join("tape.raw");
        let config = format!(
            r#"
pcm.tape {{ type file file "{}" format raw slave.pcm {{ type null }} hint {{ show on description "Tape" }} }}
pcm.small {{ type linear slave {{ pcm tape format S16_LE }} hint {{ show on description "Small recorder" }} }}
pcm.!default {{ type linear slave {{ pcm nowhere format S16_LE }} }}
"#,
            tape.display()
        );
        fs::write(folder.path().join("alsa.conf"), config).unwrap();
        Self { folder }
    }

    fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn player(&self, words: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tritank-standalone"));
        command.args(words).env("ALSA_CONFIG_PATH", self.file("alsa.conf")).current_dir(self.folder.path());
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// Plays until so many bytes are on the tape, and ends as Ctrl-C would.
    fn play(&self, words: &[&str], bytes: usize) -> (String, Vec<u8>) {
        self.play_with(self.player(words).spawn().unwrap(), bytes)
    }

    fn play_with(&self, mut child: Child, bytes: usize) -> (String, Vec<u8>) {
        let tape = self.file("tape.raw");
        let enough = |_| {
            std::thread::sleep(Duration::from_millis(50));
            let done = child.try_wait().unwrap().is_some();
            done || fs::metadata(&tape).is_ok_and(|tape| tape.len() as usize > bytes)
        };
        assert!((0..LOOKS).any(enough), "nothing was played");
        interrupt(&child);
        let Output { status, stdout, stderr } = child.wait_with_output().unwrap();
        let stderr = String::from_utf8_lossy(&stderr);
        assert!(status.success() && stderr.is_empty(), "{status}: {stderr}");
        (String::from_utf8(stdout).unwrap(), fs::read(tape).unwrap())
    }
}

fn interrupt(child: &Child) {
    // The shell's own: not every machine has the program.
    let sent = Command::new("sh").arg("-c").arg(format!("kill -INT {}", child.id())).status().unwrap();
    assert!(sent.success());
}

/// A chord of three saws and its mirror, half a second at a rate that is not the device's.
fn recording(file: &Path) -> Sound {
    let volts = |n: u32, sign: f64| {
        let saw = |hertz: f64| (f64::from(n) * hertz / 44_100.0).fract() - 0.5;
        sign * 0.2 * (saw(110.0) + saw(164.8) + saw(220.0))
    };
    let channels = [1.0, -0.5].map(|sign| (0..22_050).map(|n| volts(n, sign)).collect());
    Sound { rate_hz: 44_100, channels: channels.into() }.write(file).unwrap();
    Sound::read(file).unwrap()
}

/// The bench's render of a sound that goes round so many times, but for the end: there it hears the end of the sound.
fn rendered(patch: Patch, sound: Option<&Sound>, rounds: usize, frames: usize) -> (Vec<[f64; 2]>, usize) {
    let round = sound.map(|sound| sound.at_rate(RATE_HZ).unwrap());
    let main = round.map(|round| Sound {
        rate_hz: RATE_HZ,
        channels: round.channels.iter().map(|channel| channel.repeat(rounds)).collect(),
    });
    let job = Job {
        patch,
        main,
        stage2: None,
        stage3: None,
        edges: Vec::new(),
        song: None,
        rate_hz: RATE_HZ,
        frames: frames as u64,
    };
    let (mix, _, facts) = to_sounds(&job).unwrap();
    let mix = mix.channels[0].iter().zip(&mix.channels[1]).map(|(left, right)| [*left, *right]);
    (mix.take(frames - END).collect(), facts.latency_frames)
}

/// Holds frames against a render that is so many frames earlier.
fn assert_same(heard: &[[f64; 2]], expected: &[[f64; 2]], late: usize, bound: f64) {
    let loudest = expected.iter().flatten().fold(0.0f64, |most, volts| most.max(volts.abs()));
    assert!(loudest > 0.02 && loudest < 1.0, "the render peaks at {loudest} V");
    for (n, (heard, expected)) in heard.iter().skip(late).zip(expected).enumerate() {
        let faded = ((n + late + 1) as f64 / FADE as f64).min(1.0);
        for (heard, expected) in heard.iter().zip(expected) {
            let off = (heard - expected * faded).abs();
            assert!(off < bound, "frame {n}: {heard} V where the bench has {expected} V");
        }
    }
}

#[test]
fn a_recording_comes_out_as_the_bench_renders_it_over_and_over() {
    let machine = Machine::new();
    let sound = recording(&machine.file("chord.wav"));
    let words = ["--output", "tape", "--input", "chord.wav", "--set", "stage1.code=5", "--set", "output.level=6 dB"];
    let (rounds, frames) = (3, 72_000);
    let (said, tape) = machine.play(&words, 8 * frames);
    let heading = "output   Tape, 48000 Hz, blocks of 512\ninput    a recording of 0.5 s, over and over\nlatency  ";
    // No meters where there is no terminal.
    assert!(said.starts_with(heading) && !said.contains("in [") && !said.contains('\x1b'), "{said}");

    let float = |bytes: &[u8; 4]| f64::from(f32::from_le_bytes(*bytes));
    let heard: Vec<_> = tape.as_chunks::<4>().0.iter().map(float).collect();
    let heard = heard.as_chunks::<2>().0;
    let mut patch = Patch::new(Board::built_in());
    unit::set(&mut patch.settings, "stage1.code=5").unwrap();
    unit::set(&mut patch.settings, "output.level=6 dB").unwrap();
    let (expected, late) = rendered(patch, Some(&sound), rounds, frames);
    // Half a step of a 32-bit float below a volt, and its rounding.
    assert_same(heard, &expected, late, 1e-7);
    assert!(heard[heard.len() - 512..].iter().flatten().all(|volts| *volts == 0.0), "it faded out");
}

#[test]
fn patterns_run_as_they_do_on_the_bench() {
    let machine = Machine::new();
    let riff = Factory::find("talking-riff").unwrap();
    fs::write(machine.file("riff.toml"), riff.toml).unwrap();
    let frames = 96_000;
    let (_, tape) = machine.play(&["--output", "tape", "--patch", "riff.toml"], 8 * frames);
    let float = |bytes: &[u8; 4]| f64::from(f32::from_le_bytes(*bytes));
    let heard: Vec<_> = tape.as_chunks::<4>().0.iter().map(float).collect();
    let patch = Patch::from_toml(riff.toml, &Board::built_in()).unwrap();
    let (expected, late) = rendered(patch, None, 0, frames);
    // The bench tells each frame's place, the player the first one's: an edge may differ by the rounding of a place.
    assert_same(heard.as_chunks::<2>().0, &expected, late, 1e-6);
}

#[test]
fn a_device_of_whole_numbers_gets_them() {
    let machine = Machine::new();
    let sound = recording(&machine.file("chord.wav"));
    let frames = 36_000;
    let (said, tape) = machine.play(&["--output", "Small", "--input", "chord.wav", "--block", "128"], 4 * frames);
    assert!(said.starts_with("output   Small recorder, 48000 Hz, blocks of 128\n"), "{said}");
    let whole = |bytes: &[u8; 2]| f64::from(i16::from_le_bytes(*bytes)) / 32_768.0;
    let heard: Vec<_> = tape.as_chunks::<2>().0.iter().map(whole).collect();
    let (expected, late) = rendered(Patch::new(Board::built_in()), Some(&sound), 2, frames);
    // ALSA cuts 32 bits off to 16: one step at most.
    assert_same(heard.as_chunks::<2>().0, &expected, late, 1.01 / 32_768.0);
}

#[test]
fn a_device_that_hangs_can_be_left() {
    let machine = Machine::new();
    // A tape that nobody takes: whoever opens it waits.
    let tape = machine.file("tape.raw");
    assert!(Command::new("mkfifo").arg(tape).status().unwrap().success());
    let mut child = machine.player(&["--output", "tape"]).spawn().unwrap();
    let listens = |_| {
        std::thread::sleep(Duration::from_millis(50));
        catches_interrupts(&child)
    };
    assert!((0..1200).any(listens), "it never listens to Ctrl-C");
    let ended = (0..60).find_map(|_| {
        std::thread::sleep(Duration::from_millis(500));
        let ended = child.try_wait().unwrap();
        if ended.is_none() {
            interrupt(&child);
        }
        ended
    });
    let _ = child.kill();
    assert_eq!(ended.expect("it still waits").code(), Some(130));
}

/// Whether a child has come so far that Ctrl-C does not end it at once.
fn catches_interrupts(child: &Child) -> bool {
    let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap();
    let caught = status.lines().find_map(|line| line.strip_prefix("SigCgt:")).unwrap();
    // Bit n − 1 for signal n; 2 is Ctrl-C (Linux, proc_pid_status(5)).
    u64::from_str_radix(caught.trim(), 16).unwrap() & 1 << 1 != 0
}

/// A pipe whose reader has seen enough.
fn closed_pipe() -> Stdio {
    std::io::pipe().unwrap().1.into()
}

#[test]
fn a_reader_that_has_seen_enough_is_no_fault() {
    let machine = Machine::new();
    for (words, code) in [(&["--list"][..], 0), (&["--help"], 0), (&["--version"], 0), (&["--output", "horn"], 2)] {
        let output = machine.player(words).stdout(closed_pipe()).output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert!(
            output.status.code() == Some(code) && said.lines().count() == usize::from(code == 2),
            "{words:?}: {said}"
        );
        let status = machine.player(words).stdout(closed_pipe()).stderr(closed_pipe()).status().unwrap();
        assert_eq!(status.code(), Some(code), "{words:?}");
    }
    // What plays goes on, and ends as it should.
    let mut player = machine.player(&["--output", "tape"]);
    let child = player.stdout(closed_pipe()).spawn().unwrap();
    machine.play_with(child, 8 * 24_000);
}

#[test]
fn devices_are_listed_and_wrong_ones_refused_on_one_line() {
    let machine = Machine::new();
    let refused = |words: &[&str]| {
        let output = machine.player(words).output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!((output.status.code(), said.lines().count()), (Some(2), 1), "{said}");
        said
    };
    let output = machine.player(&["--list"]).output().unwrap();
    let list = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success() && output.stderr.is_empty());
    for row in ["output   Tape            tape\n", "record   Small recorder  small\n", "midi     "] {
        assert!(list.contains(row), "{list}");
    }
    let said = refused(&["--output", "horn"]);
    assert!(said.contains("output: given \"horn\", there are: ") && said.contains("Small recorder"), "{said}");
    let said = refused(&["--output", "tape", "--record", "ear"]);
    assert!(said.contains("record: given \"ear\", there are: "), "{said}");
    // The system's own choice leads nowhere here.
    let said = refused(&[]);
    assert!(said.contains("output: alsa has no device for it here (--list says what there is)"), "{said}");
    let said = refused(&["--system", "drum"]);
    assert!(said.contains("system: given \"drum\", allowed is alsa"), "{said}");
    let said = refused(&["--output", "tape", "--input", "none.wav"]);
    assert!(said.contains("none.wav: "), "{said}");
}
