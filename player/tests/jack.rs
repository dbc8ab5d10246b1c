//! The player as it is built, through a JACK server of the test's own whose sound card is a clock (`jackd -d dummy`): a client
//! of the test plays keys and gates to it and hears what comes of them, and the server goes and comes again.
//! Built with `jack` alone; needs `jackd`.
#![cfg(target_os = "linux")]

use jack::{AudioIn, AudioOut, Client, ClientOptions, Control, MidiOut, ProcessScope, contrib::ClosureProcessHandler};
use std::io::{BufRead as _, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, mpsc};
use std::time::Duration;

/// What has not happened by then never will.
const PATIENCE: Duration = Duration::from_mins(2);

/// Between two looks whether it has.
const LOOK: Duration = Duration::from_millis(50);

/// The part of a level that a frame renews: a fifth of a second at 44.1 kHz.
const LEVEL_STEP: f32 = 1.0 / 8820.0;

/// A child of ours, ended with the test.
struct Ours(Child);

impl Ours {
    fn signal(&self, name: &str) {
        // The shell's own: not every machine has the program.
        let sent = Command::new("sh").arg("-c").arg(format!("kill -{name} {}", self.0.id())).status();
        assert!(sent.unwrap().success());
    }
}

impl Drop for Ours {
    /// Asked to: a server that is killed stays in the machine's list of servers, which has eight places.
    fn drop(&mut self) {
        if self.0.try_wait().is_ok_and(|done| done.is_none()) {
            self.signal("TERM");
        }
        let ended = |_| {
            std::thread::sleep(LOOK);
            self.0.try_wait().is_ok_and(|done| done.is_some())
        };
        if !(0..200).any(ended) {
            let _ = self.0.kill();
            let _ = self.0.wait();
        }
    }
}

/// The name of this test's server, so that it meets no other.
fn name() -> String {
    format!("tritank-{}", std::process::id())
}

fn server(rate_hz: u32, block: u32) -> Ours {
    let mut command = Command::new("jackd");
    command.args(["--no-realtime", "--name", &name(), "-d", "dummy"]);
    command.args(["-r", &rate_hz.to_string(), "-p", &block.to_string()]);
    command.env("JACK_NO_AUDIO_RESERVATION", "1").stdout(Stdio::null()).stderr(Stdio::null());
    Ours(command.spawn().expect("jackd, of the package jackd2 or jack2"))
}

fn player(words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tritank-standalone"));
    command.args(["--system", "jack"]).args(words).env("JACK_DEFAULT_SERVER", name());
    command
}

/// Asks again until there is an answer.
fn until<T>(what: &str, mut ask: impl FnMut() -> Option<T>) -> T {
    let looks = PATIENCE.as_millis() / LOOK.as_millis();
    let answer = (0..looks).find_map(|_| {
        std::thread::sleep(LOOK);
        ask()
    });
    answer.unwrap_or_else(|| panic!("{what}: that never came"))
}

/// A session whose lines can be waited for.
struct Session {
    player: Ours,
    lines: mpsc::Receiver<String>,
}

impl Session {
    fn begin(words: &[&str]) -> Self {
        let mut player = Ours(player(words).stdout(Stdio::piped()).spawn().unwrap());
        let out = BufReader::new(player.0.stdout.take().unwrap());
        let (tell, lines) = mpsc::channel();
        std::thread::spawn(move || out.lines().map_while(Result::ok).try_for_each(|line| tell.send(line)));
        Self { player, lines }
    }

    fn wait_for(&self, wanted: &str) {
        let said = |line: Result<String, _>| line.unwrap_or_else(|error| panic!("{wanted}: {error}"));
        while said(self.lines.recv_timeout(PATIENCE)) != wanted {}
    }

    fn end(mut self) {
        self.player.signal("INT");
        assert!(self.player.0.wait().unwrap().success());
    }
}

#[test]
fn keys_and_gates_are_heard_and_a_server_that_goes_is_waited_for() {
    let refused = player(&["--list"]).output().unwrap();
    let said = String::from_utf8(refused.stderr).unwrap();
    assert_eq!(refused.status.code(), Some(2));
    assert_eq!(said, "tritank-standalone: jack: no server runs that could be reached\n");

    let mut jackd = server(44_100, 256);
    let list = until("a list", || {
        let ended = jackd.0.try_wait().unwrap();
        assert!(
            ended.is_none(),
            "jackd would not stay; are its eight places taken by servers that were killed (/dev/shm/jack*)?"
        );
        let output = player(&["--list"]).output().unwrap();
        output.status.success().then(|| String::from_utf8(output.stdout).unwrap())
    });
    assert_eq!(list, "output   system\nrecord   system\nmidi     none\n");

    // SAFETY: no other thread of this test reads the environment yet.
    unsafe { std::env::set_var("JACK_DEFAULT_SERVER", name()) };
    let (bench, _) = Client::new("bench", ClientOptions::NO_START_SERVER).unwrap();
    let mut sound = bench.register_port("sound", AudioOut::default()).unwrap();
    let mut mirror = bench.register_port("mirror", AudioOut::default()).unwrap();
    let mut gates: Vec<_> =
        (0..14).map(|n| bench.register_port(&format!("gate {n}"), AudioOut::default()).unwrap()).collect();
    let mut keys = bench.register_port("keys", MidiOut::default()).unwrap();
    let ear = bench.register_port("ear", AudioIn::default()).unwrap();
    // What is to be done, as bits: a key down, gates up. What is heard, as a float's.
    let (hands, heard) = (Arc::new(AtomicU32::new(0)), Arc::new(AtomicU32::new(0)));
    let (doing, hearing) = (hands.clone(), heard.clone());
    let (mut down, mut power) = (false, 0.0f32);
    let play = move |_: &Client, scope: &ProcessScope| {
        let hands = doing.load(Ordering::Relaxed);
        sound.as_mut_slice(scope).fill(0.0);
        mirror.as_mut_slice(scope).fill(0.0);
        for gate in &mut gates {
            gate.as_mut_slice(scope).fill(if hands & 2 == 0 { 0.0 } else { 0.5 });
        }
        let mut keys = keys.writer(scope);
        if down != (hands & 1 != 0) {
            down = !down;
            let bytes: &[u8] = if down { &[0x90, 45, 100] } else { &[0x80, 45, 0] };
            let _ = keys.write(&jack::RawMidi { time: 0, bytes });
        }
        for volts in ear.as_slice(scope) {
            power += (volts * volts - power) * LEVEL_STEP;
        }
        hearing.store(power.sqrt().to_bits(), Ordering::Relaxed);
        Control::Continue
    };
    let bench = bench.activate_async((), ClosureProcessHandler::new(play)).unwrap();
    let level = || f32::from_bits(heard.load(Ordering::Relaxed));

    let words = ["--record", "bench", "--gates-from", "3", "--gate-volts", "10", "--midi", "bench"];
    let knobs = ["--set", "exciter.pitch=keys", "--set", "exciter.level=1", "--set", "stage1.code=0"];
    let session = Session::begin(&[&words[..], &knobs].concat());
    session.wait_for("output   system, 44100 Hz (nearest to 48000 Hz), blocks of 256");
    session.wait_for("input    bench");
    session.wait_for("midi     bench:keys");
    let connect = || bench.as_client().connect_ports_by_name("Tritank:left", "bench:ear").ok();
    until("Tritank's port", connect);
    let settle = || std::thread::sleep(Duration::from_secs(2));
    settle();
    assert!(level() < 1e-3, "it is heard before a key is down: {} V", level());
    hands.store(1, Ordering::Relaxed);
    until("the key's sound", || (level() > 0.01).then_some(()));
    settle();
    let plain = level();
    settle();
    assert!((level() / plain - 1.0).abs() < 0.05, "a held key goes from {plain} V to {} V", level());
    // All lines at once: other peaks, another level.
    hands.store(3, Ordering::Relaxed);
    until("the gates' sound", || ((level() / plain - 1.0).abs() > 0.2).then_some(()));
    hands.store(0, Ordering::Relaxed);
    until("the end of the key's sound", || (level() < 1e-3).then_some(()));
    session.end();
    drop(bench);

    let session = Session::begin(&[]);
    session.wait_for("output   system, 44100 Hz (nearest to 48000 Hz), blocks of 256");
    for _ in 0..2 {
        let (pads, _) = Client::new("pads", ClientOptions::NO_START_SERVER).unwrap();
        pads.register_port("keys", MidiOut::default()).unwrap();
        let pads = pads.activate_async((), ()).unwrap();
        session.wait_for("midi     pads:keys");
        drop(pads);
        session.wait_for("midi     pads:keys is gone");
    }
    jackd.0.kill().unwrap();
    session.wait_for("system is gone; waiting for it (Ctrl-C ends)");
    session.wait_for("waiting  jack: no server runs that could be reached");
    drop(jackd);
    // Of the same name: it takes the killed one's place in the list.
    let _jackd = server(48_000, 512);
    session.wait_for("output   system, 48000 Hz, blocks of 512");
    session.end();
}
