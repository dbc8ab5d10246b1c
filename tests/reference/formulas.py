"""Inputs and edges given as formulas, which either side can evaluate at any instant.

    input(t) = fade(t) * sum of volts * sin(2 pi (hz t + turns))
    fade(t)  = 0 before `from`, (1 - cos(pi (t - from)/(to - from)))/2 up to `to`, 1 after it      (seconds)
               with four instants: up between the first two, down again between the last two
    input(t) = straight lines between `knots` [seconds, volts], level before the first and after the last

No partial is above 5 kHz, so that no interpolation of a sampled input shows.  A partial of 0 Hz and a quarter turn is a
ramp: a moving sweep is an input like any other, added to the knob's volts.  Knots stand on frames, where the straight
line between two frames, as a knob moves, is the formula itself.
"""

from math import cos, pi
from random import Random

import numpy as np

TOP_HZ = 5000.0


def tones(volts, *hertz, fade=(0.0, 0.004)):
    """Sines of equal size, together peaking at `volts` at most; phases far from any common zero."""
    partials = [[hz, volts / len(hertz), round((0.137 + 0.618034 * n) % 1.0, 4)] for n, hz in enumerate(hertz)]
    return {"partials": partials, "fade": list(fade)}


def organ(volts, *keys, fade=(0.0, 0.004)):
    """Drawbar partials of a few keys, together peaking near `volts`."""
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


def lines(*knots):
    return {"knots": [list(knot) for knot in knots]}


def zigzag(low, high, half, end):
    """Up and down between two voltages, `half` seconds each way."""
    return lines(*((round(n * half, 9), high if n % 2 else low) for n in range(int(end / half) + 2)))


def signal(spec):
    """An input formula as a function of one instant."""
    if "knots" in spec:
        seconds, level = np.array(spec["knots"]).T
        return lambda t: np.interp(t, seconds, level)

    hz, volts, turns = np.array(spec["partials"]).T
    up, *down = zip(spec["fade"][::2], spec["fade"][1::2])

    def at(t):
        fade = _rise(t, *up)
        for back in down:
            fade *= 1.0 - _rise(t, *back)
        return fade * (volts @ np.sin(2.0 * np.pi * (hz * t + turns)))

    return at


def _rise(t, start, end):
    return 0.5 - 0.5 * cos(pi * min(max((t - start) / (end - start), 0.0), 1.0))


def every(frames, *names, start=144, end=2544):
    """Each line in turn flips every `frames` frames: (frame, line)."""
    return [(frame, names[n % len(names)]) for n, frame in enumerate(range(start, end, frames))]


def at_random(seed, count, start, end, *names):
    """Flips of any of the lines on any frames; the first on `start`."""
    random = Random(seed)
    draw = lambda below: int(random.random() * below)
    flips = {(start, names[draw(len(names))])}
    while len(flips) < count:
        flips.add((start + draw(end - start), names[draw(len(names))]))
    return sorted(flips)
