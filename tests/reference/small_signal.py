"""Small signals by dense complex solve of the element list: every code of every stage, and the chain under settings.

    fixtures/response.json: per setting the peak of each stage alone (frequency, gain, Q: frequency over -3 dB width)
    and the chain's three taps, per volt on stage 1's bus, at fixed frequencies and at the peaks
"""

import json

import numpy as np
from scipy.optimize import brentq, minimize_scalar

import fixtures
from nodal import Circuit

FILE = fixtures.FOLDER / "response.json"
HERTZ = [30.0, 100.0, 220.0, 350.0, 500.0, 700.0, 1000.0, 1400.0, 2000.0, 2700.0, 3500.0, 6000.0, 12000.0]

LINKS = ("g12", "g23")

# Every code of every stage, stages in step; then whatever moves the operating point or the list.
SETTINGS = [
    *({"board": None, "set": {}, "codes": [code] * 3} for code in range(16)),
    {"board": None, "set": {"unit.supply": "1.5 V"}, "codes": [3, 5, 9]},
    {"board": None, "set": {"unit.supply": "9 V"}, "codes": [1, 2, 4]},
    {"board": None, "set": {"unit.temperature": "45 °C"}, "codes": [6, 0, 1]},
    {"board": None, "set": {f"stage{n}.sweep": "1.2 V" for n in (1, 2, 3)}, "codes": [0, 0, 0]},
    {"board": None, "set": {"click.bleed": "on", "stage2.link": "0.5", "stage3.link": "-0.3"}, "codes": [8, 4, 2]},
    {"board": "coupled", "set": {}, "codes": [0, 8, 1]},
    {"board": "select", "set": {}, "codes": [2, 5, 3]},
    {"board": "saturable", "set": {}, "codes": [4, 1, 7]},
]


def solve(setting, listing):
    """One record: the setting, peaks and taps."""
    elements, circuit = listing["elements"], Circuit(listing)
    x = circuit.operating_point()
    level = {e["input"]: e["scale"] for e in elements if e["kind"] == "source" and e.get("input")}
    # A stage alone: the buffered links into the next bus are silent, everything soldered stays.
    alone = Circuit({**listing, "elements": [{**e, "gain": 0.0} if e["name"] in LINKS else e for e in elements]})
    grid = np.geomspace(150.0, 6000.0, 300)
    coarse = np.abs(alone.response(grid, x))
    peaks = []
    for tap, name in enumerate(("in1", "in2", "in3")):
        jack = alone.inputs.index(name)
        gain = lambda f: abs(alone.response(f, x)[0, tap, jack]) / level[name]
        top = int(coarse[:, tap, jack].argmax())
        found = minimize_scalar(
            lambda f: -gain(f), bounds=(grid[top - 1], grid[top + 1]), method="bounded", options={"xatol": 1e-6}
        )
        half = lambda f: gain(f) + found.fun * np.sqrt(0.5)
        upper, lower = (found.x * step ** next(n for n in range(1, 99) if half(found.x * step**n) < 0.0) for step in (1.05, 1 / 1.05))
        width = brentq(half, found.x, upper) - brentq(half, lower, found.x)
        peaks.append({"hertz": found.x, "gain": -found.fun, "q": found.x / width})
    hertz = HERTZ + [peak["hertz"] for peak in peaks]
    taps = circuit.response(hertz, x)[:, :, circuit.inputs.index("in1")] / level["in1"]
    rows = [{"hertz": f, "taps": [[tap.real, tap.imag] for tap in row]} for f, row in zip(hertz, taps)]
    return {**setting, "peaks": peaks, "chain": rows}


def read():
    return json.loads(FILE.read_text())["settings"]


def difference_db(one, other):
    """Largest difference of any tap or peak of two records, dB."""
    gains = lambda record: np.array(
        [[complex(*tap) for tap in row["taps"]] for row in record["chain"][: len(HERTZ)]]
        + [[complex(peak["gain"]) for peak in record["peaks"]]]
    )
    return float(np.abs(20.0 * np.log10(np.abs(gains(one) / gains(other)))).max())


def cents(one, other):
    """Largest difference between the peaks of two records."""
    return max(abs(1200.0 * np.log2(a["hertz"] / b["hertz"])) for a, b in zip(one["peaks"], other["peaks"]))


def make(keep):
    """Writes the file, or with `keep` only holds what stands against a new solution; true when they agree."""
    fresh = [solve(setting, fixtures.listing(setting)) for setting in SETTINGS]
    good = True
    if FILE.exists() and len(read()) == len(fresh):
        worst = max(difference_db(a, b) for a, b in zip(fresh, read()))
        print(f"small signals: {len(fresh)} settings, within {worst:.1e} dB of what stood")
        good = worst < 1e-6
    if not keep:
        FILE.write_text(fixtures.one_line_an_item({"settings": fresh}))
    return good or not keep
