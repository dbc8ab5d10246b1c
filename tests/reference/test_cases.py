"""The cases as a whole: what they cover, and that every formula and edge is one that both sides can follow exactly."""

import tomllib
from itertools import product

import numpy as np
import pytest

import fixtures
from cases import CASES
from formulas import TOP_HZ, signal
from steady import STEADY
from switching import SWITCHING

RATES_HZ = {44100, 48000, 88200, 96000, 176400, 192000}
KINDS = "parallel", "select"


def knob(case, name, default):
    return float(case["set"].get(name, default).split()[0])


def board(case):
    """What is soldered; the built-in board in the few words that matter here."""
    if case["board"]:
        return tomllib.loads((fixtures.HERE / "boards" / f"{case['board']}.toml").read_text())
    return {"coupling": {"c12": "0 F"}, **{f"stage{n}": {"bank": {"kind": "parallel"}} for n in (1, 2, 3)}}


BOARDS = {case["name"]: board(case) for case in CASES}


def kinds(case):
    return [BOARDS[case["name"]][f"stage{n}"]["bank"]["kind"] for n in (1, 2, 3)]


def test_lines_stand_still_or_move_and_every_case_has_its_own_name():
    assert len(STEADY) >= 40 and not any(case["edges"] for case in STEADY)
    assert len(SWITCHING) >= 12 and all(case["edges"] for case in SWITCHING)
    assert len({case["name"] for case in CASES}) == len(CASES)


def test_the_folder_holds_these_cases_and_no_others():
    for suffix, more in ((".npy", set()), (".json", {"response"})):
        assert {path.stem for path in fixtures.FOLDER.glob(f"*{suffix}")} == {case["name"] for case in CASES} | more


@pytest.mark.parametrize("stage", range(3))
def test_every_code_of_every_bank_stands_in_some_steady_case(stage):
    assert {case["codes"][stage] for case in STEADY if kinds(case)[stage] == "parallel"} == set(range(16))


@pytest.mark.parametrize("stage, kind", list(product(range(3), KINDS)))
def test_either_kind_of_bank_stands_and_moves_in_every_stage(stage, kind):
    assert any(kinds(case)[stage] == kind for case in STEADY)
    moved = lambda case: any(line[0] == str(stage + 1) for _, line, _ in case["edges"])
    assert any(kinds(case)[stage] == kind and moved(case) for case in SWITCHING)


def test_every_host_rate_has_cases_that_stand_and_that_move():
    for cases in STEADY, SWITCHING:
        assert {case["rate_hz"] for case in cases} == RATES_HZ


def test_supply_and_temperature_reach_both_ends():
    assert {knob(case, "unit.supply", "3 V") for case in CASES} >= {1.2, 1.5, 2.0, 3.0, 4.5, 6.0, 9.0}
    assert {knob(case, "unit.temperature", "25 °C") for case in CASES} >= {0.0, 5.0, 10.0, 20.0, 25.0, 40.0, 45.0, 50.0}


def test_drive_runs_from_forty_db_below_clipping_to_twenty_past():
    """A driver cuts off when the bus swings down by its bias, 0.0775 of the supply on every board here."""
    past = []
    for case in STEADY:
        if "in1" in case["inputs"] and "input.overdriven" not in case["set"]:
            _, volts, _ = np.array(case["inputs"]["in1"]["partials"]).T
            peak = 2.0 * np.sqrt(np.sum(volts**2) / 2.0)
            bias = 0.0775 * knob(case, "unit.supply", "3 V")
            past.append(20.0 * np.log10(peak * knob(case, "stage1.main", "0.1") / bias))
    assert min(past) < -40.0 and max(past) > 20.0
    assert np.diff(sorted(past)).max() < 20.0


def test_jacks_are_fed_alone_and_together():
    fed = {tuple(jack for jack in ("in1", "in2", "in3") if jack in case["inputs"]) for case in STEADY}
    assert fed >= {("in1",), ("in2",), ("in3",), ("in1", "in2"), ("in1", "in3"), ("in2", "in3"), ("in1", "in2", "in3")}


def test_sweeps_stand_and_move_anywhere_between_closed_and_wide_open():
    for n in (1, 2, 3):
        volts = {knob(case, f"stage{n}.sweep", "0 V") for case in STEADY}
        assert min(volts) == 0.0 and max(volts) == 9.0 and len({v for v in volts if 0.7 < v < 1.3}) >= 3
        for cases in (STEADY, SWITCHING) if n < 3 else (STEADY,):
            assert any(f"sweep{n}" in case["inputs"] for case in cases)


def test_c12_is_left_out_and_of_several_sizes():
    for cases in STEADY, SWITCHING:
        assert {BOARDS[case["name"]]["coupling"]["c12"] for case in cases} >= {"0 F", "2 nF", "15 nF"}
    assert any(BOARDS[case["name"]]["coupling"]["c12"] == "220 pF" for case in STEADY)


def test_every_option_stands_and_moves():
    overdriven = lambda case: case["set"].get("input.overdriven") == "on"
    bled = lambda case: case["set"].get("click.bleed") == "on"
    saturable = lambda case: "saturation" in BOARDS[case["name"]]["stage1"].get("coil", {})
    for option in overdriven, bled, saturable:
        assert any(map(option, STEADY)) and any(map(option, SWITCHING))
    for kind in KINDS:
        charged = lambda bank: bank["kind"] == kind and bank.get("charge", "0 C") != "0 C"
        assert any(charged(BOARDS[case["name"]][f"stage{n}"]["bank"]) for case in SWITCHING for n in (1, 2, 3))


def test_lines_toggle_at_audio_rate():
    """Hertz of the fastest line of each case, two flips a period."""
    fastest = []
    for case in SWITCHING:
        frames = {}
        for frame, line, _ in case["edges"]:
            frames.setdefault(line, []).append(frame)
        spans = [np.median(np.diff(moved)) for moved in frames.values() if len(moved) > 20]
        if spans:
            fastest.append(case["rate_hz"] / (2.0 * min(spans)))
    for low, high in ((900, 1100), (1900, 2100), (3900, 6000), (9000, 12000)):
        assert any(low < hertz < high for hertz in fastest), (low, high, fastest)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_inputs_are_within_the_band_start_at_rest_and_bend_on_frames(case):
    for name, spec in case["inputs"].items():
        assert signal(spec)(0.0) == 0.0
        if "knots" in spec:
            frames = np.array(spec["knots"])[:, 0] * case["rate_hz"]
            assert np.abs(frames - np.round(frames)).max() < 1e-6 and name.startswith("sweep")
        else:
            assert max(hz for hz, _, _ in spec["partials"]) <= TOP_HZ


@pytest.mark.parametrize("case", SWITCHING, ids=lambda case: case["name"])
def test_edges_are_in_order_each_turns_its_line_over_and_they_last_while_the_case_is_judged(case):
    on = {f"{n}.{bit}": bool(code >> bit & 1) for n, code in enumerate(case["codes"], 1) for bit in range(4)}
    assert [edge[0] for edge in case["edges"]] == sorted(edge[0] for edge in case["edges"])
    assert len({(frame, line) for frame, line, _ in case["edges"]}) == len(case["edges"])
    for _, line, to in case["edges"]:
        assert on[line] != to
        on[line] = to
    first, last = case["edges"][0][0], case["edges"][-1][0]
    assert 0.02 * case["rate_hz"] < last - first < 0.05 * case["rate_hz"]
