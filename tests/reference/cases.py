"""The cases: a board, where its knobs stand, which lines move when, and inputs given as formulas.

    input(t) = fade(t) * sum of volts * sin(2 pi (hz t + turns))
    fade(t)  = 0 before `from`, (1 - cos(pi (t - from)/(to - from)))/2 up to `to`, 1 after it      (seconds)

Both sides evaluate these at any instant.  Nothing is above 3 kHz, so that no interpolation of a sampled input shows.
A partial of 0 Hz and a quarter turn is a ramp: a moving sweep is an input like any other, added to the knob's volts.
"""

import numpy as np

RATE_HZ = 48000
FRAMES = 2400
# Reached by the reference beyond the last frame, for the low-pass that both sides are compared under.
MARGIN = 48


def organ(volts, *keys, fade=(0.0, 0.004)):
    """Drawbar partials of a few keys, together peaking near `volts`; phases far from any common zero."""
    drawbars = ((0.5, 0.6), (1.0, 1.0), (1.5, 0.5), (2.0, 0.7), (3.0, 0.4), (4.0, 0.5), (6.0, 0.25), (8.0, 0.3))
    partials = [
        [round(key * ratio, 3), level, round((0.137 + 0.618034 * (7 * n + m)) % 1.0, 4)]
        for n, key in enumerate(keys)
        for m, (ratio, level) in enumerate(drawbars)
        if key * ratio <= 3000.0
    ]
    # Sines of unrelated phase peak at about twice their joint RMS.
    joint = sum(level**2 / 2.0 for _, level, _ in partials) ** 0.5
    for partial in partials:
        partial[1] = round(partial[1] * volts / (2.0 * joint), 6)
    return {"partials": partials, "fade": list(fade)}


def ramp(volts, start, end):
    return {"partials": [[0.0, volts, 0.25]], "fade": [start, end]}


def every(frames, *lines, start=144):
    """Each line in turn flips every `frames` frames: [frame, line, on]."""
    on, edges = dict.fromkeys(lines, False), []
    for n, frame in enumerate(range(start, FRAMES, frames)):
        line = lines[n % len(lines)]
        on[line] = not on[line]
        edges.append([frame, line, on[line]])
    return edges


A, C, E, G = 220.0, 261.626, 329.628, 391.995
CHORD = (A, C * 2, E)
OPEN = {f"stage{n}.sweep": volts for n, volts in ((1, "1.05 V"), (2, "1.1 V"), (3, "1.0 V"))}


def case(name, say, inputs, settings=None, codes=(0, 0, 0), edges=(), board=None):
    return {
        "name": name,
        "say": say,
        "board": board,
        "set": settings or {},
        "codes": list(codes),
        "edges": [list(edge) for edge in edges],
        "inputs": inputs,
    }


CASES = [
    case("clean", "well below clipping", {"in1": organ(0.1, *CHORD)}, codes=(2, 5, 1)),
    case("driven", "bus swings through cut-off", {"in1": organ(2.5, *CHORD)}, codes=(4, 2, 3)),
    case("hard", "20 dB past clipping", {"in1": organ(10.0, *CHORD)}, {"stage1.main": "0.2"}, (1, 6, 8)),
    case("starved", "a flat battery", {"in1": organ(2.5, *CHORD)}, {"unit.supply": "1.5 V"}, (2, 1, 4)),
    case("high-supply", "9 V", {"in1": organ(8.0, *CHORD)}, {"unit.supply": "9 V"}, (3, 0, 2)),
    case("hot", "45 degrees: gain, leakage", {"in1": organ(2.5, *CHORD)}, {"unit.temperature": "45 °C"}, (8, 3, 0)),
    case("cold", "5 degrees", {"in1": organ(2.5, *CHORD)}, {"unit.temperature": "5 °C"}, (5, 9, 6)),
    case("sweep-half-open", "channels distort on their way", {"in1": organ(2.0, *CHORD)}, OPEN, (0, 2, 1)),
    case(
        "sweep-moving",
        "gates rise while the chord sounds",
        {
            "in1": organ(1.5, *CHORD),
            "sweep1": ramp(1.6, 0.005, 0.045),
            "sweep2": ramp(2.0, 0.010, 0.050),
            "sweep3": ramp(1.2, 0.002, 0.030),
        },
        {"stage3.sweep": "0.5 V"},
        (1, 0, 0),
    ),
    case("coupled", "2 nF between tanks 1 and 2", {"in1": organ(2.0, *CHORD)}, codes=(0, 8, 2), board="coupled"),
    case(
        "coupled-switching",
        "one joined system, lines of both tanks moving",
        {"in1": organ(1.5, C, G)},
        edges=every(168, "1.0", "2.3", "1.2", "2.1"),
        board="coupled",
    ),
    case(
        "select",
        "a multiplexer on stage 2, positions changing",
        {"in1": organ(1.0, C, E, G), "in2": organ(1.0, A * 2, E * 2)},
        codes=(1, 3, 2),
        edges=[[480, "2.0", False], [960, "2.2", True], [1200, "2.1", False], [1800, "2.0", True]],
        board="select",
    ),
    case("stage-2-alone", "jack of stage 2 only", {"in2": organ(3.0, C * 2, G * 2)}, codes=(0, 4, 1)),
    case("stage-3-alone", "jack of stage 3 only", {"in3": organ(4.0, E * 2, A * 4)}, codes=(0, 0, 5)),
    case(
        "every-stage",
        "three chords into three jacks",
        {"in1": organ(1.5, C, E), "in2": organ(1.0, G * 2, A), "in3": organ(1.2, E * 2)},
        {"stage2.link": "0.2", "stage3.link": "0.15", "stage2.main": "0.05", "stage3.main": "0.03"},
        (7, 3, 9),
    ),
    case(
        "overdriven",
        "the input stage clips first",
        {"in1": organ(0.8, *CHORD)},
        {"input.overdriven": "on", "input.drive": "1", "stage1.main": "0.15"},
        (2, 2, 2),
    ),
    case("saturable-coil", "coils past their flux", {"in1": organ(4.0, *CHORD)}, codes=(6, 1, 0), board="saturable"),
    case(
        "bleed",
        "idle capacitors kept near the tank, lines moving",
        {"in1": organ(1.5, *CHORD)},
        {"click.bleed": "on"},
        edges=every(160, "1.1", "2.0", "3.1", "1.3", "2.2", "3.3"),
    ),
    case(
        "switching",
        "driven, a line every 3 ms",
        {"in1": organ(1.5, *CHORD)},
        edges=every(144, "1.0", "2.1", "3.0", "1.2", "2.3", "3.2"),
    ),
    case(
        "switching-together",
        "several lines on one frame, and on neighbouring frames",
        {"in1": organ(2.0, C, A), "in3": organ(1.0, E * 2)},
        codes=(5, 0, 3),
        edges=[
            *[[240, line, on] for line, on in (("1.0", False), ("1.1", True), ("2.0", True), ("2.2", True))],
            [241, "3.0", False],
            [242, "3.2", True],
            [960, "1.3", True],
            [961, "1.3", False],
            *[[1440, line, on] for line, on in (("1.1", False), ("2.0", False), ("3.1", False), ("3.3", True))],
        ],
    ),
    case(
        "switching-swept",
        "lines move over half-open channels without a body diode",
        {"in1": organ(1.5, *CHORD)},
        OPEN,
        edges=every(200, "1.1", "3.1", "2.1"),
        board="bare-channel",
    ),
    case(
        "charge",
        "each edge pushes 300 pC into its tank",
        {"in1": organ(0.3, *CHORD)},
        edges=every(240, "1.0", "2.0", "3.0"),
        board="charged",
    ),
]


def signal(spec):
    """An input formula as a function of one instant."""
    hz, volts, turns = np.array(spec["partials"]).T
    start, end = spec["fade"]

    def at(t):
        fade = 0.5 - 0.5 * np.cos(np.pi * min(max((t - start) / (end - start), 0.0), 1.0))
        return fade * (volts @ np.sin(2.0 * np.pi * (hz * t + turns)))

    return at


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
    """Line edges as edges of single switches: line `2.1` is bit 1 of stage 2's code, a switch on `2=5` is on at code 5."""
    positions = [e["line"] for e in listing["elements"] if e["kind"] == "switch" and "=" in e["line"]]
    codes, edges = dict(zip("123", case["codes"])), []
    for frame, line, on in sorted(case["edges"], key=lambda edge: edge[0]):
        seconds, (stage, bit) = frame / RATE_HZ, line.split(".")
        codes[stage] = codes[stage] & ~(1 << int(bit)) | on << int(bit)
        multiplexed = [position for position in positions if position[0] == stage]
        if multiplexed:
            edges += [(seconds, position, int(position[2:]) == codes[stage]) for position in multiplexed]
        else:
            edges.append((seconds, line, on))
    return edges
