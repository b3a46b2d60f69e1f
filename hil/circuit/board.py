"""One unit's board as a model: what its nets and its oscillator do under given conditions.

    model = BoardModel(netlist, values, faults)
    operating = model.solve(Conditions(supply_v=7.4, supply_limit_a=0.15))
    operating.voltage_v("TP_5V"), operating.supply_current_a, operating.relay_on("K1")
    model.oscillate(conditions, operating).frequency_hz

Pure: equal arguments give equal results; no noise is added here (`Oscillation.sigma_hz` says how much there is).

The comparator's output is either low or high at any moment. The network is solved for both; while the loop oscillates
every average lies between the two in proportion to the duty, and the duty follows from the limit cycle.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from hil.circuit.clock import PROGRAMMING_LEAST_V
from hil.circuit.conditioned import SUPPLY_OHM, locate, pack_nets
from hil.circuit.conditions import Conditions, Operating, Oscillation, Renamed, Source
from hil.circuit.dc import Floats, Network
from hil.circuit.devices import saturation_a
from hil.circuit.faults import Assembly, Fault, assemble
from hil.circuit.netlist import Component, Netlist
from hil.circuit.oscillator import TankBoard, Terminal
from hil.circuit.settle import Near, Settled, Settling
from hil.circuit.stamped import Stamped
from hil.circuit.tank import Comparator, TankSolution
from hil.circuit.tank import solve as solve_tank

__all__ = ["BoardModel", "Conditions", "Operating", "Oscillation", "Source", "Terminal", "draw_values", "nominal_board"]

COUNTED_LOW, COUNTED_HIGH = 0.3, 0.6  # of the supply, at T0: ATmega328P data sheet, from memory
RECEIVER_LOW, RECEIVER_HIGH, RECEIVER_LEAST_V = 0.3, 0.7, 2.0
TIGHT_LIMIT_A = 0.1  # a current limit below this may be reached
CACHE = 4096

Places = npt.NDArray[np.intp]
Pulled = tuple[tuple[str, bool], ...]  # armature of each relay


class BoardModel:
    """One unit: netlist, its true component values, and what is wrong with it.

    Args:
        netlist: the board.
        values: true value of every parameter, as `draw_values` gives them (missing ones are nominal).
        faults: applied in order.
    """

    def __init__(self, netlist: Netlist, values: Mapping[str, float], faults: Sequence[Fault] = ()) -> None:
        self.netlist = netlist
        self.faults = tuple(faults)
        sound = assemble(netlist, values, faults)
        loose = assemble(netlist, values, faults, joint_open=True) if sound.intermittent else sound
        self._assemblies = (sound, loose)
        self.values, self.intermittent = dict(sound.values), sound.intermittent
        """Probability that intermittent joints are open at a look; draw and set `Conditions.joints_open`."""
        is_nominal = not faults and all(self.values[p.name] == p.value for p in netlist.parameters())
        self._nominal = self if is_nominal else nominal_board(netlist)
        self._stamped = lru_cache(maxsize=64)(self._build)
        self._designed = lru_cache(maxsize=64)(self._places_of)
        self._tank_board = lru_cache(maxsize=64)(self._build_tank)
        self.tank = lru_cache(maxsize=CACHE)(self._limit_cycle)
        self._settled = lru_cache(maxsize=CACHE)(self._settle)
        self._look = lru_cache(maxsize=CACHE)(self._solve)

    def solve(self, conditions: Conditions) -> Operating:
        """The operating point under these conditions; cached.

        Raises:
            ValueError: a point or pin in the conditions does not exist.
        """
        return self._look(conditions)[0]

    def oscillate(self, conditions: Conditions, operating: Operating | None = None) -> Oscillation:
        """What the comparator does under these conditions and what arrives at T0; cached.

        ``operating`` is accepted for callers that hold it; the limit cycle was found together with it.
        """
        return self._look(conditions)[1]

    def assembly(self, conditions: Conditions) -> Assembly:
        """The board with its faults as it is at this moment."""
        return self._assemblies[conditions.joints_open]

    def carries(self, driver: str, receiver: str, conditions: Conditions) -> bool:
        """Whether both logic levels of a driven pin arrive at another pin.

        ``driver`` is a microcontroller pin (``U3.PB3``) or any other pin, which is then driven from outside with 0
        and 5 V behind 100 Ω (``J2.RX``); ``receiver`` any pin (``DISP1.SDI``). Levels are judged at 0.3 and 0.7 of
        the receiver's supply, or of 5 V for a connector.
        """
        component, name = self.netlist.component(driver.partition(".")[0]), driver.partition(".")[2]
        seen = []
        for level, volt in (("low", 0.0), ("high", 5.0)):
            if component.kind == "microcontroller":
                pin = component.pin(name).name
                others = tuple(pair for pair in conditions.pins if pair[0] != pin)
                asked = replace(conditions, pins=(*others, (pin, level)))
            else:
                source = Source(point=driver, voltage_v=volt, resistance_ohm=100.0)
                asked = replace(conditions, sources=(*conditions.sources, source))
            operating = self.solve(asked)
            supply = self._supply_of(receiver, operating)
            if supply < RECEIVER_LEAST_V:
                return False
            seen.append(operating.voltage_v(receiver) / supply)
        return seen[0] < RECEIVER_LOW and seen[1] > RECEIVER_HIGH

    def _supply_of(self, pin: str, operating: Operating) -> float:
        designator = pin.split(".")[0]
        kind = self.netlist.component(designator).kind
        if kind == "connector":
            return 5.0
        supply = {"microcontroller": "VCC", "display": "VDD", "comparator": "V+"}[kind]
        ground = "V-" if kind == "comparator" else "GND"
        return operating.pins[f"{designator}.{supply}"] - operating.pins[f"{designator}.{ground}"]

    # Stages, each cached: base network, direct current, oscillator
    def _build(self, joints_open: bool, temperature_degc: float) -> Stamped:
        return Stamped(self._assemblies[joints_open], temperature_degc)

    def _settle(self, conditions: Conditions) -> Settled:
        stamped = self._stamped(conditions.joints_open, conditions.temperature_degc)

        def start(network: Network) -> Near | None:
            return self._near(network, conditions)

        return Settling(stamped, conditions, start).result()

    def _near(self, network: Network, conditions: Conditions) -> Near | None:
        """Where this board settles without the load, or the nominal one under similar conditions.

        It depends on nothing but the arguments.
        """
        if conditions.supply_v is None:
            return None
        if conditions.loads and not conditions.sources:
            own = self._settled(replace(conditions, loads=()))
            return Near(own.high, own.low - own.high)
        if self._nominal is self:
            at_rest = Conditions(supply_v=math.copysign(7.4, conditions.supply_v), mcu="running")
            if conditions == at_rest:
                return None
            own = self._settled(at_rest)
            return Near(own.high, own.low - own.high)
        similar = self._nominal._settled(_rounded(conditions))
        places = self._designed(network.nodes, len(similar.high))
        return Near(similar.high[places], (similar.low - similar.high)[places])

    def _places_of(self, nodes: tuple[str, ...], unknowns: int) -> Places:
        """Where to find the nodes, and the currents behind them, in a solution of the nominal board."""
        known = self._nominal._stamped(False, NOMINAL.temperature_degc).index
        places = [known[self._designed_net(name, known)] for name in nodes]
        return np.array([*places, *range(len(known), unknowns)])

    def _designed_net(self, name: str, known: Mapping[str, int]) -> str:
        """The net itself, or the one that an isolated pin such as ``U3.4`` should be on."""
        if name in known:
            return name
        designator, _, pin = name.partition(".")
        return self.netlist.component(designator).net(pin) or self.netlist.ground

    def _build_tank(self, joints_open: bool, temperature_degc: float, pulled: Pulled) -> TankBoard:
        return TankBoard(
            self._assemblies[joints_open], self._stamped(joints_open, temperature_degc).values, dict(pulled)
        )

    def _limit_cycle(
        self,
        joints_open: bool,
        temperature_degc: float,
        pulled: Pulled,
        terminal: Terminal,
        *,
        swing_v: float,
        balance_low_v: float,
        balance_high_v: float,
        headroom_v: float,
    ) -> TankSolution | None:
        built = self._tank_board(joints_open, temperature_degc, pulled).with_terminal(terminal)
        if built is None:
            return None
        network, start = built
        part = self.netlist.of_kind("comparator")[0]
        values = self._stamped(joints_open, temperature_degc).values
        comparator = Comparator(
            delay_s=values[part.designator],
            swing_v=swing_v,
            balance_low_v=balance_low_v,
            balance_high_v=balance_high_v,
            noise_v=values[f"{part.designator}.noise"],
            noise_bandwidth_hz=part.model["noise_bandwidth"],
            headroom_v=headroom_v,
        )
        return solve_tank(network, comparator, start)

    def _solve(self, conditions: Conditions) -> tuple[Operating, Oscillation]:
        settled = self._settled(_direct(conditions))
        stamped = self._stamped(conditions.joints_open, conditions.temperature_degc)
        look = _Look(self, stamped, conditions, settled)
        return look.operating(), look.oscillation()


NOMINAL = Conditions()
ANY_COIL = Terminal(kind="inductor", value=1e-3, series_resistance_ohm=1.0)
_NOMINALS: dict[int, tuple[Netlist, BoardModel]] = {}


def nominal_board(netlist: Netlist) -> BoardModel:
    """The nominal unfaulted board of a netlist, kept for the life of the program with all that is known of it."""
    if id(netlist) not in _NOMINALS:
        _NOMINALS[id(netlist)] = netlist, BoardModel(netlist, {})
    return _NOMINALS[id(netlist)][1]


def _rounded(conditions: Conditions) -> Conditions:
    """Conditions of which the nominal solution is a good start for these ones."""
    assert conditions.supply_v is not None
    tight = conditions.supply_limit_a < TIGHT_LIMIT_A
    return Conditions(
        supply_v=math.copysign(7.4, conditions.supply_v),
        supply_limit_a=conditions.supply_limit_a if tight else 0.25,
        switch_on=conditions.switch_on,
        pins=conditions.pins,
        mcu=conditions.mcu,
    )


def _direct(conditions: Conditions) -> Conditions:
    """The same for direct current: a capacitor at the terminals is open, and one coil is like another."""
    kind = conditions.terminal.kind
    if kind in ("open", "capacitor"):
        return replace(conditions, terminal=NOMINAL.terminal)
    if kind == "inductor" and conditions.ohmmeter is None:
        return replace(conditions, terminal=ANY_COIL)
    return conditions


def _to_grid(volt: float) -> float:
    """Rounded to 10 µV: what the oscillator cannot feel shall not make it a new one."""
    return round(float(volt), 5)


class _Look:
    """Results for one set of conditions, from the settled board and its limit cycle."""

    def __init__(self, model: BoardModel, stamped: Stamped, conditions: Conditions, settled: Settled) -> None:
        self.model, self.stamped, self.conditions, self.settled = model, stamped, conditions, settled
        self.netlist, self.assembly, self.values = stamped.netlist, stamped.assembly, stamped.values
        self.index = stamped.index
        self.tank = self._tank() if settled.level == "free" else None
        duty = settled.resting_duty if self.tank is None else self.tank.duty
        self.vector = settled.mean(duty)
        self.duty = duty

    def _between(self, part: Component, plus: str, minus: str, vector: Floats) -> float:
        return float(vector[self.index[part.net(plus)]] - vector[self.index[part.net(minus)]])

    def _tank(self) -> TankSolution | None:
        settled = self.settled
        part = self.netlist.of_kind("comparator")[0]
        output = self.index[part.net("OUT")]
        headroom = self._between(part, "V+", "IN+", settled.mean(0.5)) - part.model["common_mode_headroom"]
        return self.model.tank(
            self.conditions.joints_open,
            self.conditions.temperature_degc,
            tuple(settled.pulled.items()),
            self.conditions.terminal,
            swing_v=_to_grid(settled.high[output] - settled.low[output]),
            balance_low_v=_to_grid(settled.balance_low_v),
            balance_high_v=_to_grid(settled.balance_high_v),
            headroom_v=_to_grid(headroom),
        )

    def operating(self) -> Operating:
        """Voltages, currents and states."""
        nets: dict[str, float] = dict(zip(self.index, self.vector.tolist(), strict=False))
        points = {name: nets[net] for name, net in self.netlist.test_points.items()}
        pins = Renamed(nets, self.netlist.pin_nets)
        current, limited = self._supply(nets)
        settled = self.settled
        level = settled.level
        if level == "free":
            level = "oscillates" if self.tank is not None and self.tank.frequency_hz > 0 else "hovers"
        return Operating(
            voltages=nets | points,
            pins=pins,
            supply_current_a=current,
            in_current_limit=limited,
            relays=dict(settled.pulled),
            lamps={part.designator: self._lamp_a(part) for part in self.netlist.of_kind("led")},
            resistance_ohm=self._resistance(nets),
            mcu_clock_hz=settled.clock_hz,
            mcu_programmable=self._is_programmable(),
            mcu_runs=settled.mode == "running",
            mcu_mode=settled.mode,
            display_powered=self._display_powered(),
            output_level=level,
            converged=settled.converged,
            iterations=settled.iterations,
        )

    def _supply(self, nets: Mapping[str, float]) -> tuple[float, bool]:
        conditions = self.conditions
        if conditions.supply_v is None:
            return 0.0, False
        plus, minus = pack_nets(self.netlist)
        terminal_v = math.copysign(1.0, conditions.supply_v) * (nets[plus] - nets[minus])
        current = min((abs(conditions.supply_v) - terminal_v) / SUPPLY_OHM, conditions.supply_limit_a)
        return current, current > 0.999 * conditions.supply_limit_a

    def _resistance(self, nets: Mapping[str, float]) -> float | None:
        conditions = self.conditions
        if conditions.ohmmeter is None:
            return None
        first, second = (locate(self.assembly, point) for point in conditions.ohmmeter)
        volt = nets[first] - nets[second]
        return math.inf if volt > 0.98 * conditions.ohmmeter_limit_v else volt / conditions.ohmmeter_current_a

    def _lamp_a(self, part: Component) -> float:
        slope = part.model["emission"] * self.values.thermal_v
        saturation = saturation_a(self.values[part.designator], part.model["emission"], self.values.temperature_degc)
        return saturation * math.expm1(min(self._between(part, "A", "K", self.vector) / slope, 300.0))

    def _is_programmable(self) -> bool:
        parts = self.netlist.of_kind("microcontroller")
        return self.stamped.header_reaches and self._between(parts[0], "VCC", "GND", self.vector) > PROGRAMMING_LEAST_V

    def _display_powered(self) -> bool:
        for part in self.netlist.of_kind("display"):
            supply = self._between(part, "VDD", "GND", self.vector)
            dead = (part.designator, "dead") in self.assembly.flags
            if dead or not part.model["supply_least"] <= supply <= part.model["supply_most"]:
                return False
        return True

    def oscillation(self) -> Oscillation:
        """The limit cycle as plain numbers."""
        tank = self.tank
        if tank is None:
            nothing = dict.fromkeys(("amplitude_v", "sigma_hz", "extra_edges", "loaded_q"), 0.0)
            return Oscillation(frequency_hz=0.0, t0_frequency_hz=self._counted_hz(0.0), duty=self.duty, **nothing)
        return Oscillation(
            frequency_hz=tank.frequency_hz,
            t0_frequency_hz=self._counted_hz(tank.frequency_hz),
            amplitude_v=tank.amplitude_v,
            duty=tank.duty,
            sigma_hz=tank.sigma_hz,
            extra_edges=tank.extra_edges,
            loaded_q=tank.loaded_q,
        )

    def _counted_hz(self, frequency: float) -> float:
        """What has valid levels at T0: the comparator's output, or a generator connected there."""
        generators = [source for source in self.conditions.sources if source.frequency_hz]
        if not generators and frequency == 0.0:
            return 0.0
        for part in self.netlist.of_kind("microcontroller"):
            if generators:
                levels = [self._level_with(part, share) for share in (0.0, 1.0)]
            else:
                levels = [self._level(part, vector) for vector in (self.settled.low, self.settled.high)]
            if levels[0] < COUNTED_LOW and levels[1] > COUNTED_HIGH:
                return generators[0].frequency_hz if generators else frequency
        return 0.0

    def _level(self, part: Component, vector: Floats) -> float:
        """Voltage at T0 as a fraction of the microcontroller's supply."""
        return self._between(part, "PD4", "GND", vector) / max(self._between(part, "VCC", "GND", vector), 1e-3)

    def _level_with(self, part: Component, share: float) -> float:
        """The same with every generator resting at a share of its voltage."""
        fixed = tuple(
            replace(source, frequency_hz=0.0, voltage_v=source.voltage_v * share) if source.frequency_hz else source
            for source in self.conditions.sources
        )
        pins, name = self.model.solve(replace(self.conditions, sources=fixed)).pins, part.designator
        return (pins[f"{name}.PD4"] - pins[f"{name}.GND"]) / max(pins[f"{name}.VCC"] - pins[f"{name}.GND"], 1e-3)


def draw_values(netlist: Netlist, uniform: Callable[[str], float]) -> dict[str, float]:
    """True values of one unit: normal, tolerance = 3σ, truncated at the tolerance.

    ``uniform(name)`` gives a number in [0, 1) that depends on the parameter's name and the unit's serial number.
    Names are ``R5``, or ``L1.q`` where a component has further parameters.
    """
    normal = NormalDist()
    least, most = normal.cdf(-3.0), normal.cdf(3.0)
    values = {}
    for parameter in netlist.parameters():
        deviation = normal.inv_cdf(least + (most - least) * uniform(parameter.name)) / 3
        values[parameter.name] = parameter.value + parameter.tolerance * deviation
    return values
