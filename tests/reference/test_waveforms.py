"""The committed solutions against the program and the solver as they are today, in the quick form that every test run takes.

`cargo xtask reference` (`make.py`) solves them whole.
"""

import pytest

import fixtures
from cases import CASES, RATE_HZ

# The first 6 ms hold the fade-in and, where lines move, the first edges.
FRAMES = int(6e-3 * RATE_HZ)
AGREE_DB = -120.0


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_the_listed_circuit_still_has_its_solution(case):
    listing = fixtures.listing(case)
    solved, taps = fixtures.read(case["name"])
    assert {key: solved[key] for key in case} == case, "the case has changed: cargo xtask reference"
    assert fixtures.same_list(listing, solved) is None, "the circuit has changed: cargo xtask reference"
    again = fixtures.solve(case, listing, FRAMES, rtol=3e-10)
    assert fixtures.error_db(again, taps[:FRAMES]) < AGREE_DB


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_two_methods_and_two_tolerances_agreed_on_the_solution(case):
    agreement = fixtures.read(case["name"])[0]["agreement_db"]
    assert {"LSODA 1e-09", "Radau 1e-08"} == set(agreement)
    assert max(agreement.values()) < AGREE_DB
