"""A case: a board, where its knobs stand, which lines move when, and inputs given as formulas."""

import numpy as np

from formulas import signal


def case(name, say, inputs, settings=None, codes=(0, 0, 0), flips=(), board=None, rate_hz=48000):
    """`flips` are (frame, line), ascending: each turns its line over.  Frames are the host's, at `rate_hz`."""
    return {
        "name": name,
        "say": say,
        "board": board,
        "rate_hz": rate_hz,
        "set": settings or {},
        "codes": list(codes),
        "edges": _edges(codes, flips),
        "inputs": inputs,
    }


def _edges(codes, flips):
    """[frame, line, on]."""
    on = {f"{stage}.{bit}": bool(code >> bit & 1) for stage, code in enumerate(codes, 1) for bit in range(4)}
    edges = []
    for frame, line in flips:
        on[line] = not on[line]
        edges.append([frame, line, on[line]])
    return edges


def divisor(case):
    """Host frames for one frame of the solution: those of 44.1 kHz and 48 kHz serve all their multiples."""
    return round(case["rate_hz"] / 48000)


def stored_hz(case):
    return case["rate_hz"] // divisor(case)


def judged(case):
    """Frames of the solution over which it is judged: 50 ms from the start, or from the first edge."""
    first = -(-case["edges"][0][0] // divisor(case)) if case["edges"] else 0
    return first, first + stored_hz(case) // 20


def inputs(case):
    """What `transient.waveform` asks for: the vector of named inputs over time, silence where none is given."""

    def of(names):
        driven = [(n, signal(case["inputs"][name])) for n, name in enumerate(names) if name in case["inputs"]]
        assert len(driven) == len(case["inputs"]), f"{case['name']}: the list has only the inputs {names}"

        def at(t):
            values = np.zeros(len(names))
            for n, f in driven:
                values[n] = f(t)
            return values

        return at

    return of


def switch_edges(case, listing):
    """Line edges as edges of switches: line `2.1` is bit 1 of stage 2's code, a switch on `2=5` is on at code 5."""
    positions = [e["line"] for e in listing["elements"] if e["kind"] == "switch" and "=" in e["line"]]
    codes, edges = dict(zip("123", case["codes"])), []
    for frame, line, on in case["edges"]:
        seconds, (stage, bit) = frame / case["rate_hz"], line.split(".")
        codes[stage] = codes[stage] & ~(1 << int(bit)) | on << int(bit)
        multiplexed = [position for position in positions if position[0] == stage]
        if multiplexed:
            edges += [(seconds, position, int(position[2:]) == codes[stage]) for position in multiplexed]
        else:
            edges.append((seconds, line, on))
    return edges
