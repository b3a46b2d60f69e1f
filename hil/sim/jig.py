"""The jig: needles with contact resistance, terminals with parasitics, and the reference parts as they really are."""

import math
from collections.abc import Callable, Iterable

from hil.circuit.board import Terminal
from hil.core.equipment import Part
from hil.sim.fitting import AS_DRAWN, Fitting
from hil.sim.setup import BenchSetup
from hil.sim.streams import Streams

_CONTACT_OHM, _LEAD_OHM = 0.045, 0.06
_CAPACITANCE_F, _INDUCTANCE_H = 1.3e-12, 60e-9
_CHANNEL_F, _CHANNEL_H, _CHANNEL_OHM = 0.02e-12, 2e-9, 0.01  # spread from one selector channel to the next
_TRUNCATED_AT = 3.0  # standard uncertainties


class Jig:
    """Everything between the instruments, the parts and the board; fixed for one bench seed."""

    def __init__(self, setup: BenchSetup, fixed: Streams) -> None:
        self._setup, self._fixed = setup, fixed
        self._deviations: dict[str, float] = {}
        self._capacitance_f = _CAPACITANCE_F * (1 + 0.2 * fixed.fixed("jig.capacitance"))
        self._inductance_h = _INDUCTANCE_H * (1 + 0.2 * fixed.fixed("jig.inductance"))
        self._resistance_ohm = _LEAD_OHM * (1 + 0.2 * fixed.fixed("jig.resistance"))

    def contact_ohm(self, point: str) -> float:
        """Resistance of one needle, ohm."""
        return _CONTACT_OHM * (1 + 0.4 * self._fixed.fixed(f"contact.{point}"))

    def lead_ohm(self) -> float:
        """Resistance of one measuring lead, ohm."""
        return self._resistance_ohm

    def true_value(self, part: Part, temperature_degc: float) -> float:
        """What the part really is at this temperature, F, H or ohm: drawn once from its certificate."""
        if part.present is None:
            return 0.0
        value = part.present.value + self._deviation(part.name) * part.present.standard_uncertainty
        coefficient = part.temperature_coefficient_per_k
        coefficient += part.temperature_coefficient_tolerance_per_k * self._fixed.fixed(f"{part.name}.coefficient")
        return value * (1 + coefficient * (temperature_degc - part.temperature_degc))

    def _deviation(self, name: str) -> float:
        """From the certified value, in standard uncertainties."""
        if name not in self._deviations:
            drawn = Streams(self._fixed.key, "part", name).gauss("value")
            self._deviations[name] = max(-_TRUNCATED_AT, min(_TRUNCATED_AT, drawn))
        return self._deviations[name]

    def terminal(
        self,
        names: Iterable[str],
        temperature_degc: float,
        moved: Callable[[str], float] = lambda name: 0.0,
        fitting: Fitting = AS_DRAWN,
    ) -> Terminal:
        """What is between the terminals when these parts are connected; ``moved`` says by what ratio a part is off.

        Capacitors side by side add up; a shorting bar wins over everything; of several other parts the first counts.
        """
        parts = [self._setup.parts[name] for name in names if name in self._setup.parts]
        kinds = ["short" if name == "short" else "open" for name in names if name in ("open", "short")]
        if "short" in kinds or any(part.kind == "short" for part in parts):
            return self._around(fitting, "short", "short")
        parts = [part for part in parts if part.kind in ("capacitor", "inductor")]
        if not parts:
            return self._around(fitting, "open", "open")
        if all(part.kind == "capacitor" for part in parts):
            total = sum(self.true_value(part, temperature_degc) * (1 + moved(part.name)) for part in parts)
            return self._around(fitting, "capacitor", parts[0].name, total, parts[0].series_resistance_ohm)
        part = next(part for part in parts if part.kind == "inductor")
        value = self.true_value(part, temperature_degc) * (1 + moved(part.name))
        parallel_f = part.parallel_capacitance_f or 0.0
        if part.self_resonance_hz is not None:
            # The certificate states the apparent value at its frequency.
            value *= 1 - ((part.frequency_hz or 0.0) / part.self_resonance_hz) ** 2
            parallel_f = 1 / ((2 * math.pi * part.self_resonance_hz) ** 2 * value)
        return self._around(fitting, "inductor", part.name, value, part.series_resistance_ohm, parallel_f)

    def _around(
        self,
        fitting: Fitting,
        kind: str,
        name: str,
        value: float = 0.0,
        series_ohm: float = 0.0,
        parallel_f: float = 0.0,
    ) -> Terminal:
        fixed = self._fixed.fixed
        return Terminal(
            kind=kind,
            value=value,
            series_resistance_ohm=series_ohm,
            parallel_capacitance_f=parallel_f,
            jig_capacitance_f=self._capacitance_f + _CHANNEL_F * fixed(f"{name}.capacitance") + fitting.capacitance_f,
            jig_inductance_h=self._inductance_h + _CHANNEL_H * fixed(f"{name}.inductance") + fitting.inductance_h,
            jig_resistance_ohm=max(
                0.0, self._resistance_ohm + _CHANNEL_OHM * fixed(f"{name}.resistance") + fitting.resistance_ohm
            ),
        )
