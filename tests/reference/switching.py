"""Cases whose lines move: in turn, together, at random and at audio rate, over tanks that sound or ring."""

from case import case
from formulas import at_random, every, organ, zigzag
from steady import A, C, CHORD, E, G, OPEN, sweeps, unit

LINES = tuple(f"{stage}.{bit}" for stage in (1, 2, 3) for bit in range(4))
# Up, held, and down again before the lines move: what sounds then is the tanks.
BURST = (0.0, 0.003, 0.006, 0.009)

IN_TURN = [
    case(
        "switching",
        "driven, a line every 3 ms",
        {"in1": organ(1.5, *CHORD)},
        flips=every(144, "1.0", "2.1", "3.0", "1.2", "2.3", "3.2"),
    ),
    case(
        "switching-together",
        "several lines on one frame, and on neighbouring frames",
        {"in1": organ(2.0, C, A), "in3": organ(1.0, E * 2)},
        codes=(5, 0, 3),
        flips=[
            *[(240, line) for line in ("1.0", "1.1", "2.0", "2.2")],
            (241, "3.0"),
            (242, "3.2"),
            (960, "1.3"),
            (961, "1.3"),
            *[(1440, line) for line in ("1.1", "2.0", "3.1", "3.3")],
        ],
    ),
    case(
        "switching-swept",
        "lines move over half-open channels without a body diode",
        {"in1": organ(1.5, *CHORD)},
        OPEN,
        flips=every(200, "1.1", "3.1", "2.1"),
        board="bare-channel",
    ),
    case(
        "coupled-switching",
        "one joined system, lines of both tanks moving",
        {"in1": organ(1.5, C, G)},
        flips=every(168, "1.0", "2.3", "1.2", "2.1"),
        board="coupled",
    ),
    case(
        "bleed",
        "idle capacitors kept near the tank, lines moving",
        {"in1": organ(1.5, *CHORD)},
        {"click.bleed": "on"},
        flips=every(160, "1.1", "2.0", "3.1", "1.3", "2.2", "3.3"),
    ),
    case(
        "charge",
        "each edge pushes 300 pC into its tank",
        {"in1": organ(0.3, *CHORD)},
        flips=every(240, "1.0", "2.0", "3.0"),
        board="charged",
    ),
    case(
        "switching-ringing",
        "lines move while the tanks ring out",
        {"in1": organ(6.0, *CHORD, fade=BURST), "in3": organ(2.0, E * 2, fade=BURST)},
        codes=(1, 2, 4),
        flips=every(96, "1.1", "2.2", "3.1", "2.0", "1.0", start=456, end=2856),
    ),
    case(
        "select",
        "a multiplexer on stage 2, positions changing",
        {"in1": organ(1.0, C, E, G), "in2": organ(1.0, A * 2, E * 2)},
        codes=(1, 3, 2),
        flips=[(480, "2.0"), (960, "2.2"), (1200, "2.1"), (1800, "2.0")],
        board="select",
    ),
]

AT_RANDOM = [
    case(
        "random",
        "any line on any frame",
        {"in1": organ(2.0, *CHORD)},
        codes=(6, 9, 3),
        flips=at_random(1, 40, 171, 2571, *LINES),
    ),
    case(
        "random-hard",
        "the same far past clipping",
        {"in1": organ(10.0, *CHORD), "in2": organ(3.0, G)},
        flips=at_random(2, 40, 190, 2395, *LINES),
        rate_hz=44100,
    ),
    case(
        "random-coupled",
        "15 nF between tanks 1 and 2",
        {"in1": organ(2.5, *CHORD)},
        codes=(2, 12, 8),
        flips=at_random(3, 40, 333, 5133, *LINES[:8]),
        board="coupled-strongly",
        rate_hz=96000,
    ),
    case(
        "random-swept",
        "gates go up and down meanwhile",
        {
            "in1": organ(2.0, *CHORD),
            "sweep1": zigzag(0.0, 0.6, 0.005, 0.06),
            "sweep2": zigzag(0.0, 0.6, 0.01, 0.06),
        },
        sweeps(0.8, 0.8, 1.05),
        (1, 1, 1),
        flips=at_random(4, 30, 157, 2557, *LINES),
    ),
    case(
        "random-multiplexed",
        "a multiplexer on each stage, channels half open",
        {"in1": organ(2.0, *CHORD), "in2": organ(1.0, A * 2), "in3": organ(1.0, E * 2)},
        OPEN,
        (5, 2, 1),
        flips=at_random(5, 30, 911, 10511, *LINES[:7], *LINES[8:10]),
        board="multiplexed",
        rate_hz=192000,
    ),
    case(
        "random-flat-hot",
        "1.2 V, 50 degrees",
        {"in1": organ(2.0, *CHORD)},
        unit(1.2, 50),
        (0, 15, 5),
        flips=at_random(6, 40, 149, 2549, *LINES),
    ),
    case(
        "random-overdriven",
        "the input stage clips, 9 V",
        {"in1": organ(1.5, *CHORD)},
        {**unit(9), "input.overdriven": "on", "input.drive": "1"},
        (3, 0, 12),
        flips=at_random(7, 40, 601, 9421, *LINES),
        rate_hz=176400,
    ),
    case(
        "random-saturable",
        "coils past their flux",
        {"in1": organ(4.0, *CHORD)},
        codes=(7, 11, 14),
        flips=at_random(8, 40, 203, 2603, *LINES),
        board="saturable",
    ),
]

AT_AUDIO_RATE = [
    case(
        "toggling-1-khz",
        "a line of the first stage to and fro",
        {"in1": organ(2.0, *CHORD)},
        codes=(1, 2, 1),
        flips=every(24, "1.2"),
    ),
    case(
        "toggling-4-khz",
        "a line of stage 2 over a chord from two jacks",
        {"in1": organ(1.5, C, G), "in2": organ(1.5, A * 2)},
        codes=(2, 0, 5),
        flips=every(12, "2.1", start=420, end=5220),
        rate_hz=96000,
    ),
    case(
        "toggling-11-khz",
        "every other frame in stage 1, 7 kHz in stage 3",
        {"in1": organ(2.0, *CHORD), "in3": organ(1.0, E * 2)},
        flips=sorted(every(2, "1.1", start=190, end=2395) + every(3, "3.2", start=191, end=2395)),
        rate_hz=44100,
    ),
    case(
        "toggling-coupled",
        "5 and 4 kHz, joined tanks",
        {"in1": organ(2.0, *CHORD)},
        codes=(0, 3, 0),
        flips=sorted(every(9, "1.0", start=270, end=4680) + every(11, "2.3", start=281, end=4680)),
        board="coupled",
        rate_hz=88200,
    ),
    case(
        "toggling-ringing",
        "2 kHz while the tanks ring out",
        {"in1": organ(6.0, *CHORD, fade=BURST), "in2": organ(3.0, G * 2, fade=BURST)},
        flips=sorted(every(12, "1.0", start=456, end=2856) + every(12, "2.2", start=460, end=2856)),
    ),
    case(
        "toggling-bled",
        "3 kHz with bleed and 300 pC an edge",
        {"in1": organ(2.0, *CHORD)},
        {"click.bleed": "on"},
        flips=every(4, "1.0", "2.1"),
        board="charged",
    ),
    case(
        "stepping-multiplexed",
        "positions of all three stages, six a millisecond",
        {"in1": organ(2.0, *CHORD), "in2": organ(1.0, A * 2)},
        flips=every(8, "1.0", "2.1", "3.0", "1.2", "2.0", "3.1", "1.1", "2.2"),
        board="multiplexed",
    ),
    case(
        "stepping-charged",
        "a multiplexer that pushes 100 pC, four steps a millisecond, by way of the open position",
        {"in1": organ(1.0, *CHORD)},
        codes=(1, 0, 2),
        flips=every(12, "2.0", "2.1", "2.2", "2.1"),
        board="select-charged",
    ),
]

SWITCHING = [*IN_TURN, *AT_RANDOM, *AT_AUDIO_RATE]
