"""A circuit as equations: modified nodal analysis of an element list, knowing nothing but the list.

    E x' + G x + N f(P x) = s + S u(t)          x: node voltages, then currents of sources, gains and coils

`E` holds capacitors and coils, `G` all that is linear, `f` one scalar law per junction, channel end or saturable coil,
`u` the named inputs.  Assembly after C.-W. Ho, A. Ruehli, P. Brennan, "The modified nodal approach to network
analysis", IEEE Trans. Circuits and Systems 22 (1975) 504-509.  The element list is described in the design of the
instrument (`tritank circuit` prints it); no line here is taken from the instrument's own solver.
"""

import numpy as np

GROUND = "0"


class Laws:
    """The bending parts, all at once: each port has one scalar law f(v), so their Jacobian is diagonal.

    exponential  a (e^{v/u} - 1)                        junctions
    channel      a ln^2(1 + e^{(v - v0)/(2u)})           either end of a MOSFET channel (EKV, n = 1)
    cubic        a v^3                                   what a saturable coil draws beyond its flux / L
    """

    def __init__(self, exponential, channel, cubic):
        pick = lambda rows, column: np.array([row[column] for row in rows], float)
        self.junctions, ends = len(exponential), len(exponential) + len(channel)
        self.parts = slice(0, self.junctions), slice(self.junctions, ends), slice(ends, ends + len(cubic))
        self.exp_a, self.exp_u = pick(exponential, 0), pick(exponential, 1)
        self.chan_a, self.chan_v0, self.chan_u = (pick(channel, n) for n in range(3))
        self.cubic_a = pick(cubic, 0)
        self.count = ends + len(cubic)
        self.critical = self.exp_u * np.log(self.exp_u / (np.sqrt(2.0) * self.exp_a)) if exponential else self.exp_a

    def __call__(self, v):
        """Currents and conductances of all ports."""
        current, slope = np.empty(self.count), np.empty(self.count)
        junction, channel, cubic = self.parts
        # Beyond 60 thermal voltages (never at a solution) the exponential goes on as its tangent.
        x = v[junction] / self.exp_u
        e = np.exp(np.minimum(x, 60.0))
        slope[junction] = self.exp_a * e / self.exp_u
        current[junction] = self.exp_a * (np.expm1(np.minimum(x, 60.0)) + e * np.maximum(x - 60.0, 0.0))
        if channel.start < channel.stop:
            half = (v[channel] - self.chan_v0) / (2.0 * self.chan_u)
            soft = np.logaddexp(0.0, half)
            current[channel] = self.chan_a * soft**2
            slope[channel] = self.chan_a * soft * np.exp(half - soft) / self.chan_u
        if cubic.start < cubic.stop:
            current[cubic] = self.cubic_a * v[cubic] ** 3
            slope[cubic] = 3.0 * self.cubic_a * v[cubic] ** 2
        return current, slope

    def limited(self, new, old):
        """Junction limiting: above the critical voltage a Newton update moves the current's logarithm, not the voltage.

        L. W. Nagel, "SPICE2", Univ. of California memo ERL-M520 (1975), section 4 (from memory).
        """
        if not self.junctions:
            return new
        new = new.copy()
        a, b, u = new[: self.junctions], old[: self.junctions], self.exp_u
        wild = (a > self.critical) & (np.abs(a - b) > 2.0 * u)
        if wild.any():
            rise = 1.0 + (a - b) / u
            positive = np.where(rise > 0.0, b + u * np.log(np.where(rise > 0.0, rise, 1.0)), self.critical)
            a[wild] = np.where(b > 0.0, positive, u * np.log(np.maximum(a / u, 1e-300)))[wild]
        return new


class Circuit:
    """The assembled list.  `closed` gives the state of each switch by its line; left out, the list's own."""

    def __init__(self, listing, closed=None):
        self.elements, closed = listing["elements"], closed or {}
        nodes = sorted({e[key] for e in self.elements for key in _pins(e)} - {GROUND})
        self.row = {node: n for n, node in enumerate(nodes)}
        for e in self.elements:
            if e["kind"] in ("source", "gain", "inductor"):
                self.row["i:" + e["name"]] = len(self.row)
        n = len(self.row)
        assert n == len(nodes) + sum(e["kind"] in ("source", "gain", "inductor") for e in self.elements), "names clash"
        self.inputs = sorted({e["input"] for e in self.elements if e["kind"] == "source" and e.get("input")})
        self.E, self.G = np.zeros((n, n)), np.zeros((n, n))
        self.s, self.S = np.zeros(n), np.zeros((n, len(self.inputs)))
        self.kicks = {}
        self.at_rest = {e["line"]: e["closed"] for e in self.elements if e["kind"] == "switch"}
        ports = {"exponential": [], "channel": [], "cubic": []}
        for e in self.elements:
            getattr(self, "_" + e["kind"])(e, ports, closed)
        rows = [port for kind in ports.values() for port in kind]
        self.laws = Laws(*([port[0] for port in kind] for kind in ports.values()))
        self.P = np.array([port[1] for port in rows]).reshape(-1, n)
        self.N = np.array([port[2] for port in rows]).reshape(-1, n).T
        self.taps = np.array([self._between(*pair) for _, pair in sorted(listing["taps"].items())])

    def _between(self, p, n):
        row = np.zeros(len(self.row))
        for node, sign in ((p, 1.0), (n, -1.0)):
            if node != GROUND:
                row[self.row[node]] += sign
        return row

    def _unit(self, name):
        row = np.zeros(len(self.row))
        row[self.row[name]] = 1.0
        return row

    def _conduct(self, e, siemens):
        across = self._between(e["a"], e["b"])
        self.G += siemens * np.outer(across, across)

    def _resistor(self, e, _ports, _closed):
        self._conduct(e, 1.0 / e["ohms"])

    def _switch(self, e, _ports, closed):
        self._conduct(e, 1.0 / (e["ron"] if closed.get(e["line"], e["closed"]) else e["roff"]))

    def _capacitor(self, e, _ports, _closed):
        across = self._between(e["a"], e["b"])
        self.E += e["farads"] * np.outer(across, across)

    def _inductor(self, e, ports, _closed):
        across, own = self._between(e["a"], e["b"]), self._unit("i:" + e["name"])
        self.G += np.outer(across, own) - np.outer(own, across)
        self.E += e["henries"] * np.outer(own, own)
        if e.get("saturation"):
            s = 7.0 / 8.0 * e["saturation"]
            ports["cubic"].append(((1.0 / (7.0 * s**2),), own, across))

    def _source(self, e, _ports, _closed):
        across, own = self._between(e["p"], e["n"]), self._unit("i:" + e["name"])
        self.G += np.outer(across, own) + np.outer(own, across)
        self.s += e["volts"] * own
        if e.get("input"):
            self.S[:, self.inputs.index(e["input"])] += e.get("scale", 1.0) * own

    def _gain(self, e, _ports, _closed):
        across, own = self._between(e["p"], e["n"]), self._unit("i:" + e["name"])
        self.G += np.outer(across, own) + np.outer(own, across - e["gain"] * self._between(e["cp"], e["cn"]))

    def _npn(self, e, ports, _closed):
        to_c, to_b = self._between(e["c"], e["e"]), self._between(e["b"], e["e"])
        forward = to_c + to_b / e["bf"]
        reverse = -(1.0 + 1.0 / e["br"]) * to_c + to_b / e["br"]
        ports["exponential"].append(((e["is"], e["nf"] * e["vt"]), self._between(e["b"], e["e"]), forward))
        ports["exponential"].append(((e["is"], e["vt"]), self._between(e["b"], e["c"]), reverse))

    def _diode(self, e, ports, _closed):
        across = self._between(e["a"], e["k"])
        ports["exponential"].append(((e["is"], e["n"] * e["vt"]), across, across))

    def _nmos(self, e, ports, _closed):
        law = (2.0 * e["k"] * e["vt"] ** 2, e["vth"], e["vt"])
        along = self._between(e["d"], e["s"])
        ports["channel"].append((law, self._between(e["g"], e["s"]), along))
        ports["channel"].append((law, self._between(e["g"], e["d"]), -along))

    def _charge(self, e, _ports, _closed):
        kick = e["coulombs"] * self._between(e["b"], e["a"])
        self.kicks[e["line"]] = self.kicks.get(e["line"], 0.0) + kick

    def residual(self, x, share=1.0):
        """G x + N f - share s, and its Jacobian: what DC brings to zero."""
        current, slope = self.laws(self.P @ x)
        return self.G @ x + self.N @ current - share * self.s, self.G + (self.N * slope) @ self.P

    def operating_point(self):
        """DC: capacitors open, coils short, every input zero.  The supply is raised in steps, junctions limited.

        A node that only a capacitor and a channel without any conductance hold stays where it started, on the
        potential of the channel's other end (least squares of the update).
        """
        x = np.zeros(len(self.row))
        for share in np.linspace(0.05, 1.0, 20):
            x = self._settle(x, share)
        return x

    def _settle(self, x, share):
        v = self.P @ x
        size = np.maximum(np.abs(self.G).max(axis=1), 1e-12)
        for _ in range(300):
            current, slope = self.laws(v)
            # Linearised at the limited junction voltages v, not at P x.
            jacobian = self.G + (self.N * slope) @ self.P
            right = share * self.s - self.N @ (current - slope * v)
            try:
                new = np.linalg.solve(jacobian / size[:, None], right / size)
            except np.linalg.LinAlgError:
                new = x + np.linalg.lstsq(jacobian / size[:, None], (right - jacobian @ x) / size)[0]
            v_new = self.laws.limited(self.P @ new, v)
            moved = max(np.abs(new - x).max(), np.abs(v_new - v).max(initial=0.0))
            x, v = new, v_new
            if moved < 1e-11:
                return x
        raise RuntimeError(f"no operating point: last update {moved:.2e}")

    def response(self, hertz, x=None):
        """Small signals about DC: (len(hertz), taps, inputs), V/V, by a dense complex solve at each frequency."""
        x = self.operating_point() if x is None else x
        _, jacobian = self.residual(x)
        omega = 2j * np.pi * np.atleast_1d(hertz)
        return self.taps @ np.linalg.solve(jacobian + omega[:, None, None] * self.E, self.S.astype(complex))


def _pins(element):
    pins = {"source": "pn", "gain": ("p", "n", "cp", "cn"), "npn": "cbe", "nmos": "dgs", "diode": "ak"}
    return pins.get(element["kind"], "ab")
