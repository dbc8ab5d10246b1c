"""The built VST3 in pedalboard, a host that leaves every auxiliary bus inactive: the plain insert on a track.

Bound: the host's offline render and the bench's differ by no more than -120 dB, what single-precision ports allow.
"""

import numpy as np
import pedalboard
import pytest

from conftest import RATE, error_db

# Knob by its stable id, the name a host shows, the text for both.
DRIVEN = {
    "stage1.main": ("Stage 1 Main in", "0.5"),
    "stage2.link": ("Stage 2 From tap 1", "0.25"),
    "stage1.switch1": ("Stage 1 Switch 1", "on"),
    "stage3.code": ("Stage 3 Code", "5"),
    "unit.supply": ("Unit Supply", "2.5 V"),
    "tap2.invert": ("Tap 2 Invert", "on"),
}


@pytest.fixture
def plugin(vst3):
    return pedalboard.load_plugin(vst3)


def by_name(plugin):
    return {parameter.name: parameter for parameter in plugin._parameters}


def turn(plugin, name, text):
    parameter = by_name(plugin)[name]
    parameter.raw_value = parameter.get_raw_value_for_text(text)


def lined_up(plugin, sound):
    """What comes out: this host feeds on and takes the reported latency off by itself."""
    silence = np.zeros((2, 4096), np.float32)
    assert 0 < plugin.reported_latency_samples < silence.shape[1]
    return plugin.process(np.hstack([sound, silence]), RATE, buffer_size=512, reset=True)[:, : sound.shape[1]]


def test_it_is_an_effect_whose_parameters_read_as_text(plugin):
    assert plugin.is_effect and plugin.name == "Tritank"
    names = by_name(plugin)
    for name in ("Stage 1 Switch 2", "Exciter Rate", "Unit Supply", "Unit Temperature", "Stage 2 in", "Limiter"):
        assert name in names, sorted(names)
    assert len(names) < 200, "controllers must not become parameters in this format"
    for name, text in [("Exciter Rate", "440 Hz"), ("Unit Supply", "1.2 V"), ("Exciter Pitch", "keys"), ("Limiter", "off")]:
        turn(plugin, name, text)
        assert by_name(plugin)[name].string_value == text


def test_an_insert_without_auxiliary_buses_renders_as_the_bench_does(plugin, bench, chord):
    for name, text in DRIVEN.values():
        turn(plugin, name, text)
    wanted, _ = bench.render(chord, {knob: text for knob, (_, text) in DRIVEN.items()})
    got = lined_up(plugin, chord)
    error = error_db(got, wanted)
    dry = error_db(chord, wanted)
    print(f"host against bench {error:.1f} dB, dry against bench {dry:.1f} dB")
    assert dry > -20.0, "the settings of this check must change the sound"
    assert error <= -120.0


def test_a_saved_state_plays_the_same_in_a_new_unit(plugin, vst3, chord):
    for name, text in DRIVEN.values():
        turn(plugin, name, text)
    wanted, state = lined_up(plugin, chord), plugin.raw_state
    other = pedalboard.load_plugin(vst3)
    assert error_db(lined_up(other, chord), wanted) > -40.0, "a new unit must not sound like it yet"
    other.raw_state = state
    for name, _ in DRIVEN.values():
        assert by_name(other)[name].string_value == by_name(plugin)[name].string_value
    assert np.array_equal(lined_up(other, chord), wanted)


def test_every_preset_is_taken_and_plays_as_the_bench_plays_its_patch(vst3, presets, bench, chord):
    """No transport runs in this host and no key is down, so patches with lanes or keys of their own sound in the other one."""
    patches = bench.patches()
    assert sorted(presets) == sorted(patches) and len(presets) >= 18
    errors = {}
    for name, patch in patches.items():
        plugin = pedalboard.load_plugin(vst3)
        before = plugin.raw_state
        plugin.load_preset(presets[name])
        assert plugin.raw_state != before, name
        if "[patterns]" not in patch.read_text():
            errors[name] = error_db(lined_up(plugin, chord), bench.render(chord, {}, patch=patch)[0])
    print("host against bench, dB:", {name: round(float(error), 1) for name, error in errors.items()})
    assert len(errors) >= 12 and max(errors.values()) <= -120.0
