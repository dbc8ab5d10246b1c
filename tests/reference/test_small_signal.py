"""`tritank response` against the dense complex solve of the list that `tritank circuit` prints: 0.05 dB, 1 cent."""

import numpy as np
import pytest

import fixtures
import small_signal


@pytest.fixture(scope="module")
def every_code():
    """Peaks as the bench prints them, by stage and code."""
    said = fixtures.bench("response", "--all", "--json", "--points", "2")
    return {(row["stage"], row["code"]): row for row in said["stages"]}


@pytest.mark.parametrize("code", range(16))
def test_every_code_peaks_where_the_independent_solve_does(code, every_code):
    setting = next(s for s in small_signal.SETTINGS if s["codes"] == [code] * 3)
    solved = small_signal.solve(setting, fixtures.listing(setting))
    for stage, peak in enumerate(solved["peaks"], 1):
        printed = every_code[stage, code]
        assert abs(1200.0 * np.log2(printed["peak_hz"] / peak["hertz"])) < 1.0
        assert abs(20.0 * np.log10(printed["gain"] / peak["gain"])) < 0.05
        assert printed["q"] == pytest.approx(peak["q"], rel=5e-3)


@pytest.mark.parametrize("place", range(len(small_signal.SETTINGS)))
def test_the_committed_small_signals_are_those_of_the_list_today(place):
    setting, stood = small_signal.SETTINGS[place], small_signal.read()[place]
    fresh = small_signal.solve(setting, fixtures.listing(setting))
    assert small_signal.difference_db(fresh, stood) < 1e-6
    assert small_signal.cents(fresh, stood) < 1e-2


def test_the_printed_taps_are_those_of_the_chain():
    setting = {"board": None, "set": {}, "codes": [2, 5, 3]}
    said = fixtures.bench("response", *fixtures.arguments(setting), "--json", "--points", "7")
    circuit = small_signal.Circuit(fixtures.listing(setting))
    jack = circuit.inputs.index("in1")
    level = next(e["scale"] for e in circuit.elements if e.get("input") == "in1")
    gains = circuit.response(np.array(said["frequencies_hz"]))[:, :, jack] / level
    for tap, row in zip(gains.T, said["taps"]):
        assert np.abs(20.0 * np.log10(np.abs(tap)) - row["magnitude_db"]).max() < 0.05
