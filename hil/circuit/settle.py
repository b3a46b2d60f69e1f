"""Where a board settles for direct current: both states of the comparator's output, relays, microcontroller.

Relay contacts and the microcontroller's state follow from the voltages and change them; a few rounds find a state that
agrees with itself. Whether the comparator oscillates is decided by others; here both of its levels are solved.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from hil.circuit.conditioned import conditioned, power_comparator
from hil.circuit.conditions import Conditions
from hil.circuit.dc import Floats, Network, Solution, solve, start_at
from hil.circuit.netlist import Component
from hil.circuit.stamped import Stamped

COMPARATOR_LEAST_V = 2.5  # supply below which the comparator's output stays open; from memory
RESET_HIGH = 0.6  # of the supply: above it the microcontroller leaves reset; from memory
ROUNDS = 4


@dataclass(frozen=True, slots=True)
class Near:
    """Where Newton's method may start: a solution of a similar board, in the order of this one's nodes."""

    high: Floats
    to_low: Floats  # what changes when the output goes low


Start = Callable[[Network], Near | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Node voltages with the comparator's output low and high (the same when it is unpowered)."""

    low: Floats
    high: Floats
    level: str  # "off"; "low" or "high": held there; "free": it rests at neither
    balance_low_v: float  # + input less - input plus offset, by state of the output
    balance_high_v: float
    pulled: Mapping[str, bool]
    mode: str  # of the microcontroller: running, reset, blank, stopped
    clock_hz: float
    converged: bool
    iterations: int

    def mean(self, duty: float) -> Floats:
        """Average with the output high for this share of the time."""
        if self.level == "free":
            return duty * self.high + (1 - duty) * self.low
        return self.high if self.level in ("high", "off") else self.low

    @property
    def resting_duty(self) -> float:
        """Duty at which the averaged inputs are equal; 0 or 1 when the output is held."""
        if self.level == "free":
            return self.balance_low_v / (self.balance_low_v - self.balance_high_v)
        return 1.0 if self.level == "high" else 0.0


class Settling:
    """One settling in the making."""

    def __init__(self, stamped: Stamped, conditions: Conditions, start: Start) -> None:
        self.stamped, self.conditions, self.start = stamped, conditions, start
        self.netlist, self.values, self.index = stamped.netlist, stamped.values, stamped.index
        self.iterations = 0

    def result(self) -> Settled:
        """Repeat until relays and microcontroller agree with the voltages."""
        relays = self.netlist.of_kind("relay_changeover", "relay_reed")
        driven = {pin for pin, level in self.conditions.pins if level == "high"}
        guess = {"relay_changeover": "PB0" in driven, "relay_reed": "PB1" in driven}
        powered = bool(self.conditions.supply_v)
        pulled: Mapping[str, bool] = {relay.designator: powered and guess[relay.kind] for relay in relays}
        mode = self.conditions.mcu
        if mode == "running" and not self._could_run():
            mode = "blank" if self.stamped.clock_hz else "stopped"
        elif mode == "running" and not powered and not self.conditions.sources:
            mode = "reset"
        for _ in range(ROUNDS):
            settled = self._solve(pulled, mode)
            vector = settled.mean(settled.resting_duty)
            coils = {relay.designator: self._pulls(relay, vector) for relay in relays}
            keeps_running = mode != "running" or self._runs(vector)
            if coils == pulled and keeps_running:
                break
            pulled = coils
            mode = mode if keeps_running else "reset"
        return settled

    def _could_run(self) -> bool:
        parts = self.netlist.of_kind("microcontroller")
        return self.stamped.clock_hz > 0 and all(
            (part.designator, "blank") not in self.stamped.assembly.flags for part in parts
        )

    def _runs(self, vector: Floats) -> bool:
        for part in self.netlist.of_kind("microcontroller"):
            supply = self._between(part, "VCC", "GND", vector)
            reset = self._between(part, "PC6", "GND", vector)
            if supply < self.values[f"{part.designator}.brown_out"] or reset < RESET_HIGH * supply:
                return False
        return True

    def _between(self, part: Component, plus: str, minus: str, vector: Floats) -> float:
        return float(vector[self.index[part.net(plus)]] - vector[self.index[part.net(minus)]])

    def _pulls(self, relay: Component, vector: Floats) -> bool:
        return abs(self._between(relay, "COIL+", "COIL-", vector)) >= self.values[f"{relay.designator}.operate"]

    def _solve(self, pulled: Mapping[str, bool], mode: str) -> Settled:
        network = conditioned(self.stamped, self.conditions, pulled=pulled, mode=mode)
        comparators = self.netlist.of_kind("comparator")
        level, low_v, high_v = "off", math.nan, math.nan
        near = self.start(network)
        starts = () if near is None else (start_at(network, near.high),)
        if not comparators or not (self.conditions.supply_v or self.conditions.sources):
            low = high = self._newton(network, *starts)
        else:
            part = comparators[0]
            open_output = power_comparator(network, part, self.values, output_low=False)
            high = self._newton(open_output, *starts)
            if self._between(part, "V+", "V-", high.vector) < COMPARATOR_LEAST_V:
                low = high = self._newton(network, high)
            else:
                low_output = power_comparator(network, part, self.values, output_low=True)
                if near is not None:
                    starts = (start_at(network, high.vector + near.to_low),)
                low = self._newton(low_output, *starts, high)
                offset = self.values[f"{part.designator}.offset"]
                low_v = self._between(part, "IN+", "IN-", low.vector) + offset
                high_v = self._between(part, "IN+", "IN-", high.vector) + offset
                # Held high by its own feedback or by a fault; where both levels hold themselves, low as after power-up.
                level = "free" if low_v > 0 > high_v else "high" if low_v > 0 and high_v > 0 else "low"
        return Settled(
            low=low.vector,
            high=high.vector,
            level=level,
            balance_low_v=low_v,
            balance_high_v=high_v,
            pulled=pulled,
            mode=mode,
            clock_hz=self.stamped.clock_hz,
            converged=low.converged and high.converged,
            iterations=self.iterations,
        )

    def _newton(self, network: Network, *starts: Solution) -> Solution:
        found = solve(network, *starts)
        self.iterations += found.iterations
        return found
