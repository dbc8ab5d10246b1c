"""The built VST3 in dawdreamer, a host that drives every bus of sound: 6 channels in, 10 out.

Buses of voltages (gates, control, lines) are off until a host asks for them, and this one does not.

    in   main L R, stage 2 L R, stage 3 L R          out   main L R, pulse L R, tap 1 L R, tap 2 L R, tap 3 L R

Bound: as in the other host, -120 dB against the bench.
"""

import dawdreamer
import numpy as np
import pedalboard
import pytest

from conftest import RATE, error_db

BLOCK = 64


class Host:
    """One unit between a player and the speakers; it takes off the latency that the plugin reports."""

    def __init__(self, vst3):
        self.vst3 = vst3
        self.engine = dawdreamer.RenderEngine(RATE, BLOCK)
        self.unit = self.engine.make_plugin_processor("unit", vst3)
        self.names = {p["name"]: p["index"] for p in self.unit.get_parameters_description()}

    def turn(self, name, text):
        """By text: the host asks the plugin for the text of a value, so search for the value of this text."""
        index = self.names[name]
        assert self.unit.set_parameter(index, self.value(name, text))
        assert self.unit.get_parameter_text(index) == text

    def value(self, name, text):
        for value in np.linspace(0.0, 1.0, 1001):
            self.unit.set_parameter(self.names[name], value)
            if self.unit.get_parameter_text(self.names[name]) == text:
                return value
        raise AssertionError(f"{name} never reads {text}")

    def play(self, sound):
        """All ten channels, in line with the sound."""
        late = self.unit.get_latency_samples()
        padded = np.hstack([sound, np.zeros((len(sound), late + BLOCK), np.float32)])
        player = self.engine.make_playback_processor("player", padded)
        self.engine.load_graph([(player, []), (self.unit, ["player"])])
        self.engine.render((sound.shape[1] + late) / RATE)
        out = self.unit.get_audio()
        return out[:, late : late + sound.shape[1]]


@pytest.fixture
def host(vst3):
    return Host(vst3)


@pytest.fixture
def six(chord):
    """Main in, and a different sound at each of the other two jacks."""
    n = chord.shape[1]
    t = np.arange(n) / RATE
    second = 0.1 * np.sin(2 * np.pi * 700 * t)
    third = 0.1 * np.sin(2 * np.pi * 2100 * t) * np.minimum(1, t)
    return np.vstack([chord, second, second, third, third]).astype(np.float32)


def test_ports_and_parameters_are_all_there(host):
    assert host.unit.get_num_input_channels() == 6
    assert host.unit.get_num_output_channels() == 10
    assert len(host.names) < 200
    host.turn("Stage 2 Switch 3", "on")
    host.turn("Stage 1 Code", "11")
    host.turn("Unit Oversampling", "8")


def test_every_bus_renders_as_the_bench_does(host, bench, six):
    host.turn("Stage 1 Switch 1", "on")
    host.turn("Stage 2 Code", "6")
    main, taps = bench.render(six[:2], {"stage1.switch1": "on", "stage2.code": "6"}, in2=six[2:3], in3=six[4:5])
    got = host.play(six)
    errors = {"main": error_db(got[:2], main)}
    for n in (1, 2, 3):
        tap = got[2 + 2 * n : 4 + 2 * n]
        assert np.array_equal(tap[0], tap[1])
        errors[f"tap {n}"] = error_db(tap[0], taps[n])
    print("host against bench, dB:", {name: round(float(error), 1) for name, error in errors.items()})
    assert max(errors.values()) <= -120.0


def test_a_lane_of_a_switch_renders_as_the_bench_s_line_does(host, bench, six):
    """This host hands over automation at the start of a block, so the edges of this check fall there."""
    quiet = np.vstack([six[:2], np.zeros_like(six[2:])])
    frames = [BLOCK * block for block in (100, 180, 260, 300, 500, 501)]
    lane = np.zeros(quiet.shape[1] + 4 * BLOCK, np.float32)
    edges = []
    for place, frame in enumerate(frames):
        on = place % 2 == 0
        lane[frame:] = float(on)
        edges.append((frame / RATE, "1.2", "on" if on else "off"))
    still = host.play(quiet)
    assert host.unit.set_automation(host.names["Stage 1 Switch 2"], lane)
    main, taps = bench.render(quiet[:2], {}, edges)
    got = host.play(quiet)
    assert error_db(still[:2], main) > -40.0, "the lane must be heard"
    assert error_db(got[:2], main) <= -120.0
    assert error_db(got[4], taps[1]) <= -120.0


def midi_file(path, notes):
    """A Standard MIDI File by hand (RP-001): format 0, 480 ticks a quarter, 120 a minute; (tick, status, key, velocity)."""

    def length(ticks):
        digits = [ticks & 0x7F]
        while ticks := ticks >> 7:
            digits.append(0x80 | ticks & 0x7F)
        return bytes(reversed(digits))

    track, before = bytes([0, 0xFF, 0x51, 3, 0x07, 0xA1, 0x20]), 0
    for tick, *message in sorted(notes):
        track += length(tick - before) + bytes(message)
        before = tick
    track += bytes([0, 0xFF, 0x2F, 0])
    header = b"MThd" + (6).to_bytes(4) + (0).to_bytes(2) + (1).to_bytes(2) + (480).to_bytes(2)
    path.write_bytes(header + b"MTrk" + len(track).to_bytes(4) + track)
    return path


def test_a_midi_file_plays_as_the_bench_plays_it(host, bench, six, tmp_path):
    """Keys give the exciter its pitch; at 120 a minute a tick of 480 to the quarter is 50 frames, so every note is whole frames."""
    knobs = {"exciter.pitch": "keys", "exciter.level": "0.5625", "stage2.pulse": "0.625"}
    keys = [(32, 45, 480), (320, 57, 352), (704, 50, 64), (800, 62, 448)]
    notes = [event for at, key, held in keys for event in ((at, 0x90, key, 100), (at + held, 0x80, key, 0))]
    song = midi_file(tmp_path / "song.mid", notes)
    quiet = np.zeros_like(six)
    main, taps = bench.render(quiet[:2], knobs, song=song)
    still = Host(host.vst3)
    for unit in (host, still):
        for name, text in zip(["Exciter Pitch", "Exciter Level", "Stage 2 Pulse"], knobs.values()):
            unit.turn(name, text)
    assert error_db(still.play(quiet)[:2], main) > -40.0, "the keys must be heard"
    assert host.unit.load_midi(str(song), beats=False, all_events=True)
    got = host.play(quiet)
    errors = {"main": error_db(got[:2], main), "pulse": error_db(got[2], taps[0]), "tap 1": error_db(got[4], taps[1])}
    print("host against bench, dB:", {name: round(float(error), 1) for name, error in errors.items()})
    assert max(errors.values()) <= -120.0


def test_every_preset_plays_as_the_bench_plays_its_patch(vst3, presets, bench, six, tmp_path):
    """Boards, knobs, keys and lanes: the transport runs at 120 a minute, which the song says too, and one low key is held."""
    song = midi_file(tmp_path / "song.mid", [(32, 0x90, 38, 100), (1000, 0x80, 38, 0)])
    quiet = np.vstack([six[:2], np.zeros_like(six[2:])])
    errors = {}
    for name, patch in bench.patches().items():
        host = Host(vst3)
        assert host.unit.load_vst3_preset(presets[name]), name
        assert host.unit.load_midi(str(song), beats=False, all_events=True)
        main, _ = bench.render(quiet[:2], {}, song=song, patch=patch)
        errors[name] = error_db(host.play(quiet)[:2], main)
    print("host against bench, dB:", {name: round(float(error), 1) for name, error in errors.items()})
    assert len(errors) == len(presets) and max(errors.values()) <= -120.0


def test_a_preset_saved_in_the_other_host_plays_the_same_here(host, vst3, six, tmp_path):
    """This host reads its own state files only for plugins with an editor, so the state comes as a preset file."""
    other = pedalboard.load_plugin(vst3)
    for parameter in other._parameters:
        if parameter.name in ("Stage 3 Switch 0", "Stage 1 Code"):
            parameter.raw_value = parameter.get_raw_value_for_text({"Stage 1 Code": "9"}.get(parameter.name, "on"))
    other.process(six[:2, :RATE], RATE)  # that host hands its parameters over with the sound
    file = tmp_path / "unit.vstpreset"
    file.write_bytes(other.preset_data)

    turned = Host(vst3)
    turned.turn("Stage 3 Switch 0", "on")
    turned.turn("Stage 1 Code", "9")
    wanted = turned.play(six)
    fresh = Host(vst3)
    assert error_db(fresh.play(six)[:2], wanted[:2]) > -40.0, "a new unit must not sound like it yet"
    # (The host does not ask for the texts again after it; the sound tells.)
    assert host.unit.load_vst3_preset(str(file))
    assert np.array_equal(host.play(six), wanted)
