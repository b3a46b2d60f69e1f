"""Every role read or set by hand: the operator is asked, the value is typed in and recorded as hand-read."""

from collections.abc import Callable

from hil.core.units import show
from hil.errors import BenchError
from hil.ports import Operator


class HandSupply:
    """A DC supply that the operator sets; a negative voltage is its leads exchanged at the unit.

    Args:
        on_switch: told before the output is switched: the unit will start anew.
    """

    is_hand_read = True

    def __init__(self, operator: Operator, on_switch: Callable[[], None]) -> None:
        self._operator, self._on_switch = operator, on_switch
        self._is_on = True  # not known: off() asks
        self._is_reversed = False
        self._set: tuple[float, float] | None = None

    def set(self, voltage_v: float, current_limit_a: float) -> None:
        """Have voltage and current limit set; not asked again when they are."""
        if (voltage_v, current_limit_a) == self._set:
            return
        self._set = None
        wanted = f"{show(abs(voltage_v), 'V', 4)}, current limit {show(current_limit_a, 'A', 3)}"
        turns = voltage_v != 0.0 and (voltage_v < 0) != self._is_reversed
        leads = (
            "" if not turns
            else "Exchange the leads of the supply at the unit, the wrong polarity is meant. " if voltage_v < 0
            else "Put the leads of the supply the right way round again. "
        )  # fmt: skip
        self._insist(f"{leads}Set the supply to {wanted}. Done?")
        self._set = voltage_v, current_limit_a
        self._is_reversed ^= turns

    def on(self) -> None:
        """Have the output switched on."""
        self._on_switch()
        self._insist("Switch the output of the supply on. Done?")
        self._is_on = True

    def have_switched_on(self) -> None:
        """Have the output switched on where its effect will be seen: no answer is waited for."""
        self._on_switch()
        self._operator.request("Switch the output of the supply on now; no answer is needed.")
        self._is_on = True

    def off(self) -> None:
        """Have the output switched off; not asked again when it is."""
        if self._is_on:
            leads = " and put its leads the right way round again" if self._is_reversed else ""
            self._insist(f"Switch the output of the supply off{leads}. Done?")
            self._is_on = self._is_reversed = False
            self._on_switch()

    def voltage_v(self) -> float:
        """Voltage read back, V."""
        return self._operator.read_value("supply", "voltage", "V")

    def current_a(self) -> float:
        """Current read back, A."""
        return self._operator.read_value("supply", "current", "A")

    def in_current_limit(self) -> bool:
        """Whether the output is limited by its current."""
        return self._operator.confirm("Does the supply show that it limits the current?")

    def _insist(self, request: str) -> None:
        if not self._operator.confirm(request):
            raise BenchError(f"Not done: {request.removesuffix(' Done?')}")


class HandVoltmeter:
    """A multimeter that the operator reads."""

    is_hand_read = True

    def __init__(self, operator: Operator) -> None:
        self._operator = operator

    def voltage_v(self) -> float:
        """DC voltage, V."""
        return self._operator.read_value("voltmeter", "DC voltage", "V")

    def resistance_ohm(self) -> float:
        """Resistance, ohm; infinite when over range."""
        return self._operator.read_value("voltmeter", "resistance (OL when over range)", "ohm")

    def current_a(self) -> float:
        """DC current, A."""
        return self._operator.read_value("voltmeter", "DC current", "A")


class HandCounter:
    """A frequency counter that the operator reads."""

    def __init__(self, operator: Operator) -> None:
        self._operator = operator

    def frequency_hz(self, gate_s: float = 1.0) -> float:
        """Frequency, Hz."""
        return self._operator.read_value(
            "counter", f"frequency with a gate of {gate_s:g} s (0 when there is none)", "Hz"
        )


class HandGenerator:
    """A function generator that the operator sets."""

    def __init__(self, operator: Operator) -> None:
        self._operator = operator
        self._is_on = True  # not known: off() asks

    def square(self, frequency_hz: float, amplitude_v: float) -> None:
        """Have a square wave between zero and the amplitude switched on."""
        wanted = f"a square wave of {show(frequency_hz, 'Hz', 7)} between 0 V and {show(amplitude_v, 'V', 3)}"
        if not self._operator.confirm(f"Set the generator to {wanted}, output on. Done?"):
            raise BenchError("The generator was not switched on.")
        self._is_on = True

    def off(self) -> None:
        """Have the output switched off."""
        if self._is_on and not self._operator.confirm("Switch the output of the generator off. Done?"):
            raise BenchError("The generator was not switched off.")
        self._is_on = False


class HandThermometer:
    """A thermometer that the operator reads."""

    def __init__(self, operator: Operator) -> None:
        self._operator = operator

    def temperature_degc(self) -> float:
        """Temperature, degC."""
        return self._operator.read_value("thermometer", "temperature at the jig", "degC")
