"""The committed solutions against the program and the solver as they are today, in the quick form of every test run.

`cargo xtask reference` (`make.py`) solves them whole.
"""

import pytest

import fixtures
import speed
from case import judged, stored_hz
from cases import CASES

# The start holds the fade-in; where lines move, the first edges come on top.
SECONDS = 2.5e-3
AGREE_DB = -120.0


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_the_listed_circuit_still_has_its_solution(case):
    listing = fixtures.listing(case)
    solved, taps = fixtures.read(case["name"])
    assert {key: solved[key] for key in case} == case, "the case has changed: cargo xtask reference"
    assert fixtures.same_list(listing, solved) is None, "the circuit has changed: cargo xtask reference"
    frames = judged(case)[0] + int(SECONDS * stored_hz(case))
    again = fixtures.solve(case, listing, frames, rtol=1e-10)
    assert fixtures.error_db(again, taps[:frames]) < AGREE_DB


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_two_methods_and_two_tolerances_agreed_on_the_solution(case):
    solved, taps = fixtures.read(case["name"])
    assert len(taps) == fixtures.frames(case) and tuple(solved["judged"]) == judged(case)
    assert {"LSODA 1e-10", "Radau 1e-08"} == set(solved["agreement_db"])
    assert max(solved["agreement_db"].values()) < AGREE_DB


def test_the_solver_that_is_timed_is_as_accurate_as_the_engine_must_be_at_its_default():
    solved, taps = fixtures.read(speed.CASE)
    frames = round(speed.SECONDS * stored_hz(solved))
    timed = fixtures.solve(solved, solved, frames, rtol=speed.RTOL)
    assert -85.0 < fixtures.error_db(timed, taps[:frames]) < -80.0
