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
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

BOLTZMANN_PER_CHARGE = 1.380649e-23 / 1.602176634e-19  # V/K, exact in the SI of 2019
ZERO_DEGC = 273.15
SHUNT_S = 1e-11  # from every node to ground, so that a floating node has a voltage: insulation of 100 Gohm
# Of the last step at nonlinear elements: what is left is its square over twice a junction's 26 mV, 5 µV.
TOLERANCE_V = 5e-4
ASLEEP_V = 0.2  # below this a junction carries less than a nanoampere and counts as linear
SETTLES_AT_ONCE = 4  # steps from a start that is as good as it was hoped to be
ROUNDING_V = 1e-4  # steps that stay below this without vanishing are rounding errors of floating nodes

Floats = npt.NDArray[np.float64]
Booleans = npt.NDArray[np.bool_]
Law = Callable[[float, float], tuple[float, float, float]]  # (u1, u2) -> current, d/du1, d/du2
Dual = tuple[float, float, float, float]  # a value and its derivatives by i, u1, u2
Pairs = tuple[tuple[int, int], ...]
Controls = tuple[tuple[str, str], ...]  # pairs of nodes whose voltage difference controls
_Wiring = tuple[int, tuple[tuple[str, str, Controls], ...], tuple[tuple[str, str, Controls], ...]]
ImplicitLaw = Callable[[float, float, float], Dual]  # (i, u1, u2) -> a voltage that is zero in the solution


def thermal_voltage_v(temperature_degc: float) -> float:
    """kT/q, V."""
    return BOLTZMANN_PER_CHARGE * (temperature_degc + ZERO_DEGC)


@dataclass(frozen=True, slots=True)
class Branch:
    """A current from node ``a`` through the element to node ``b``, as a function of one or two voltages."""

    a: str
    b: str
    controls: Controls
    law: Law


@dataclass(frozen=True, slots=True)
class LimitedBranch:
    """The same with a current of its own as unknown and an implicit law: for currents with limits."""

    a: str
    b: str
    controls: Controls
    law: ImplicitLaw


class Junction(NamedTuple):
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
    _patterns: "dict[_Wiring, _Pattern]" = field(default_factory=dict)
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
        """An independent copy; what is known of the junctions is shared, so add no junction to it."""
        twin = object.__new__(Network)
        twin.nodes, twin.index = self.nodes, self.index
        twin.matrix, twin.injected_a = self.matrix.copy(), self.injected_a.copy()
        twin.junctions, twin.branches, twin.limited = self.junctions, list(self.branches), list(self.limited)
        twin._patterns, twin._compiled = self._patterns, self.compiled()
        return twin

    def compiled(self) -> "_Junctions":
        """Its junctions as arrays; worked out once for all copies."""
        if self._compiled is None or self._compiled.count != len(self.junctions):
            self._compiled = _Junctions(self)
        return self._compiled

    def pattern(self) -> "_Pattern":
        """Where its nonlinear elements are; worked out once for all copies that have the same ones."""
        wiring = (
            len(self.junctions),
            tuple((branch.a, branch.b, branch.controls) for branch in self.branches),
            tuple((branch.a, branch.b, branch.controls) for branch in self.limited),
        )
        found = self._patterns.get(wiring)
        if found is None:
            found = self._patterns[wiring] = _Pattern(self)
        return found


class _Junctions:
    """All junctions as arrays; nothing enters ground, whose voltage is known."""

    def __init__(self, network: Network) -> None:
        index, junctions = network.index, network.junctions
        self.count = count = len(junctions)
        self.saturation = np.array([junction.saturation_a for junction in junctions])
        self.slope = np.array([junction.slope_v for junction in junctions])
        self.conductance = self.saturation / self.slope
        self.critical = self.slope * np.log(self.slope / (math.sqrt(2) * self.saturation))
        self.control = np.zeros((count, len(index)))
        each = np.arange(count)
        self.control[each, [index[junction.plus] for junction in junctions]] += 1
        self.control[each, [index[junction.minus] for junction in junctions]] -= 1
        self.into = np.zeros((len(index), count))
        entries: list[tuple[int, int, int, float]] = []  # row, column, junction, factor of its conductance
        for number, junction in enumerate(junctions):
            plus, minus = index[junction.plus], index[junction.minus]
            for node, factor in junction.into:
                row = index[node]
                if row:
                    self.into[row, number] += factor
                    entries += [(row, plus, number, factor), (row, minus, number, -factor)]
        table = np.array([entry for entry in entries if entry[1]]).reshape(-1, 4)
        self.row, self.column, self.junction = table[:, :3].T.astype(int)
        self.factor = table[:, 3]

    def held_back(self, wanted: Floats, before: Floats) -> Floats:
        """Logarithmic steps above the critical voltage, as usual in circuit simulation (Nagel 1975)."""
        above = wanted > self.critical
        if not _any(above):
            return wanted
        steep = above & (np.abs(wanted - before) > 2 * self.slope)
        if not _any(steep):
            return wanted
        step = 1 + (wanted - before) / self.slope
        from_above = np.where(step > 0, before + self.slope * np.log(np.maximum(step, 1e-30)), self.critical)
        from_below = self.slope * np.log(np.maximum(wanted, 1e-30) / self.slope)
        return np.where(steep, np.where(before > 0, from_above, from_below), wanted)


class _Pattern:
    """Where the nonlinear elements have their entries in the matrix.

    Unknowns are node voltages, ground first, then the currents of the limited branches. The matrix is flat, with one
    more place at its end where everything goes that has to do with ground, whose voltage is zero.
    """

    def __init__(self, network: Network) -> None:
        index, junctions = network.index, network.compiled()
        self.junctions, self.nodes = junctions, len(network.nodes)
        self.size = size = self.nodes + len(network.limited)
        self.branches = [_indexed(branch, index) for branch in network.branches]
        self.limited = [_indexed(branch, index) for branch in network.limited]
        steep: list[Branch | LimitedBranch] = [*network.branches, *network.limited]
        self.watched = [pair for branch in steep for pair in _pairs(branch, index)]
        self.watched += [(row, 0) for row in range(self.nodes, size)]
        places: list[int] = []
        for a, b, *controls in self.branches:
            places += [self._place(row, column) for column in controls for row in (a, b)]
        for row, (_, _, *controls) in enumerate(self.limited, self.nodes):
            places += [self._place(row, column) for column in (row, *controls)]
        self.places = np.concatenate((junctions.row * size + junctions.column, places)).astype(int)

    def _place(self, row: int, column: int) -> int:
        return row * self.size + column if row and column else self.size * self.size

    def constant(self, matrix: Floats) -> Floats:
        """The flat matrix without the nonlinear elements; ground's own equation says that its voltage is zero."""
        size, nodes = self.size, self.nodes
        flat = np.zeros(size * size + 1)
        square = flat[:-1].reshape(size, size)
        square[:nodes, :nodes] = matrix
        for row, (a, b, *_) in enumerate(self.limited, nodes):
            square[a, row], square[b, row] = 1.0, -1.0
        square[0] = square[:, 0] = 0.0
        square[0, 0] = 1.0
        return flat


@dataclass(frozen=True, slots=True)
class Solution:
    """Node voltages against ground, V, followed by the currents of the limited branches, A."""

    vector: Floats
    junction_v: Floats
    converged: bool
    iterations: int


def solve(network: Network, *starts: Solution) -> Solution:
    """Solve the network; `starts` are solutions of similar ones with the same nodes and junctions, the best one first.

    Newton's method from each start: the last one has patience, those before it settle at once or not at all. When it
    does not settle, it is repeated with steps of bounded length, which breaks the cycles that characteristics with
    limits lead it into.
    """
    system = _System(network)
    zero = np.zeros(system.pattern.size), np.zeros(len(network.junctions))
    used = 0
    found = Solution(*zero, False, 0)
    hopes = [((start.vector, start.junction_v), SETTLES_AT_ONCE, 2.0) for start in starts[:-1]]
    origin = (starts[-1].vector, starts[-1].junction_v) if starts else zero
    patient = ((origin, 40, 2.0), (zero, 40, 2.0), (zero, 80, 0.8), (zero, 200, 0.3), (zero, 800, 0.1))
    for (vector, junction_v), most, longest_v in (*hopes, *patient):
        found = system.iterate(vector, junction_v, most, longest_v)
        used += found.iterations
        if found.converged:
            break
    return Solution(found.vector, found.junction_v, found.converged, used)


def start_at(network: Network, voltages: Sequence[float] | Floats) -> Solution:
    """A start for `solve` from node voltages in the order of the network's nodes, and currents of limited branches."""
    vector, nodes = np.array(voltages), len(network.nodes)
    return Solution(vector, network.compiled().control @ vector[:nodes], False, 0)


class _System:
    """The equations of one network. What changes from step to step are few entries of the matrix."""

    def __init__(self, network: Network) -> None:
        self.pattern = pattern = network.pattern()
        self.constant = pattern.constant(network.matrix)
        self.injected_a = np.zeros(pattern.size)
        self.injected_a[1 : pattern.nodes] = network.injected_a[1:]
        self.weights = np.empty(len(pattern.places))
        self.laws = [branch.law for branch in network.branches]
        self.limits = [branch.law for branch in network.limited]

    def iterate(self, vector: Floats, junction_v: Floats, most: int, longest_v: float) -> Solution:
        """Newton's method with no step longer than that."""
        pattern = self.pattern
        control, nodes = pattern.junctions.control, pattern.nodes
        if len(vector) != pattern.size:
            vector = np.concatenate((vector[:nodes], np.zeros(pattern.size - nodes)))
        values, reached = vector.tolist(), control @ vector[:nodes]
        quiet = 0
        for iteration in range(1, most + 1):
            limited = pattern.junctions.held_back(reached, junction_v)
            following = self._step(values, limited)
            after, reached = following.tolist(), control @ following[:nodes]
            move = self._move(values, after, reached, limited)
            if move > longest_v:
                following = vector + (following - vector) * (longest_v / move)
                after, reached = following.tolist(), control @ following[:nodes]
            vector, values, junction_v = following, after, limited
            quiet = quiet + 1 if move < ROUNDING_V else 0
            if move < TOLERANCE_V or quiet > 3:
                return Solution(vector, reached, True, iteration)
        return Solution(vector, junction_v, False, most)

    def _step(self, values: list[float], junction_v: Floats) -> Floats:
        """Solution of the network linearised at these unknowns and junction voltages."""
        pattern, junctions = self.pattern, self.pattern.junctions
        steepness = junctions.conductance * np.exp(np.minimum(junction_v / junctions.slope, 300.0))
        rest = steepness * (junctions.slope - junction_v) - junctions.saturation
        right = self.injected_a.copy()
        right[: pattern.nodes] -= junctions.into @ rest
        entries = self._branch_entries(values, right)
        weights, own, size = self.weights, len(junctions.junction), pattern.size
        np.multiply((steepness + SHUNT_S)[junctions.junction], junctions.factor, out=weights[:own])
        weights[own:] = entries
        matrix = (self.constant + np.bincount(pattern.places, weights, size * size + 1))[:-1].reshape(size, size)
        # (doubles make doubles; the stubs of numpy say any floating-point number)
        return np.linalg.solve(matrix, right)  # type: ignore[return-value]

    def _branch_entries(self, values: list[float], right: Floats) -> list[float]:
        """Entries of branches in the order of their places; constant terms go to the right side."""
        entries: list[float] = []
        for (a, b, plus1, minus1, plus2, minus2), law in zip(self.pattern.branches, self.laws, strict=True):
            u1, u2 = values[plus1] - values[minus1], values[plus2] - values[minus2]
            ampere, slope1, slope2 = law(u1, u2)
            rest = ampere - slope1 * u1 - slope2 * u2
            right[a] -= rest
            right[b] += rest
            entries += (slope1, -slope1, -slope1, slope1, slope2, -slope2, -slope2, slope2)
        row = self.pattern.nodes
        for (_, _, plus1, minus1, plus2, minus2), limit in zip(self.pattern.limited, self.limits, strict=True):
            current, u1, u2 = values[row], values[plus1] - values[minus1], values[plus2] - values[minus2]
            miss, by_current, slope1, slope2 = limit(current, u1, u2)
            right[row] = by_current * current + slope1 * u1 + slope2 * u2 - miss
            entries += (by_current, slope1, -slope1, slope2, -slope2)
            row += 1
        right[0] = 0.0
        return entries

    def _move(self, before: list[float], after: list[float], reached: Floats, limited: Floats) -> float:
        """How far the arguments of nonlinear elements moved. What is linear is exact after one step, however long."""
        awake = np.maximum(reached, limited) > ASLEEP_V
        furthest = float(np.maximum.reduce(np.abs(reached - limited) * awake, initial=0.0))
        for plus, minus in self.pattern.watched:
            move = abs(after[plus] - before[plus] - (after[minus] - before[minus]))
            if move > furthest:
                furthest = move
        return furthest


def _any(flags: Booleans) -> bool:
    return bool(np.logical_or.reduce(flags))  # without the detour of the method of the same name


def _pairs(branch: Branch | LimitedBranch, index: Mapping[str, int]) -> Pairs:
    return tuple((index[plus], index[minus]) for plus, minus in branch.controls)


def _indexed(branch: Branch | LimitedBranch, index: Mapping[str, int]) -> tuple[int, int, int, int, int, int]:
    """Both nodes and four that control; a voltage that does not control lies between ground and ground."""
    (plus1, minus1), (plus2, minus2) = (*_pairs(branch, index), (0, 0))[:2]
    return index[branch.a], index[branch.b], plus1, minus1, plus2, minus2
