"""`tritank plan` from outside: planned peaks by a dense solve of the planned board's list, and by ear.

By ear: every planned vowel rung by the exciter's pulse, its formants found by linear prediction over the stretches between the
pulses (the covariance method: J. Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63 (1975) 561-580), which knows
nothing of circuits.
"""

import re

import numpy as np
import pytest
from scipy.io import wavfile
from scipy.signal import resample_poly

import fixtures
import small_signal

RATE = 48_000
# Linear prediction at a quarter of the rate: formants end at 3.5 kHz.
SLOWER = 4


@pytest.fixture(scope="module", params=["parallel", "select", "select --wiring 110p --coil 1=0.6H,80R,9@500Hz"])
def plan(request, tmp_path_factory):
    """A plan for the vowels of men and women, and its board's file."""
    board = tmp_path_factory.mktemp("plan") / "planned.toml"
    return fixtures.bench("plan", "--kind", *request.param.split(), "--out", str(board), "--json"), board


def test_planned_peaks_are_those_of_an_independent_solve(plan):
    said, board = plan
    for row in said["codes"][::3]:
        code = ",".join(map(str, row["code"]))
        listing = fixtures.bench("circuit", "--board", str(board), "--code", code)
        solved = small_signal.solve({"board": None, "set": {}, "codes": row["code"]}, listing)
        for peak, planned, q in zip(solved["peaks"], row["planned"], row["q"]):
            assert abs(1200.0 * np.log2(planned / peak["hertz"])) < 1.0
            assert q == pytest.approx(peak["q"], rel=5e-3)


def test_what_the_switches_cost_is_what_an_independent_solve_says(plan, tmp_path):
    said, board = plan
    # The least resistance that a board may have.
    ideal = tmp_path / "ideal.toml"
    text, count = re.subn(r'(?m)^on = "[^"]*"', 'on = "0.1 Ω"', board.read_text())
    assert count == 3
    ideal.write_text(text)
    for row in said["codes"][::3]:
        listing = fixtures.bench("circuit", "--board", str(ideal), "--code", ",".join(map(str, row["code"])))
        solved = small_signal.solve({"board": None, "set": {}, "codes": row["code"]}, listing)
        for peak, q, planned, width in zip(solved["peaks"], row["q_ideal"], row["planned"], row["bandwidth"]):
            assert q == pytest.approx(peak["q"], rel=5e-3)
            # Switches with a resistance only widen a peak.
            assert width > 0.99 * planned / q


def test_no_target_is_farther_off_than_the_plan_says(plan):
    said, _ = plan
    for stage, told in enumerate(said["stages"]):
        off = [abs(1200.0 * np.log2(row["planned"][stage] / row["target"][stage])) for row in said["codes"]]
        assert max(off) == pytest.approx(told["worst_cents"], abs=0.1)
        assert told["proved"] and told["bound_percent"] == pytest.approx(told["worst_percent"], abs=0.01)


def formant(tap, pulse):
    """The frequency that a tap rings at between pulses, hertz: x[n] = a x[n-1] + b x[n-2] + c, least squares."""
    hz = RATE / SLOWER
    quiet = np.abs(pulse) < 1e-3 * np.abs(pulse).max()
    # Half a millisecond behind a pulse, and ahead of it the reach of the low-pass, are left out.
    guard = np.convolve(~quiet, np.ones(49), "same") > 0
    x, free = resample_poly(tap, 1, SLOWER), ~guard[::SLOWER]
    n = np.flatnonzero(free[2:] & free[1:-1] & free[:-2]) + 2
    a, b, _ = np.linalg.lstsq(np.column_stack([x[n - 1], x[n - 2], np.ones(len(n))]), x[n], rcond=None)[0]
    poles = np.roots([1.0, -a, -b])
    return abs(np.angle(poles[0])) * hz / (2.0 * np.pi)


@pytest.mark.parametrize("hertz", [110, 220])
def test_every_planned_vowel_rings_at_its_formants(plan, hertz, tmp_path):
    said, board = plan
    for row in said["codes"]:
        taps = tmp_path / "taps.wav"
        knobs = {
            "exciter.level": 0.05, "exciter.rate": hertz, "stage1.pulse": 1, "stage2.pulse": 1, "stage3.pulse": 1,
            "stage1.main": 0, "stage2.link": 0, "stage3.link": 0,
        }  # fmt: skip
        sets = [word for name, value in knobs.items() for word in ("--set", f"{name}={value}")]
        code = ",".join(map(str, row["code"]))
        fixtures.bench(
            "render", "--board", str(board), "--code", code, *sets, "--seconds", "0.4",
            "--taps", str(taps), "--out", str(tmp_path / "mix.wav"), "--json",
        )  # fmt: skip
        rate, sound = wavfile.read(taps)
        assert rate == RATE
        pulse, *rung = sound[RATE // 10 :].T.astype(float)
        for tap, planned in zip(rung, row["planned"]):
            # A tank with losses does not ring quite where it peaks: by 1/8 Q^2 and less.
            assert formant(tap, pulse) == pytest.approx(planned, rel=0.01), row["vowel"]
