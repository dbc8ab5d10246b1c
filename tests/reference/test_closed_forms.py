"""The judge judged: the nodal solver against closed forms that can be worked out on paper.
"""

import numpy as np
from pytest import approx
from scipy.optimize import brentq, minimize_scalar

from nodal import Circuit
from transient import waveform


def _part(kind, name, **values):
    return {"kind": kind, "name": name, **values}


def _resistor(name, a, b, ohms):
    return _part("resistor", name, a=a, b=b, ohms=ohms)


def _capacitor(name, a, b, farads):
    return _part("capacitor", name, a=a, b=b, farads=farads)


def _coil(name, a, b, henries, **more):
    return _part("inductor", name, a=a, b=b, henries=henries, **more)


def _source(name, p, volts, **more):
    return _part("source", name, p=p, n="0", volts=volts, **more)


def _switch(name, a, b, ron, line, closed):
    return _part("switch", name, a=a, b=b, ron=ron, roff=1e20, line=line, closed=closed)


def _list(elements, **taps):
    return {"elements": elements, "taps": {name: [node, "0"] for name, node in taps.items()}}


def _waveform(listing, edges, times, inputs=lambda names: lambda t: np.zeros(len(names))):
    return waveform(lambda closed: Circuit(listing, closed), inputs, edges, times, rtol=1e-11)


def test_a_tank_rings_and_decays_as_its_closed_form():
    """100 mH, 1 uF, 10 kohm in parallel; 1 mA in the coil when the feeding switch opens."""
    L, C, R, I = 0.1, 1e-6, 1e4, 1e-3
    feed = [_source("v", "p", 1.0), _switch("s", "p", "q", 1.0, "feed", True), _resistor("rf", "q", "t", 999.0)]
    tank = [_coil("l", "t", "0", L), _capacitor("c", "t", "0", C), _resistor("r", "t", "0", R)]
    times = np.arange(0, 0.06, 1e-5)
    v = _waveform(_list(feed + tank, t="t"), [(0.0, "feed", False)], times)[:, 0]
    alpha = 1.0 / (2 * R * C)
    ring = np.sqrt(1.0 / (L * C) - alpha**2)
    exact = -I / (C * ring) * np.exp(-alpha * times) * np.sin(ring * times)
    assert np.linalg.norm(v - exact) < 1e-8 * np.linalg.norm(exact)
    up = np.flatnonzero((v[1:-1] < 0) & (v[2:] >= 0)) + 1
    zeros = times[up] + (times[up + 1] - times[up]) * v[up] / (v[up] - v[up + 1])
    assert (len(zeros) - 1) / (zeros[-1] - zeros[0]) == approx(503.22921, rel=2e-6)
    period = 1.0 / 503.22921
    early, late = (np.abs(v[(times >= n * period) & (times < (n + 1) * period)]).max() for n in (1, 21))
    assert np.log(early / late) / (20 * period) == approx(50.0, rel=2e-3)


def test_a_tank_answers_small_signals_as_its_closed_form():
    L, C, R = 0.1, 1e-6, 1e4
    listing = _list(
        [
            _source("v", "p", 0.0, input="in", scale=1.0),
            _resistor("r", "p", "t", R),
            _coil("l", "t", "0", L),
            _capacitor("c", "t", "0", C),
        ],
        t="t",
    )
    circuit = Circuit(listing)
    gain = lambda hertz: abs(circuit.response(hertz)[0, 0, 0])
    peak = minimize_scalar(lambda f: -gain(f), (450.0, 503.0, 550.0), options={"xtol": 1e-9}).x
    assert peak == approx(503.29212, rel=1e-6)
    edge = lambda a, b: brentq(lambda f: gain(f) - np.sqrt(0.5), a, b, xtol=1e-9)
    assert edge(peak, 600.0) - edge(400.0, peak) == approx(15.915494, rel=1e-6)


def test_coupled_tanks_split_as_their_closed_form():
    """Two tanks of 100 mH and 1 uF, 47 nF between them: 481.18432 and 503.29212 Hz."""
    listing = _list(
        [
            _source("v", "p", 0.0, input="in", scale=1.0),
            _resistor("r", "p", "a", 1e8),
            _coil("l1", "a", "0", 0.1),
            _capacitor("c1", "a", "0", 1e-6),
            _coil("l2", "b", "0", 0.1),
            _capacitor("c2", "b", "0", 1e-6),
            _capacitor("c12", "a", "b", 47e-9),
        ],
        a="a",
    )
    circuit = Circuit(listing)
    for expected in (481.18432, 503.29212):
        found = minimize_scalar(
            lambda f: -np.log(abs(circuit.response(f)[0, 0, 0])),
            bounds=(expected - 2, expected + 2), method="bounded", options={"xatol": 1e-8},
        ).x
        assert found == approx(expected, rel=1e-6)


def test_charge_shares_as_its_closed_form():
    """1 uF at 5 V onto 470 nF at 0 V through 80 ohm; 20 uF at 1000 V onto 5 uF (printed worked example: 800 V)."""
    for c1, c2, volts, ohms, final in ((1e-6, 470e-9, 5.0, 80.0, 3.401361), (20e-6, 5e-6, 1000.0, 80.0, 800.0)):
        listing = _list(
            [
                _source("v", "p", volts),
                _switch("fill", "p", "a", 1.0, "fill", True),
                _capacitor("c1", "a", "0", c1),
                _switch("join", "a", "b", ohms, "join", False),
                _capacitor("c2", "b", "0", c2),
                _resistor("empty", "b", "0", 1e13),
            ],
            a="a",
            b="b",
        )
        tau = ohms * c1 * c2 / (c1 + c2)
        start = 1e-4
        edges = [(start, "fill", False), (start, "join", True)]
        a, b = _waveform(listing, edges, np.array([0.0, start, start + tau, start + 40 * tau])).T
        assert b[3] == approx(final, rel=1e-6)
        assert (a[2] - b[2]) / volts == approx(np.exp(-1.0), rel=1e-6)
        lost = 0.5 * c1 * volts**2 - 0.5 * c1 * a[3] ** 2 - 0.5 * c2 * b[3] ** 2
        assert lost / (0.5 * c1 * volts**2) == approx(c2 / (c1 + c2), rel=1e-6)
        assert c1 * a[1] + c2 * b[1] == approx(c1 * a[3] + c2 * b[3], rel=1e-9)


def test_a_kick_is_its_charge_over_its_capacitance():
    """10 nC into 1 uF when line 1.0 closes: 10 mV, taken back when it opens."""
    listing = _list(
        [
            _capacitor("c", "t", "0", 1e-6),
            _resistor("r", "t", "0", 1e12),
            _switch("s", "t", "w", 1e3, "1.0", False),
            _resistor("end", "w", "0", 1e15),
            _part("charge", "k", a="0", b="t", coulombs=1e-8, line="1.0"),
        ],
        t="t",
    )
    v = _waveform(listing, [(1e-3, "1.0", True), (2e-3, "1.0", False)], np.array([0.0, 1e-3, 1.5e-3, 2e-3, 3e-3]))[:, 0]
    assert v[2] == approx(0.01, rel=1e-7)
    assert v[4] == approx(0.0, abs=1e-9)


def test_a_saturable_coil_follows_its_flux():
    """1 V across 0.5 H: flux grows as t; at the saturation current the inductance has fallen by 30 %."""
    L, saturation = 0.5, 2e-3
    s = 7.0 / 8.0 * saturation
    listing = _list(
        [
            _source("v", "p", 0.0, input="in", scale=1.0),
            _coil("l", "p", "q", L, saturation=saturation),
            _resistor("sense", "q", "0", 1e-3),
        ],
        i="q",
    )
    times = np.array([0.0, 0.5, 1.0, 1.05]) * s * L
    i = _waveform(listing, [], times, lambda names: lambda t: np.ones(1))[:, 0] / 1e-3
    j = times / L
    assert i[1] == approx(j[1] + j[1] ** 3 / (7 * s**2), rel=1e-5)
    assert i[2] == approx(saturation, rel=1e-5)
    circuit = Circuit(listing)
    x = np.zeros(len(circuit.row))
    x[circuit.row["i:l"]] = s
    assert 1.0 / (1.0 + circuit.laws(circuit.P @ x)[1][0]) == approx(0.7, rel=1e-12)


def test_an_ebers_moll_junction_has_its_printed_voltage():
    """Germanium fits of Holmes, Holters, van Walstijn, DAFx-17, 152-159, table 1 (second-hand), V_T = 25.5 mV."""
    for part, i_s, nf, bf, br, amperes, volts in (
        ("OC44", 1.423e-6, 1.022, 307.0, 20.27, 1e-4, 0.11119),
        ("OC44", 1.423e-6, 1.022, 307.0, 20.27, 1e-3, 0.17087),
        ("AC128", 20.66e-6, 1.133, 229.6, 14.66, 1e-3, 0.11268),
    ):
        transistor = {"is": i_s, "bf": bf, "br": br, "nf": nf, "vt": 0.0255}
        listing = _list(
            [
                _source("vb", "b", volts),
                _source("vc", "c", volts),
                _part("npn", "q", c="c", b="b", e="0", **transistor),
            ],
            c="c",
        )
        circuit = Circuit(listing)
        x = circuit.operating_point()
        # The voltage is printed to 10 uV: 0.04 % of a current.
        assert -x[circuit.row["i:vc"]] == approx(amperes, rel=4e-4), part
        assert x[circuit.row["i:vc"]] / x[circuit.row["i:vb"]] == approx(bf, rel=1e-9), part


def test_a_saturated_transistor_obeys_both_junctions():
    """Collector open: Ebers-Moll gives V_ce(sat) in closed form, here with nf = 1."""
    bf, br, vt, i_s, ib = 90.0, 8.0, 0.025693, 2e-6, 1e-4
    listing = _list(
        [
            _source("v", "p", 10.0),
            _resistor("r", "p", "b", 1e5),
            _part("npn", "q", c="c", b="b", e="0", **{"is": i_s, "bf": bf, "br": br, "nf": 1.0, "vt": vt}),
            _resistor("open", "c", "0", 1e15),
        ],
        b="b",
        c="c",
    )
    circuit = Circuit(listing)
    b, c = circuit.taps @ circuit.operating_point()
    # i_c = 0: F = (1 + 1/br) R and i_b = F/bf + R/br, with F, R = is(e^{v/vt} - 1).
    ib = (10.0 - b) / 1e5
    r = ib / ((1 + 1 / br) / bf + 1 / br)
    f = (1 + 1 / br) * r
    assert b == approx(vt * np.log1p(f / i_s), rel=1e-9)
    assert c == approx(vt * np.log1p(f / i_s) - vt * np.log1p(r / i_s), rel=1e-9)


def test_a_channel_obeys_the_square_law_far_above_threshold():
    """k = 10 mA/V^2, V_t = 1.5 V, V_gs = 2 V: 1.25 mA in saturation, 200 ohm at the origin (textbook square law)."""

    def current(drain):
        listing = _list(
            [
                _source("vg", "g", 2.0),
                _source("vd", "d", drain),
                _part("nmos", "m", d="d", g="g", s="0", k=0.01, vth=1.5, vt=0.025693),
            ],
            d="d",
        )
        circuit = Circuit(listing)
        return -circuit.operating_point()[circuit.row["i:vd"]]

    assert current(2.0) == approx(1.25e-3, rel=1e-3)
    assert 2e-6 / (current(1e-6) - current(-1e-6)) == approx(200.0, rel=1e-3)
