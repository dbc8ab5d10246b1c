"""Makes the reference solutions anew: `cargo xtask reference`, or

    TRITANK_BENCH=target/release/tritank python tests/reference/make.py [--keep] [--jobs N] [CASE ...]

Needs numpy and scipy; ten minutes on two cores.  Every case is solved by LSODA at 1e-11.  Up to 8 ms after its start
or first edge it is held against LSODA at 1e-10 and Radau at 1e-8 (the two methods share only the equations), then as a
whole against the fixture that stood; a table tells how far each agrees.  `--keep` writes nothing and fails when a
fixture that stands is more than -120 dB off.
"""

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor

# One process a case: threads inside tiny matrices only cost.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import fixtures
import small_signal
from case import judged, stored_hz
from cases import CASES

AGREE_DB = -120.0
SHORT_SECONDS = 8e-3


def make(case, keep):
    began = time.monotonic()
    listing = fixtures.listing(case)
    taps = fixtures.solve(case, listing, fixtures.frames(case))
    short = judged(case)[0] + int(SHORT_SECONDS * stored_hz(case))
    others = {
        f"{method} {rtol:.0e}": fixtures.solve(case, listing, short, method=method, rtol=rtol)
        for method, rtol in (("LSODA", 1e-10), ("Radau", 1e-8))
    }
    agreement = {how: round(fixtures.error_db(other, taps[: len(other)]), 1) for how, other in others.items()}
    try:
        stood, old = fixtures.read(case["name"])
        off = fixtures.error_db(old, taps) if old.shape == taps.shape else 0.0
        changed = fixtures.same_list(listing, stood)
    except FileNotFoundError:
        off, changed = None, "new"
    if not keep:
        fixtures.write(case, listing, taps, agreement)
    return case["name"], agreement, off, changed, time.monotonic() - began


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--keep", action="store_true", help="write nothing, compare")
    parser.add_argument("--jobs", type=int, help="how many at once; as many as there are cores when left out")
    parser.add_argument("cases", nargs="*", metavar="CASE", help="only these; all when left out")
    given = parser.parse_args()
    unknown = set(given.cases) - {case["name"] for case in CASES}
    if unknown:
        parser.error(f"no case {', '.join(unknown)}; there are {', '.join(case['name'] for case in CASES)}")
    chosen = [case for case in CASES if not given.cases or case["name"] in given.cases]

    good = True
    print(f"{'case':22} {'LSODA 1e-10':>11} {'Radau 1e-8':>11} {'as stood':>9} {'seconds':>8}")
    with ProcessPoolExecutor(given.jobs) as pool:
        for name, agreement, off, changed, seconds in pool.map(make, chosen, [given.keep] * len(chosen)):
            loose, radau = agreement.values()
            stood = "new" if off is None else f"{off:.0f} dB"
            print(f"{name:22} {loose:8.0f} dB {radau:8.0f} dB {stood:>9} {seconds:8.1f}", flush=True)
            good &= max(agreement.values()) < AGREE_DB and not (given.keep and (off is None or off > AGREE_DB))
            if changed and off is not None:
                print(f"  the list has changed: {changed}")
    if not given.cases:
        good &= small_signal.make(given.keep)
    if not good:
        sys.exit(f"a solution is not settled to {AGREE_DB:.0f} dB, or a fixture that stands is off by more")


if __name__ == "__main__":
    main()
