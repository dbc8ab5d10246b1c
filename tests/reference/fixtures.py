"""Fixtures: what a case's circuit does, solved and stored.

    cases.py ──► bench prints the element list ──► nodal + transient at 1.5 MHz ──► low-pass ──► fixtures/NAME.npy, .json

`NAME.npy` holds taps 1-3 in volts (little-endian float32, frames x 3) at 48 kHz, frame n at n/48000 s, the operating
point included.  The low-pass (flat to 20 kHz, 120 dB down from 28 kHz) is there because a tap that a switch or a
clipped junction kicks has content above 24 kHz, which plain samples would fold down; no sampled engine could match it.
`NAME.json` holds the case, the command, the element list that was solved, and how far two tolerances and two
integration methods agree.
"""

import json
import os
import subprocess
from pathlib import Path

import numpy as np
from scipy.signal import firwin, kaiser_beta

from cases import FRAMES, MARGIN, RATE_HZ, inputs, switch_edges
from nodal import Circuit
from transient import waveform

HERE = Path(__file__).parent
FOLDER = HERE / "fixtures"
DENSE = 32
LOW_PASS = firwin(2 * 24 * DENSE + 1, 24e3, window=("kaiser", kaiser_beta(120.0)), fs=RATE_HZ * DENSE)


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


def solve(case, listing, frames=FRAMES + MARGIN, **how):
    """Taps at 48 kHz, low-passed, frames x 3."""
    half = len(LOW_PASS) // 2
    times = np.arange(frames * DENSE + half) / (RATE_HZ * DENSE)
    taps = waveform(lambda on: Circuit(listing, on), inputs(case), switch_edges(case, listing), times, times[1], **how)
    # Before the start it stood at its operating point.
    taps = np.vstack([np.repeat(taps[:1], half, axis=0), taps])
    return np.column_stack([np.convolve(tap, LOW_PASS, "valid")[::DENSE] for tap in taps.T])[:frames]


def error_db(taps, reference):
    """Worst tap's error to signal, RMS over RMS, the operating point not counted as signal.

    A tap that nothing reaches (below a millionth of the loudest) is held against the loudest.
    """
    signal = np.sqrt(np.mean((reference - reference[0]) ** 2, axis=0))
    error = np.sqrt(np.mean((taps - reference) ** 2, axis=0))
    signal = np.where(signal > 1e-6 * signal.max(), signal, signal.max())
    return float(20.0 * np.log10((error / signal).max() + 1e-20))


def read(name):
    return json.loads((FOLDER / f"{name}.json").read_text()), np.load(FOLDER / f"{name}.npy").astype(float)


def write(case, listing, taps, agreement):
    FOLDER.mkdir(exist_ok=True)
    np.save(FOLDER / f"{case['name']}.npy", taps.astype("<f4"))
    fixture = {
        **case,
        "rate_hz": RATE_HZ,
        "frames": FRAMES,
        "margin": MARGIN,
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
