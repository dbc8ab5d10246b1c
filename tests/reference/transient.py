"""The waveform of a circuit: its differential part integrated by a general stiff solver, its algebraic part by Newton.

    E = U diag(sigma, 0) V^T        y = V1^T x: charges and fluxes    z = V2^T x: everything that follows at once
    0 = U2^T (s + S u - G x - N f)  ──►  port voltages by Newton, at every evaluation
    sigma y' = U1^T (s + S u - G x - N f)

Index 1: the second line must determine z.  The linear part of it is solved once per state of the switches, about a
linear guess of the laws (their slope at DC, taken off again), so that Newton only sees the ports.
"""

import numpy as np
from scipy.integrate import solve_ivp
from scipy.linalg.lapack import dgesv, dgetrs


class Split:
    """Differential and algebraic coordinates of E.  Switches do not touch E: one split serves every code."""

    def __init__(self, circuit):
        energy = np.diag(circuit.E)
        self.scale = np.where(energy > 0.0, 1.0 / np.sqrt(np.where(energy > 0.0, energy, 1.0)), 1.0)
        u, sigma, vt = np.linalg.svd(self.scale[:, None] * circuit.E * self.scale)
        rank = int((sigma > 1e-9).sum())
        self.sigma = sigma[:rank]
        # x = V1 y + V2 z and rows U1^T, U2^T, all in the circuit's own units.
        self.V1, self.V2 = self.scale[:, None] * vt[:rank].T, self.scale[:, None] * vt[rank:].T
        self.U1, self.U2 = u[:, :rank].T * self.scale, u[:, rank:].T * self.scale
        self.to_y = vt[:rank] / self.scale


class Reduced:
    """y' = A y + B u + b + W f~, port voltages v = Py y + Q u + q + Z f~, f~ = f(v) - g v."""

    def __init__(self, circuit, split, slope, v):
        """`slope` is the linear guess of the laws, `v` a guess of the port voltages."""
        self.laws, self.g, self.v = circuit.laws, slope, v
        linear = circuit.G + (circuit.N * slope) @ circuit.P
        K = split.U2 @ linear @ split.V2
        if np.linalg.cond(K) > 1e14:
            raise RuntimeError("index above 1: a loop of capacitors and sources, or a node that nothing holds")
        # z for one unit of y, of each input, of the constant sources, and of each port's current.
        right = np.hstack([-linear @ split.V1, circuit.S, circuit.s[:, None], -circuit.N])
        z = np.linalg.solve(K, split.U2 @ right)
        x = split.V2 @ z
        x[:, : split.V1.shape[1]] += split.V1
        slopes = (split.U1 @ (right - linear @ split.V2 @ z)) / split.sigma[:, None]
        cuts = np.cumsum([split.V1.shape[1], circuit.S.shape[1], 1])
        self.A, self.B, self.b, self.W = np.split(slopes, cuts, axis=1)
        self.Py, self.Q, self.q, self.Z = np.split(circuit.P @ x, cuts, axis=1)
        self.Ty, self.Tu, self.t0, self.Tf = np.split(circuit.taps @ x, cuts, axis=1)
        self.b, self.q, self.t0 = self.b[:, 0], self.q[:, 0], self.t0[:, 0]
        self.eye = np.eye(len(self.q))
        self.last = None

    def ports(self, y, u):
        """Bent currents f~, their slopes D = f' - g, and I - Z D, at given charges and fluxes."""
        known = self.Py @ y + self.Q @ u + self.q
        if not known.size:
            return known, known, self.eye
        # The last solution, moved along its tangent: dv = (I - Z D)^-1 dknown; back at an edge that is a long way.
        v = self.v
        if self.last is not None:
            before, factors, pivots = self.last
            v = self.laws.limited(v + dgetrs(factors, pivots, known - before)[0], v)
        for turn in range(80):
            current, slope = self.laws(v)
            slope -= self.g
            bent = current - self.g * v
            jacobian = self.eye - self.Z * slope
            factors, pivots, update, _ = dgesv(jacobian, known + self.Z @ bent - v)
            size = np.abs(update).max()
            # Quadratic convergence: after a last update of 1e-7 V the rest is (1e-7)^2 / u ~ 1e-12 V or less.
            if size < 1e-7:
                self.v, self.last = v + update, (known, factors, pivots)
                return bent + slope * update, slope, jacobian
            if size > 1e-3:
                v = self.laws.limited(v + update * min(1.0, 2.0 / size), v) if turn < 40 else v + 0.3 * update
            else:
                v = v + update
        raise RuntimeError(f"the ports do not settle: last update {size:.2e} V")

    def derivative(self, y, u):
        return self.A @ y + self.B @ u + self.b + self.W @ self.ports(y, u)[0]

    def jacobian(self, y, u):
        """By implicit differentiation: dv/dy = (I - Z D)^-1 Py, D = f' - g."""
        _, slope, jacobian = self.ports(y, u)
        return self.A + (self.W * slope) @ np.linalg.solve(jacobian, self.Py)

    def read_taps(self, y, u, times):
        """Taps at many instants, y column by column.  Where a capacitor holds them, what comes from the inputs and the
        ports is rounding (under 10 pV per volt, 0.1 uV per ampere), and nothing needs to be solved."""
        taps = y.T @ self.Ty.T + self.t0
        if np.abs(self.Tu).max(initial=0.0) > 1e-11 or np.abs(self.Tf).max(initial=0.0) > 1e-7:
            inputs = [u(t) for t in times]
            taps += [self.Tu @ at + self.Tf @ self.ports(charges, at)[0] for charges, at in zip(y.T, inputs)]
        return taps


def waveform(assemble, inputs, edges, times, spacing=0.0, method="LSODA", rtol=1e-11):
    """Taps at `times` (ascending, from 0), starting at the DC operating point.

    `assemble(closed)` gives the circuit with the lines of the dict `closed` overridden; `inputs(names)` a function of
    time giving the vector of those inputs; `edges` the list of (seconds, line, closed), ascending.  An edge changes a
    resistance and, where the list says so, pushes a charge; every charge and flux goes on from where it was.

    With `spacing`, the distance of evenly spaced `times`, a sample on an edge is not the value there but the one that
    makes sums over samples integrals (Euler and Maclaurin): the mean of both sides, and 1/12 spacing times the jump of
    the slope.  An edge bends a tap within a microsecond; plain samples would blur when it does.
    """
    closed = {}
    circuit = assemble(closed)
    split = Split(circuit)
    x = circuit.operating_point()
    ports = circuit.P @ x
    guess = circuit.laws(ports)[1]
    u = inputs(circuit.inputs)
    y = split.to_y @ x
    taps = np.empty((len(times), len(circuit.taps)))
    start, reduced = 0.0, None
    for end in sorted({seconds for seconds, _, _ in edges if 0.0 < seconds < times[-1]} | {times[-1]}):
        before, kick = reduced.derivative(y, u(start)) if reduced else 0.0, np.zeros(len(y))
        for _, line, on in (edge for edge in edges if edge[0] == start):
            if line in circuit.kicks and on != closed.get(line, circuit.at_rest[line]):
                kick += (split.U1 @ circuit.kicks[line]) / split.sigma * (1.0 if on else -1.0)
            closed[line] = on
        y = y + kick
        reduced = Reduced(assemble(closed), split, guess, reduced.v if reduced else ports)
        here = np.flatnonzero((times >= start) & (times < end) | (times == times[-1]) & (end == times[-1]))
        run = solve_ivp(
            lambda t, y: reduced.derivative(y, u(t)),
            (start, end),
            y,
            method=method,
            t_eval=np.unique(np.append(times[here], end)),
            jac=lambda t, y: reduced.jacobian(y, u(t)),
            first_step=min(1e-8, (end - start) / 2.0),
            rtol=rtol,
            # Energy coordinates: a volt on 100 nF is 3e-4.
            atol=1e-6 * rtol,
        )
        if not run.success:
            raise RuntimeError(run.message)
        taps[here] = reduced.read_taps(run.y[:, : len(here)], u, times[here])
        if spacing and start > 0.0:
            bend = reduced.derivative(run.y[:, 0], u(start)) - before
            taps[here[times[here] == start]] += reduced.Ty @ (spacing / 12.0 * bend - 0.5 * kick)
        start, y = end, run.y[:, -1]
    return taps
