"""Fixtures: what a case's circuit does, solved and stored.

    cases.py ──► bench prints the element list ──► nodal + transient at 6 MHz ──► low-pass ──► fixtures/NAME.npy, .json

`NAME.npy` holds taps 1-3 in volts from where they rest (little-endian float32, frames x 3), frame n at n/stored_hz
seconds; stored_hz is 44.1 or 48 kHz, of which the case's own rate is a multiple.  The low-pass (flat to 20 kHz, 140 dB
down from where samples would fold below 20 kHz again) is there because a tap that a switch or a clipped junction kicks
has content far above, which no sampled engine could match.
`NAME.json` holds the case, the command, the element list that was solved, where the taps rest, the frames that are
judged, and how far two tolerances and two integration methods agree.
"""

import json
import os
import subprocess
from functools import cache
from pathlib import Path

import numpy as np
from scipy.signal import fftconvolve, firwin, kaiserord

from case import inputs, judged, stored_hz, switch_edges
from nodal import Circuit
from transient import waveform

HERE = Path(__file__).parent
FOLDER = HERE / "fixtures"
# Instants solved per frame.  The fastest share of charge takes 0.4 us; sums over instants 0.16 us apart are its
# integral to -140 dB (Euler and Maclaurin's next term).
DENSE = 128
# Frames beyond those judged, for the low-pass that both sides are compared under.
MARGIN = 72
PASS_HZ = 20e3


@cache
def low_pass(hz):
    """Of instants that stand DENSE to a frame at `hz`; half of it is whole frames."""
    count, beta = kaiserord(140.0, (hz - 2.0 * PASS_HZ) / (hz * DENSE / 2.0))
    half = -(-count // (2 * DENSE)) * DENSE
    return firwin(2 * half + 1, hz / 2.0, window=("kaiser", beta), fs=hz * DENSE)


def arguments(case):
    """What `tritank` is asked for, relative to this folder."""
    board = ["--board", f"boards/{case['board']}.toml"] if case["board"] else []
    knobs = [word for name, value in case["set"].items() for word in ("--set", f"{name}={value}")]
    return [*board, *knobs, "--code", ",".join(map(str, case["codes"]))]


def bench(*words):
    """What the bench program, named by TRITANK_BENCH, prints as JSON."""
    said = subprocess.run([Path(os.environ["TRITANK_BENCH"]).resolve(), *words], cwd=HERE, capture_output=True, text=True)
    if said.returncode:
        raise RuntimeError(f"{' '.join(words)}: {said.stderr.strip()}")
    return json.loads(said.stdout)


def listing(case):
    return bench("circuit", *arguments(case))


def frames(case):
    """All that are stored."""
    return judged(case)[1] + MARGIN


def solve(case, listing, frames, **how):
    """That many frames of the taps, low-passed, frames x 3."""
    rate, kernel = stored_hz(case) * DENSE, low_pass(stored_hz(case))
    half = len(kernel) // 2
    times = np.arange(frames * DENSE + half) / rate
    edges = switch_edges(case, listing)
    taps = waveform(lambda on: Circuit(listing, on), inputs(case), edges, times, times[1], **how)
    # Before the start it stood at its operating point.
    taps = np.vstack([np.repeat(taps[:1], half, axis=0), taps])
    return np.column_stack([fftconvolve(tap, kernel, "valid")[::DENSE] for tap in taps.T])[:frames]


def error_db(taps, reference):
    """Worst tap's error to signal, RMS over RMS, the operating point not counted as signal.

    A tap that nothing reaches (below a millionth of the loudest) is held against the loudest.
    """
    signal = np.sqrt(np.mean((reference - reference[0]) ** 2, axis=0))
    error = np.sqrt(np.mean((taps - reference) ** 2, axis=0))
    signal = np.where(signal > 1e-6 * signal.max(), signal, signal.max())
    return float(20.0 * np.log10((error / signal).max() + 1e-20))


def read(name):
    solved = json.loads((FOLDER / f"{name}.json").read_text())
    return solved, np.load(FOLDER / f"{name}.npy").astype(float) + solved["rest_volts"]


def write(case, listing, taps, agreement):
    FOLDER.mkdir(exist_ok=True)
    np.save(FOLDER / f"{case['name']}.npy", (taps - taps[0]).astype("<f4"))
    fixture = {
        **case,
        "stored_hz": stored_hz(case),
        "judged": judged(case),
        "margin": MARGIN,
        "rest_volts": taps[0].tolist(),
        "command": " ".join(["tritank circuit", *arguments(case)]),
        "agreement_db": agreement,
        **listing,
    }
    (FOLDER / f"{case['name']}.json").write_text(one_line_an_item(fixture))


def one_line_an_item(record):
    """JSON that a difference can be read in: one line a key, one line an item of a list of objects or lists."""
    rows = []
    for key, value in record.items():
        if isinstance(value, list) and value and isinstance(value[0], dict | list):
            text = "[\n  " + ",\n  ".join(json.dumps(item, ensure_ascii=False) for item in value) + "\n ]"
        else:
            text = json.dumps(value, ensure_ascii=False)
        rows.append(f" {json.dumps(key)}: {text}")
    return "{\n" + ",\n".join(rows) + "\n}\n"


def same_list(one, other):
    """Whether two element lists are the same circuit, up to rounding; the first difference in words, or None."""
    if one["taps"] != other["taps"]:
        return f"taps: {one['taps']} against {other['taps']}"
    mine, theirs = ({e["name"]: e for e in listing["elements"]} for listing in (one, other))
    if mine.keys() != theirs.keys():
        return f"elements in only one list: {sorted(mine.keys() ^ theirs.keys())}"
    for name, element in mine.items():
        for key in element.keys() | theirs[name].keys():
            a, b = element.get(key), theirs[name].get(key)
            close = isinstance(a, float) and isinstance(b, float | int) and abs(a - b) <= 1e-9 * abs(a)
            if a != b and not close:
                return f"{name}.{key}: {a} against {b}"
    return None
