"""Nonlinear direct-current solution of a network: nodal analysis with Newton's method.

    network = Network(("GND", "A", "K"))
    network.conductance("A", "K", 1e-3)
    network.branch(Branch("GND", "A", (("A", "GND"),), limited_source(5.0, 0.1, 0.01)))
    solution = solve(network)

Four kinds of element: conductances; junctions (exponentials, evaluated together), whose current may enter several
nodes with factors, which makes a bipolar transistor two junctions; branches (one current as a function of one or two
voltages); and limited branches (regulators, supplies), whose current is an unknown of its own with an implicit law,
because a steep characteristic with limits defeats Newton's method when it is written as current over voltage.

Each Newton step solves the linearised network; the voltages of junctions are limited from step to step as is usual in
circuit simulation, so that no exponential overflows.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

BOLTZMANN_PER_CHARGE = 1.380649e-23 / 1.602176634e-19  # V/K, exact in the SI of 2019
ZERO_DEGC = 273.15
SHUNT_S = 1e-11  # from every node to ground, so that a floating node has a voltage: insulation of 100 Gohm
# Of the last step at nonlinear elements: what is left is its square over twice a junction's 26 mV, 5 µV.
TOLERANCE_V = 5e-4
ASLEEP_V = 0.2  # below this a junction carries less than a nanoampere and counts as linear
ROUNDING_V = 1e-4  # steps that stay below this without vanishing are rounding errors of floating nodes

Floats = npt.NDArray[np.float64]
Law = Callable[[float, float], tuple[float, float, float]]  # (u1, u2) -> current, d/du1, d/du2
Dual = tuple[float, float, float, float]  # a value and its derivatives by i, u1, u2
Pairs = tuple[tuple[int, int], ...]
ImplicitLaw = Callable[[float, float, float], Dual]  # (i, u1, u2) -> a voltage that is zero in the solution


def thermal_voltage_v(temperature_degc: float) -> float:
    """kT/q, V."""
    return BOLTZMANN_PER_CHARGE * (temperature_degc + ZERO_DEGC)


@dataclass(frozen=True, slots=True)
class Branch:
    """A current from node ``a`` through the element to node ``b``, as a function of one or two voltages."""

    a: str
    b: str
    controls: tuple[tuple[str, str], ...]  # pairs of nodes whose voltage difference controls
    law: Law


@dataclass(frozen=True, slots=True)
class LimitedBranch:
    """The same with a current of its own as unknown and an implicit law: for currents with limits."""

    a: str
    b: str
    controls: tuple[tuple[str, str], ...]
    law: ImplicitLaw


@dataclass(frozen=True, slots=True)
class Junction:
    """A current Is·(exp(u/nVt) − 1) with u between two nodes; ``into`` gives the current leaving each node."""

    plus: str
    minus: str
    saturation_a: float
    slope_v: float  # n·Vt
    into: tuple[tuple[str, float], ...]


@dataclass(slots=True)
class Network:
    """A network under construction. Nodes are named; the first is ground."""

    nodes: Sequence[str]
    index: dict[str, int] = field(init=False)
    matrix: Floats = field(init=False)
    injected_a: Floats = field(init=False)
    junctions: list[Junction] = field(default_factory=list)
    branches: list[Branch] = field(default_factory=list)
    limited: list[LimitedBranch] = field(default_factory=list)
    _compiled: "_Junctions | None" = None

    def __post_init__(self) -> None:
        self.index = {name: number for number, name in enumerate(self.nodes)}
        size = len(self.nodes)
        self.matrix = np.eye(size) * SHUNT_S
        self.injected_a = np.zeros(size)

    def conductance(self, a: str, b: str, siemens: float) -> None:
        i, j = self.index[a], self.index[b]
        matrix = self.matrix
        matrix[i, i] += siemens
        matrix[j, j] += siemens
        matrix[i, j] -= siemens
        matrix[j, i] -= siemens

    def current(self, a: str, b: str, ampere: float) -> None:
        """A constant current that leaves node ``a`` and enters node ``b``."""
        self.injected_a[self.index[a]] -= ampere
        self.injected_a[self.index[b]] += ampere

    def voltage(self, a: str, b: str, volt: float, ohm: float) -> None:
        """A voltage of ``a`` against ``b`` behind a resistance."""
        self.conductance(a, b, 1 / ohm)
        self.current(b, a, volt / ohm)

    def diode(self, anode: str, cathode: str, saturation_a: float, slope_v: float) -> None:
        if anode != cathode:
            self.junctions.append(Junction(anode, cathode, saturation_a, slope_v, ((anode, 1.0), (cathode, -1.0))))

    def copy(self) -> "Network":
        """An independent copy; the compiled junctions are shared, so add no junction to it."""
        twin = object.__new__(Network)
        twin.nodes, twin.index = self.nodes, self.index
        twin.matrix, twin.injected_a = self.matrix.copy(), self.injected_a.copy()
        twin.junctions, twin.branches, twin._compiled = self.junctions, list(self.branches), self.compiled()
        twin.limited = list(self.limited)
        return twin

    def compiled(self) -> "_Junctions":
        if self._compiled is None:
            self._compiled = _Junctions(self)
        return self._compiled


class _Junctions:
    """All junctions as arrays, and where their conductances go in the matrix."""

    def __init__(self, network: Network) -> None:
        count, size = len(network.junctions), len(network.nodes)
        self.control = np.zeros((count, size))
        self.into = np.zeros((size, count))
        self.saturation = np.array([junction.saturation_a for junction in network.junctions])
        self.slope = np.array([junction.slope_v for junction in network.junctions])
        entries: list[tuple[int, int, int, float]] = []
        for number, junction in enumerate(network.junctions):
            columns = ((network.index[junction.plus], 1.0), (network.index[junction.minus], -1.0))
            for column, sign in columns:
                self.control[number, column] += sign
            for node, factor in junction.into:
                row = network.index[node]
                self.into[row, number] += factor
                entries += [(row, column, number, factor * sign) for column, sign in columns]
        table = np.array(entries).reshape(-1, 4)
        self.row, self.column, self.junction = (table[:, n].astype(int) for n in range(3))
        self.factor = table[:, 3]
        self.conductance = self.saturation / self.slope
        self.critical = self.slope * np.log(self.slope / (math.sqrt(2) * self.saturation))

    def limited(self, wanted: Floats, before: Floats) -> Floats:
        """Logarithmic steps above the critical voltage, as usual in circuit simulation (Nagel 1975)."""
        if not (wanted > self.critical).any():
            return wanted
        steep = (wanted > self.critical) & (np.abs(wanted - before) > 2 * self.slope)
        if not steep.any():
            return wanted
        step = 1 + (wanted - before) / self.slope
        from_above = np.where(step > 0, before + self.slope * np.log(np.maximum(step, 1e-30)), self.critical)
        from_below = self.slope * np.log(np.maximum(wanted, 1e-30) / self.slope)
        return np.where(steep, np.where(before > 0, from_above, from_below), wanted)


@dataclass(frozen=True, slots=True)
class Solution:
    """Node voltages against ground, V, followed by the currents of the limited branches, A."""

    vector: Floats
    junction_v: Floats
    converged: bool
    iterations: int


def solve(network: Network, start: Solution | None = None) -> Solution:
    """Solve the network; `start` is a solution of a similar one with the same nodes and junctions.

    Newton's method from `start`. When it does not settle, it is repeated with steps of bounded length, which breaks
    the cycles that characteristics with limits lead it into.
    """
    system = _System(network)
    zero = np.zeros(system.size), np.zeros(len(network.junctions))
    origin = zero if start is None else (start.vector, start.junction_v)
    used = 0
    found = Solution(*zero, False, 0)
    stages = ((origin, 40, 2.0), (zero, 40, 2.0), (zero, 80, 0.8), (zero, 200, 0.3), (zero, 800, 0.1))
    for (vector, junction_v), most, longest_v in stages:
        found = system.iterate(vector, junction_v, most, longest_v)
        used += found.iterations
        if found.converged:
            break
    return Solution(found.vector, found.junction_v, found.converged, used)


def start_at(network: Network, voltages: Sequence[float] | Floats) -> Solution:
    """A start for `solve` from node voltages in the order of the network's nodes, and currents of limited branches."""
    vector = np.array(voltages)
    return Solution(vector, network.compiled().control @ vector[: len(network.nodes)], False, 0)


class _System:
    """The equations: unknowns are node voltages, ground first, then the currents of the limited branches.

    What changes from step to step are few entries of the matrix; their places are known beforehand.
    """

    def __init__(self, network: Network) -> None:
        self.network, self.junctions, index = network, network.compiled(), network.index
        self.branches = [_indexed(branch, index) for branch in network.branches]
        self.limited = [_indexed(branch, index) for branch in network.limited]
        self.nodes = len(network.nodes)
        self.size = size = self.nodes + len(self.limited)
        self.watched = [pair for branch in (*self.branches, *self.limited) for pair in branch[2]]
        constant = np.zeros((size, size))
        constant[: self.nodes, : self.nodes] = network.matrix
        places: list[int] = []
        for a, b, controls, _ in self.branches:
            for plus, minus in controls:
                places += (a * size + plus, a * size + minus, b * size + plus, b * size + minus)
        for row, (a, b, controls, _) in enumerate(self.limited, self.nodes):
            constant[a, row], constant[b, row] = 1.0, -1.0
            places.append(row * size + row)
            for plus, minus in controls:
                places += (row * size + plus, row * size + minus)
        self.constant = constant.reshape(-1)
        self.places = np.concatenate((self.junctions.row * size + self.junctions.column, places)).astype(int)

    def iterate(self, vector: Floats, junction_v: Floats, most: int, longest_v: float) -> Solution:
        """Newton's method with no step longer than that."""
        control, nodes = self.junctions.control, self.nodes
        if len(vector) != self.size:
            vector = np.concatenate((vector[:nodes], np.zeros(self.size - nodes)))
        reached = control @ vector[:nodes]
        quiet = 0
        for iteration in range(1, most + 1):
            limited = self.junctions.limited(reached, junction_v)
            following = self._step(vector, limited)
            reached = control @ following[:nodes]
            move = self._move(vector, following, reached, limited)
            if move > longest_v:
                following = vector + (following - vector) * (longest_v / move)
                reached = control @ following[:nodes]
            vector, junction_v = following, limited
            quiet = quiet + 1 if move < ROUNDING_V else 0
            if move < TOLERANCE_V or quiet > 3:
                return Solution(vector, reached, True, iteration)
        return Solution(vector, junction_v, False, most)

    def _step(self, vector: Floats, junction_v: Floats) -> Floats:
        """Solution of the network linearised at these unknowns and junction voltages."""
        junctions, size = self.junctions, self.size
        relative = junction_v / junctions.slope
        raised = np.exp(np.minimum(relative, 300.0))
        gradient = junctions.conductance * raised + SHUNT_S
        rest = junctions.saturation * (raised * (1 - relative) - 1)
        right = np.zeros(size)
        right[: self.nodes] = self.network.injected_a - junctions.into @ rest
        entries = self._branch_entries(vector.tolist(), right)
        weights = np.concatenate((gradient[junctions.junction] * junctions.factor, entries))
        matrix = self.constant + np.bincount(self.places, weights, size * size)
        following = np.zeros(size)
        following[1:] = np.linalg.solve(matrix.reshape(size, size)[1:, 1:], right[1:])
        return following

    def _branch_entries(self, values: list[float], right: Floats) -> list[float]:
        """Entries of branches in the order of their places; constant terms go to the right side."""
        entries: list[float] = []
        for a, b, controls, law in self.branches:
            u1, u2 = _differences(values, controls)
            ampere, slope1, slope2 = law(u1, u2)
            rest = ampere - slope1 * u1 - slope2 * u2
            right[a] -= rest
            right[b] += rest
            for gain, _ in zip((slope1, slope2), controls, strict=False):
                entries += (gain, -gain, -gain, gain)
        for row, (_, _, controls, law) in enumerate(self.limited, self.nodes):
            u1, u2 = _differences(values, controls)
            miss, by_current, slope1, slope2 = law(values[row], u1, u2)
            right[row] = by_current * values[row] + slope1 * u1 + slope2 * u2 - miss
            entries.append(by_current)
            for gain, _ in zip((slope1, slope2), controls, strict=False):
                entries += (gain, -gain)
        return entries

    def _move(self, before: Floats, after: Floats, reached: Floats, limited: Floats) -> float:
        """How far the arguments of nonlinear elements moved. What is linear is exact after one step, however long."""
        step = (after - before).tolist()
        moves: list[float] = [abs(step[plus] - step[minus]) for plus, minus in self.watched]
        moves += [abs(change) for change in step[self.nodes :]]
        awake = np.maximum(reached, limited) > ASLEEP_V
        moves.append(float(np.abs((reached - limited) * awake).max(initial=0.0)))
        return max(moves)


def _differences(values: list[float], controls: Pairs) -> tuple[float, float]:
    plus, minus = controls[0]
    first = values[plus] - values[minus]
    if len(controls) == 1:
        return first, 0.0
    plus, minus = controls[1]
    return first, values[plus] - values[minus]


def _indexed(branch: Any, index: Mapping[str, int]) -> tuple[int, int, Pairs, Any]:
    return (
        index[branch.a],
        index[branch.b],
        tuple((index[plus], index[minus]) for plus, minus in branch.controls),
        branch.law,
    )
