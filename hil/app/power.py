"""The unit's power: one place that knows whether the unit is on, and waits until it has started.

With a supply on the bench it is switched by the suite; without one the operator uses the unit's own switch.
"""

from hil.app.open_bench import Bench
from hil.errors import BenchError
from hil.real.by_hand import HandSupply

NOMINAL_V = 7.4  # two lithium cells, nominal
LIMIT_A = 0.15  # above the 95 mA of both relays, below what harms the 5 V regulator on a shorted rail
HAND_S = 30.0  # for a person to reach the switch
START_S = 1.0  # the meter prints its banner 0.6 s after reset
MAY_RESTART_V = 5.6  # below this a unit that is on may brown out, and starts again later
SETTLE_S = 0.05  # rails and relays after a change of the supply
DISCHARGE_S = 0.5  # the bulk capacitors, before the board counts as unpowered


class Power:
    """Switches the unit in the jig."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._is_on = False
        self._voltage_v = 0.0
        self._limit_a = 0.0

    @property
    def is_on(self) -> bool:
        """Whether the unit was switched on."""
        return self._is_on

    def on(self, voltage_v: float = NOMINAL_V, limit_a: float = LIMIT_A) -> None:
        """Switch on, or change the supply of a unit that is on; returns when the unit has started or settled.

        Raises:
            BenchError: the bench cannot do it.
        """
        bench = self._bench
        if bench.supply is None:
            if voltage_v != NOMINAL_V:
                raise BenchError(f"{voltage_v:g} V are needed, but the bench has no supply. Add [role.supply].")
            if not self._is_on:
                self._have_it_switched_on()
        else:
            if not self._is_on or voltage_v < MAY_RESTART_V:
                bench.meter.expect_start()
            bench.supply.set(voltage_v, limit_a)
            if not self._is_on:
                if isinstance(bench.supply, HandSupply):
                    self._have_it_switched_on()
                else:
                    bench.supply.on()
                    bench.meter.await_start(timeout_s=START_S)
        started, self._is_on, self._voltage_v, self._limit_a = not self._is_on, True, voltage_v, limit_a
        if not started:
            bench.clock.sleep(SETTLE_S)

    def _have_it_switched_on(self) -> None:
        """A person does it, and the meter's banner tells when: an answer would come late, and the start is measured.

        Raises:
            BenchError: the person says that the power is not on.
        """
        bench = self._bench
        if isinstance(bench.supply, HandSupply):
            bench.supply.have_switched_on()
        else:
            bench.meter.expect_start()
            bench.operator.request("Switch the unit on now; no answer is needed.")
        if bench.meter.await_start(timeout_s=HAND_S) is None and not bench.operator.confirm(
            "The meter has not reported its start. Is the power on?"
        ):
            raise BenchError("The unit was not switched on. Start the check again when it can be done.")

    def off(self) -> None:
        """Switch off and wait until the board counts as unpowered."""
        if not self._is_on:
            return
        bench = self._bench
        if bench.supply is not None:
            bench.supply.off()
        elif not bench.operator.confirm("Switch the unit off. Is it off?"):
            raise BenchError("The unit was not switched off.")
        self._is_on = False
        bench.clock.sleep(DISCHARGE_S)

    def bring(self, state: str) -> None:
        """Bring the unit to the state a check declares: "on" at nominal supply, "off", or "any" as it is."""
        if state == "off":
            self.off()
        elif state == "on" and (not self._is_on or (self._voltage_v, self._limit_a) != (NOMINAL_V, LIMIT_A)):
            self.on()
