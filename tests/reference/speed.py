"""How long the general solver takes, for `cargo xtask bench`: prints seconds per second of sound.

The circuit is a fixture's own element list, so nothing needs to be built.  Taps are asked for at host frames only, and
what is prepared once (assembly, operating point) counts with 20 ms of sound; best of three runs.
"""

import os
import time

# As in `make.py`: threads inside tiny matrices only cost.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

import fixtures
from case import inputs
from nodal import Circuit
from transient import waveform

CASE = "driven"
# As accurate there as the engine at its default must be: -82 dB against the fixture (`test_waveforms.py`).
RTOL = 1e-6
SECONDS = 20e-3


def seconds():
    listing, _ = fixtures.read(CASE)
    times = np.arange(round(SECONDS * listing["stored_hz"])) / listing["stored_hz"]
    began = time.perf_counter()
    waveform(lambda on: Circuit(listing, on), inputs(listing), [], times, rtol=RTOL)
    return time.perf_counter() - began


if __name__ == "__main__":
    print(min(seconds() for _ in range(3)) / SECONDS)
