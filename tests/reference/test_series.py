"""Preferred numbers against a package that carries the list of IEC 60063 by itself (`eseries`)."""

import math

import eseries
import pytest

import fixtures


@pytest.mark.parametrize("name", ["E3", "E6", "E12", "E24", "E48", "E96", "E192"])
def test_a_decade_is_as_another_list_has_it(name):
    printed = fixtures.bench("tune", "--series", name, "--json")["numbers"]
    assert printed == list(eseries.series(getattr(eseries, name)))


@pytest.mark.parametrize("name", ["E6", "E12", "E24", "E96"])
@pytest.mark.parametrize("hertz", [317.0, 1130.0, 2600.0, 4200.0, 7777.0])
def test_the_one_part_of_a_tank_is_the_nearer_of_its_neighbours_there(name, hertz):
    told = fixtures.bench("tune", "--l", "80m", "--f", str(hertz), "--series", name, "--json")
    (one,) = [fit["value"] for fit in told["fits"] if fit["wiring"] == "one"]
    key, wanted = getattr(eseries, name), told["c_farads"]
    beside = eseries.find_less_than_or_equal(key, wanted), eseries.find_greater_than(key, wanted)
    # Nearer in ratio, which is nearer in cents.
    assert one == pytest.approx(min(beside, key=lambda farads: abs(math.log(farads / wanted))), rel=1e-9)
