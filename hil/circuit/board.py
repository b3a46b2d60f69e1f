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

from hil.circuit import clock
from hil.circuit.conditioned import conditioned, locate, pack_nets, power_comparator
from hil.circuit.conditions import Conditions, Operating, Oscillation, Source
from hil.circuit.dc import Floats, Network, Solution, start_at
from hil.circuit.dc import solve as solve_network
from hil.circuit.faults import Assembly, Fault, assemble
from hil.circuit.netlist import Component, Netlist
from hil.circuit.oscillator import Terminal, tank_network
from hil.circuit.stamps import Values, base_network
from hil.circuit.tank import Comparator, TankSolution
from hil.circuit.tank import solve as solve_tank

__all__ = ["BoardModel", "Conditions", "Operating", "Oscillation", "Source", "Terminal", "draw_values"]

COMPARATOR_LEAST_V = 2.5  # supply below which the comparator's output stays open; from memory
LOGIC_LOW, LOGIC_HIGH = 0.3, 0.6  # thresholds as fractions of the supply: ATmega328P data sheet, from memory
RECEIVER_LOW, RECEIVER_HIGH = 0.3, 0.7
CACHE = 4096
TIGHT_LIMIT_A = 0.1  # a limit below this may be reached


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
        self._assemblies = tuple(assemble(netlist, values, faults, joint_open=is_open) for is_open in (False, True))
        self.values = dict(self._assemblies[0].values)
        self.intermittent = self._assemblies[0].intermittent
        """Probability that intermittent joints are open at a look; draw and set `Conditions.joints_open`."""
        self._bases: dict[tuple[bool, float], tuple[Values, Network]] = {}
        self._nominal = _nominal_of(netlist, self)
        self._look = lru_cache(maxsize=CACHE)(self._solve)
        self._anchors = lru_cache(maxsize=CACHE)(self._settle)

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

    def carries(self, driver: str, receiver: str, conditions: Conditions) -> bool:
        """Whether both logic levels of a driven pin arrive at another pin.

        ``driver`` is a microcontroller pin (``U3.PB3``) or any other pin, which is then driven from outside with 0
        and 5 V behind 100 Ω (``J2.RX``); ``receiver`` any pin (``DISP1.SDI``). Levels are judged at 0.3 and 0.7 of
        the receiver's supply, or of 5 V for a connector.
        """
        designator, _, pin = driver.partition(".")
        seen = []
        for level, volt in (("low", 0.0), ("high", 5.0)):
            if self.netlist.component(designator).kind == "microcontroller":
                name = self.netlist.component(designator).pin(pin).name
                others = tuple(pair for pair in conditions.pins if pair[0] != name)
                asked = replace(conditions, pins=(*others, (name, level)))
            else:
                asked = replace(
                    conditions,
                    sources=(*conditions.sources, Source(point=driver, voltage_v=volt, resistance_ohm=100.0)),
                )
            operating = self.solve(asked)
            supply = self._supply_of(receiver, operating)
            if supply < COMPARATOR_LEAST_V * 0.8:
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

    def _base(self, assembly: Assembly, conditions: Conditions) -> tuple[Values, Network]:
        key = (conditions.joints_open, conditions.temperature_degc)
        if key not in self._bases:
            values = Values(assembly, conditions.temperature_degc)
            self._bases[key] = values, base_network(assembly, values)
        return self._bases[key]

    def assembly(self, conditions: Conditions) -> Assembly:
        """The board with its faults as it is at this moment."""
        return self._assemblies[conditions.joints_open]

    def anchor(self, conditions: Conditions) -> Mapping[str, Mapping[str, float]]:
        """Voltages by net for each state of the comparator's output, under rounded conditions; cached."""
        return self._anchors(_rounded(conditions))

    def _settle(self, conditions: Conditions) -> Mapping[str, Mapping[str, float]]:
        assembly = self._assemblies[0]
        values, base = self._base(assembly, conditions)
        look = _Look(self, assembly, values, base, conditions)
        look.result()
        names = (*base.nodes, *(f"#{number}" for number in range(len(base.nodes))))
        return {state: dict(zip(names, vector.tolist(), strict=False)) for state, vector in look.found.items()}

    def _solve(self, conditions: Conditions) -> tuple[Operating, Oscillation]:
        assembly = self._assemblies[conditions.joints_open]
        values, base = self._base(assembly, conditions)
        look = _Look(self, assembly, values, base, conditions)
        return look.result()


_NOMINALS: dict[int, tuple[Netlist, BoardModel]] = {}


def _nominal_of(netlist: Netlist, model: BoardModel) -> BoardModel:
    """The nominal unfaulted board of a netlist, kept for the life of the program; its own nominal is itself."""
    if not model.faults and all(model.values[p.name] == p.value for p in netlist.parameters()):
        return model
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


class _Look:
    """One solution in the making: relay contacts and the microcontroller's state follow from it and change it."""

    def __init__(
        self, model: BoardModel, assembly: Assembly, values: Values, base: Network, conditions: Conditions
    ) -> None:
        self.model, self.assembly, self.values, self.base, self.conditions = model, assembly, values, base, conditions
        self.netlist = assembly.netlist
        self.clock_hz = clock.frequency_hz(assembly, values)
        self.iterations = 0
        self.index = base.index
        self.found: dict[str, Floats] = {}  # latest solution by state of the comparator's output

    def result(self) -> tuple[Operating, Oscillation]:
        relays = self.netlist.of_kind("relay_changeover", "relay_reed")
        driven = {pin for pin, level in self.conditions.pins if level == "high"}
        guess = {"relay_changeover": "PB0" in driven, "relay_reed": "PB1" in driven}
        powered = bool(self.conditions.supply_v)
        pulled = {relay.designator: powered and guess[relay.kind] for relay in relays}
        mode = self.conditions.mcu
        if mode == "running" and not self._could_run():
            mode = "stopped" if not self.clock_hz else "blank"
        for _ in range(4):
            vector, tank, level, converged = self._average(pulled, mode)
            coils = {relay.designator: self._coil_on(relay, vector) for relay in relays}
            runs = mode != "running" or self._runs(vector)
            if coils == pulled and runs:
                break
            pulled = coils
            mode = mode if runs else "reset"
        operating = self._operating(vector, coils, level, mode, converged)
        return operating, self._oscillation(tank, level, vector)

    # The microcontroller
    def _could_run(self) -> bool:
        parts = self.netlist.of_kind("microcontroller")
        return self.clock_hz > 0 and all((part.designator, "blank") not in self.assembly.flags for part in parts)

    def _runs(self, vector: Floats) -> bool:
        for part in self.netlist.of_kind("microcontroller"):
            supply = self._between(part, "VCC", "GND", vector)
            reset = self._between(part, "PC6", "GND", vector)
            if supply < self.values[f"{part.designator}.brown_out"] or reset < LOGIC_HIGH * supply:
                return False
        return True

    def _between(self, part: Component, plus: str, minus: str, vector: Floats) -> float:
        return float(vector[self.index[part.net(plus)]] - vector[self.index[part.net(minus)]])

    def _coil_on(self, relay: Component, vector: Floats) -> bool:
        return abs(self._between(relay, "COIL+", "COIL-", vector)) >= self.values[f"{relay.designator}.operate"]

    # The network
    def _average(self, pulled: Mapping[str, bool], mode: str) -> tuple[Floats, TankSolution | None, str, bool]:
        network = conditioned(self.base, self.assembly, self.values, self.conditions, pulled, self.clock_hz, mode)
        parts = self.netlist.of_kind("comparator")
        off = None
        if not (self.conditions.supply_v or self.conditions.sources):
            off = self._newton(network, "off")
            return off.vector, None, "off", off.converged
        part = parts[0]
        high = self._newton(power_comparator(network, part, self.values, output_low=False), "high")
        if self._between(part, "V+", "V-", high.vector) < COMPARATOR_LEAST_V:
            off = self._newton(network, "off", high)
            return off.vector, None, "off", off.converged
        low = self._newton(power_comparator(network, part, self.values, output_low=True), "low", high)
        offset = self.values[f"{part.designator}.offset"]
        balance_high = self._between(part, "IN+", "IN-", high.vector) + offset
        balance_low = self._between(part, "IN+", "IN-", low.vector) + offset
        converged = high.converged and low.converged
        if not balance_low > 0 > balance_high:
            # No rest in between: the output stays where it is held; between two held states, low as after power-up.
            stays_high = balance_high > 0 and balance_low > 0
            return (high if stays_high else low).vector, None, "high" if stays_high else "low", converged
        tank = self._tank(part, pulled, low.vector, high.vector, balance_low, balance_high)
        duty = float(tank.duty) if tank is not None else balance_low / (balance_low - balance_high)
        level = "oscillates" if tank is not None and tank.frequency_hz > 0 else "hovers"
        return duty * high.vector + (1 - duty) * low.vector, tank, level, converged

    def _newton(self, network: Network, state: str, start: Solution | None = None) -> Solution:
        if start is None:
            start = self._anchor(network, state)
        found = solve_network(network, start)
        self.iterations += found.iterations
        self.found[state] = found.vector
        return found

    def _anchor(self, network: Network, state: str) -> Solution | None:
        """Where the nominal board settles under like conditions: a start that depends on nothing but the arguments."""
        nominal = self.model._nominal
        if nominal is self.model or self.conditions.supply_v is None:
            return None
        known = nominal.anchor(self.conditions).get(state)
        if known is None:
            return None
        voltages = [known.get(name, known.get(self._original_net(name), 0.0)) for name in network.nodes]
        return start_at(network, voltages + [known.get(f"#{number}", 0.0) for number in range(len(network.limited))])

    def _original_net(self, name: str) -> str:
        """Net that an isolated pin such as ``U3.4`` was on."""
        designator, dot, pin = name.partition(".")
        return self.model.netlist.component(designator).net(pin) if dot else ""

    def _tank(
        self, part: Component, pulled: Mapping[str, bool], low: Floats, high: Floats, balance_low: float, balance_high: float
    ) -> TankSolution | None:  # fmt: skip
        built = tank_network(self.assembly, self.values, pulled, self.conditions.terminal)
        if built is None:
            return None
        network, start = built
        output, name = self.index[part.net("OUT")], part.designator
        mean = (low + high) / 2
        headroom = self._between(part, "V+", "IN+", mean) - part.model["common_mode_headroom"]
        comparator = Comparator(
            delay_s=np.array(self.values[name]),
            swing_v=np.array(high[output] - low[output]),
            balance_low_v=np.array(balance_low),
            balance_high_v=np.array(balance_high),
            noise_v=np.array(self.values[f"{name}.noise"]),
            noise_bandwidth_hz=part.model["noise_bandwidth"],
            headroom_v=np.array(headroom),
        )
        return solve_tank(network, comparator, np.array(start))

    # Results
    def _operating(
        self, vector: Floats, coils: Mapping[str, bool], level: str, mode: str, converged: bool
    ) -> Operating:
        nets = {net: float(vector[number]) for net, number in self.index.items()}
        points = {name: nets[net] for name, net in self.netlist.test_points.items()}
        pins = {}
        for part in self.netlist.components:
            for pin in part.pins:
                if pin.net:
                    pins[f"{part.designator}.{pin.number}"] = pins[f"{part.designator}.{pin.name}"] = nets[pin.net]
        current, limited = self._supply(nets)
        return Operating(
            voltages=nets | points,
            pins=pins,
            supply_current_a=current,
            in_current_limit=limited,
            relays=dict(coils),
            lamps={part.designator: self._lamp_a(part, vector) for part in self.netlist.of_kind("led")},
            resistance_ohm=self._resistance(nets),
            mcu_clock_hz=self.clock_hz,
            mcu_programmable=clock.is_programmable(self.assembly, pins),
            mcu_runs=mode == "running",
            mcu_mode=mode,
            display_powered=self._display_powered(vector),
            output_level=level,
            converged=converged,
            iterations=self.iterations,
        )

    def _supply(self, nets: Mapping[str, float]) -> tuple[float, bool]:
        conditions = self.conditions
        if conditions.supply_v is None:
            return 0.0, False
        plus, minus = pack_nets(self.assembly)
        size, volt = abs(conditions.supply_v), math.copysign(nets[plus] - nets[minus], 1.0)
        current = max(0.0, min((size - volt) / 0.01, conditions.supply_limit_a))
        return current, current > 0.999 * conditions.supply_limit_a

    def _resistance(self, nets: Mapping[str, float]) -> float | None:
        if self.conditions.ohmmeter is None:
            return None
        first, second = (locate(self.assembly, point) for point in self.conditions.ohmmeter)
        volt = nets[first] - nets[second]
        return math.inf if volt > 0.98 * self.conditions.ohmmeter_limit_v else volt / self.conditions.ohmmeter_current_a

    def _lamp_a(self, part: Component, vector: Floats) -> float:
        from hil.circuit.devices import saturation_a

        slope = part.model["emission"] * self.values.thermal_v
        saturation = saturation_a(self.values[part.designator], part.model["emission"], self.values.temperature_degc)
        return saturation * math.expm1(min(self._between(part, "A", "K", vector) / slope, 300.0))

    def _display_powered(self, vector: Floats) -> bool:
        for part in self.netlist.of_kind("display"):
            supply = self._between(part, "VDD", "GND", vector)
            dead = (part.designator, "dead") in self.assembly.flags
            if dead or not part.model["supply_least"] <= supply <= part.model["supply_most"]:
                return False
        return True

    def _oscillation(self, tank: TankSolution | None, level: str, vector: Floats) -> Oscillation:
        frequency = float(tank.frequency_hz) if tank is not None and level == "oscillates" else 0.0
        return Oscillation(
            frequency_hz=frequency,
            t0_frequency_hz=self._counted_hz(frequency),
            amplitude_v=float(tank.amplitude_v) if tank is not None else 0.0,
            duty=float(tank.duty) if tank is not None else float(level == "high"),
            sigma_hz=float(tank.sigma_hz) if tank is not None else 0.0,
            extra_edges=float(tank.extra_edges) if tank is not None else 0.0,
            loaded_q=float(tank.loaded_q) if tank is not None else 0.0,
        )

    def _counted_hz(self, frequency: float) -> float:
        """What has valid levels at T0: the comparator's output, or a generator connected there."""
        parts = self.netlist.of_kind("microcontroller")
        if not parts:
            return 0.0
        part = parts[0]
        generators = [source for source in self.conditions.sources if source.frequency_hz]
        low, high = self._extremes(part, generators)
        if not (low < LOGIC_LOW and high > LOGIC_HIGH):
            return 0.0
        return generators[0].frequency_hz if generators else frequency

    def _extremes(self, part: Component, generators: Sequence[Source]) -> tuple[float, float]:
        """Lowest and highest level at T0 as fractions of the microcontroller's supply."""
        if not generators:
            if "low" not in self.found or "high" not in self.found:
                return 0.0, 0.0
            return self._level(part, self.found["low"]), self._level(part, self.found["high"])
        levels = []
        for volt in (0.0, 1.0):
            fixed = tuple(
                replace(source, frequency_hz=0.0, voltage_v=source.voltage_v * volt) if source.frequency_hz else source
                for source in self.conditions.sources
            )
            operating = self.model.solve(replace(self.conditions, sources=fixed))
            supply = operating.pins[f"{part.designator}.VCC"] - operating.pins[f"{part.designator}.GND"]
            levels.append(operating.pins[f"{part.designator}.PD4"] / max(supply, 1e-3))
        return levels[0], levels[1]

    def _level(self, part: Component, vector: Floats) -> float:
        return self._between(part, "PD4", "GND", vector) / max(self._between(part, "VCC", "GND", vector), 1e-3)


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
