"""Cases whose lines stand still: every way to drive, feed, warm, tune and join the stages."""

from case import case
from formulas import lines, organ, ramp, tones, zigzag

A, C, E, G = 220.0, 261.626, 329.628, 391.995
CHORD = (A, C * 2, E)
LOW = (A / 4, E / 4, C / 2)


def sweeps(*volts):
    return {f"stage{n}.sweep": f"{v} V" for n, v in enumerate(volts, 1)}


def unit(supply=None, celsius=None):
    volts = {"unit.supply": f"{supply} V"} if supply else {}
    return volts if celsius is None else {**volts, "unit.temperature": f"{celsius} °C"}


OPEN = sweeps(1.05, 1.1, 1.0)

DRIVE = [
    case("whisper", "forty dB below clipping", {"in1": organ(0.02, *CHORD)}, codes=(9, 10, 11)),
    case("clean", "well below clipping", {"in1": organ(0.1, *CHORD)}, codes=(2, 5, 1)),
    case("knee", "peaks just reach cut-off", {"in1": organ(1.0, *CHORD)}, codes=(10, 7, 12)),
    case("driven", "bus swings through cut-off", {"in1": organ(2.5, *CHORD)}, codes=(4, 2, 3)),
    case("ten-past", "10 dB past clipping", {"in1": organ(6.0, *CHORD)}, codes=(11, 11, 5), rate_hz=96000),
    case("fourteen-past", "14 dB past", {"in1": organ(10.0, *CHORD)}, codes=(12, 12, 13), rate_hz=44100),
    case("hard", "19 dB past", {"in1": organ(10.0, *CHORD)}, {"stage1.main": "0.2"}, (1, 6, 8)),
    case(
        "twenty-past",
        "20 dB past clipping in stage 1, and far past in stage 2",
        {"in1": organ(24.0, *CHORD)},
        {"stage2.main": "0.05"},
        (13, 13, 7),
    ),
]

SUPPLY_AND_HEAT = [
    case("flat-cold", "two cells at their end, freezing", {"in1": organ(1.5, *CHORD)}, unit(1.2, 0), (14, 14, 14)),
    case("flat-hot", "the same, hot", {"in1": organ(3.0, *CHORD)}, unit(1.2, 50), (15, 15, 15), rate_hz=44100),
    case("starved", "a flat battery", {"in1": organ(2.5, *CHORD)}, unit(1.5), (2, 1, 4)),
    case("two-volts", "2 V", {"in1": organ(2.0, C, G), "in3": organ(1.0, E * 2)}, unit(2, 10), (9, 1, 10)),
    case("four-volts-and-a-half", "three cells", {"in1": tones(6.0, 660.0, 1730.0, 4400.0)}, unit(4.5, 20), (0, 10, 9)),
    case("six-volts", "four cells, warm", {"in1": organ(8.0, *CHORD)}, unit(6, 40), (6, 5, 12), rate_hz=192000),
    case("high-supply", "9 V", {"in1": organ(8.0, *CHORD)}, unit(9), (3, 0, 2)),
    case(
        "high-supply-hard",
        "9 V, 20 dB past clipping",
        {"in1": organ(14.0, *CHORD)},
        {**unit(9), "stage1.main": "0.5"},
        (10, 6, 14),
        rate_hz=88200,
    ),
    case("freezing", "0 degrees", {"in1": organ(3.0, C, E), "in2": organ(1.5, G * 2)}, unit(celsius=0), (7, 8, 6)),
    case("cold", "5 degrees", {"in1": organ(2.5, *CHORD)}, unit(celsius=5), (5, 9, 6)),
    case("hot", "45 degrees: gain, leakage", {"in1": organ(2.5, *CHORD)}, unit(celsius=45), (8, 3, 0)),
    case("fifty", "50 degrees, far past clipping", {"in1": organ(9.0, *CHORD)}, unit(celsius=50), (4, 15, 11)),
]

SWEEP = [
    case("sweep-threshold", "channels hardly conduct", {"in1": organ(2.0, *CHORD)}, sweeps(0.8, 0.9, 0.85), (2, 4, 1)),
    case("sweep-half-open", "channels distort on their way", {"in1": organ(2.0, *CHORD)}, OPEN, (0, 2, 1)),
    case("sweep-wide-open", "gates at 9 V", {"in1": organ(3.0, *CHORD)}, sweeps(9, 9, 9), (3, 7, 4)),
    case(
        "sweep-staggered",
        "one open, one closed, one between",
        {"in1": organ(3.0, *CHORD), "in3": organ(1.0, A * 4)},
        sweeps(3, 0, 1.05),
        (0, 1, 9),
        rate_hz=96000,
    ),
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
    case(
        "sweep-rising-fast",
        "each gate wide open within a millisecond",
        {
            "in1": organ(2.0, *CHORD),
            "sweep1": lines((0.010, 0.0), (0.011, 2.0)),
            "sweep2": lines((0.018, 0.0), (0.019, 2.0)),
            "sweep3": lines((0.026, 0.0), (0.0265, 1.2)),
        },
        sweeps(0.4, 0.4, 0.4),
        (0, 3, 2),
    ),
    case(
        "sweep-falling-fast",
        "each gate closed within a few milliseconds",
        {
            "in1": organ(2.0, *CHORD),
            "sweep1": lines((0.010, 0.0), (0.013, -1.0), (0.016, -1.5)),
            "sweep2": lines((0.018, 0.0), (0.021, -1.0), (0.024, -1.5)),
            "sweep3": lines((0.026, 0.0), (0.029, -0.8), (0.032, -1.2)),
        },
        sweeps(2.2, 2.2, 1.8),
        (1, 2, 0),
    ),
    case(
        "sweep-wobbling",
        "gates up and down through their thresholds a hundred times a second",
        {
            "in1": organ(2.0, *CHORD),
            "sweep1": zigzag(0.0, 0.5, 0.005, 0.06),
            "sweep2": zigzag(0.0, 0.6, 0.0075, 0.06),
            "sweep3": zigzag(0.0, 0.4, 0.0025, 0.06),
        },
        sweeps(0.8, 0.8, 0.9),
        (2, 1, 0),
        rate_hz=176400,
    ),
    case(
        "sweep-bare",
        "channels without a body diode, one moving",
        {"in1": organ(3.0, *CHORD), "sweep2": zigzag(0.0, 0.5, 0.01, 0.06)},
        sweeps(1.0, 0.8, 1.1),
        (1, 2, 4),
        board="bare-channel",
    ),
]

COUPLED = [
    case(
        "coupled-weakly",
        "220 pF carries stage 2 into tank 1",
        {"in2": organ(3.0, *CHORD)},
        codes=(3, 9, 2),
        board="coupled-weakly",
    ),
    case("coupled", "2 nF between tanks 1 and 2", {"in1": organ(2.0, *CHORD)}, codes=(0, 8, 2), board="coupled"),
    case(
        "coupled-strongly",
        "15 nF between tanks 1 and 2, driven from both ends",
        {"in1": organ(5.0, *CHORD), "in2": organ(2.0, G * 2, A * 4)},
        codes=(1, 1, 3),
        board="coupled-strongly",
    ),
    case(
        "coupled-swept",
        "joined tanks over half-open channels",
        {"in1": organ(2.5, *CHORD)},
        OPEN,
        (0, 4, 5),
        board="coupled",
        rate_hz=88200,
    ),
]

MULTIPLEXED = [
    case(
        "multiplexed",
        "a multiplexer on each stage",
        {"in1": organ(2.5, *CHORD), "in3": organ(1.0, E * 2)},
        codes=(9, 6, 3),
        board="multiplexed",
    ),
    case(
        "multiplexed-hard",
        "codes past the last position, 4.5 V, far past clipping",
        {"in1": organ(12.0, *CHORD)},
        unit(4.5),
        (15, 11, 6),
        board="multiplexed",
        rate_hz=44100,
    ),
]

JACKS = [
    case("stage-2-alone", "jack of stage 2 only", {"in2": organ(3.0, C * 2, G * 2)}, codes=(0, 4, 1)),
    case("stage-3-alone", "jack of stage 3 only", {"in3": organ(4.0, E * 2, A * 4)}, codes=(0, 0, 5)),
    case(
        "jacks-2-and-3",
        "stage 1 at rest",
        {"in2": organ(2.0, C * 2), "in3": organ(3.0, E * 2)},
        codes=(6, 6, 15),
        rate_hz=192000,
    ),
    case(
        "every-stage",
        "three chords into three jacks",
        {"in1": organ(1.5, C, E), "in2": organ(1.0, G * 2, A), "in3": organ(1.2, E * 2)},
        {"stage2.link": "0.2", "stage3.link": "0.15", "stage2.main": "0.05", "stage3.main": "0.03"},
        (7, 3, 9),
    ),
    case(
        "turned-over",
        "links that turn the sign",
        {"in1": organ(3.0, *CHORD)},
        {"stage2.link": "-0.5", "stage3.link": "-0.3"},
        (2, 3, 8),
    ),
]

TONES = [
    case("low-tone", "55 Hz, slow clipping", {"in1": tones(12.0, 55.0)}, codes=(8, 5, 6)),
    case("high-tone", "5 kHz into the last stage", {"in3": tones(4.0, 5000.0)}, codes=(0, 0, 10), rate_hz=44100),
    case("two-tones", "close together on tank 1's peak", {"in1": tones(8.0, 690.0, 745.0)}, codes=(1, 4, 2)),
    case("two-high-tones", "4.1 and 4.9 kHz into stage 2", {"in2": tones(5.0, 4100.0, 4900.0)}, codes=(0, 0, 3)),
]

PARTS = [
    case(
        "overdriven-softly",
        "the input stage colours",
        {"in1": organ(0.3, *CHORD)},
        {"input.overdriven": "on", "input.drive": "0.3"},
        (5, 2, 4),
        rate_hz=192000,
    ),
    case(
        "overdriven",
        "the input stage clips first",
        {"in1": organ(0.8, *CHORD)},
        {"input.overdriven": "on", "input.drive": "1", "stage1.main": "0.15"},
        (2, 2, 2),
    ),
    case(
        "overdriven-hard",
        "20 dB past clipping there, 1.5 V, freezing",
        {"in1": organ(3.0, *CHORD)},
        {**unit(1.5, 0), "input.overdriven": "on", "input.drive": "0.5", "stage1.main": "0.3"},
        (3, 1, 7),
    ),
    case("saturable-softly", "coils begin to bend", {"in1": organ(1.0, *CHORD)}, codes=(4, 3, 1), board="saturable"),
    case("saturable-coil", "coils past their flux", {"in1": organ(4.0, *CHORD)}, codes=(6, 1, 0), board="saturable"),
    case(
        "saturable-hard",
        "low notes far past it, 6 V",
        {"in1": organ(16.0, *LOW), "in2": organ(6.0, *LOW)},
        unit(6),
        (9, 8, 13),
        board="saturable",
    ),
    case(
        "bled",
        "idle capacitors bled, channels half open",
        {"in1": organ(2.5, *CHORD)},
        {**OPEN, "click.bleed": "on"},
        (1, 8, 5),
    ),
]

STEADY = [*DRIVE, *SUPPLY_AND_HEAT, *SWEEP, *COUPLED, *MULTIPLEXED, *JACKS, *TONES, *PARTS]
