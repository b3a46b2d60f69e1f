"""One virtual unit: its components' true values follow from its serial number alone."""

import random
from collections.abc import Sequence
from dataclasses import dataclass, field

from hil.circuit.board import BoardModel, draw_values
from hil.circuit.faults import parse_faults
from hil.circuit.netlist import Netlist
from hil.sim.meter_constants import constants_place, erased, serial_record
from hil.sim.trouble import Troubles, is_trouble, parse_trouble

FIRMWARE_VERSION = "1.0.0"
OTHER_SERIAL = "QM2-OTHER"


@dataclass(slots=True, kw_only=True)
class VirtualUnit:
    """A unit in somebody's hands; what it has stored stays with it.

    Args:
        eeprom: 0xFF throughout on a unit that was never given its serial number.
        firmware: version programmed into it, "" when none is.
        bug: what is wrong with that firmware, a name of `hil.sim.meter_bugs`, or "".
    """

    serial: str
    model: BoardModel
    troubles: Troubles
    eeprom: bytearray = field(default_factory=erased)
    firmware: str = FIRMWARE_VERSION
    bug: str = ""
    hangs_after_s: float | None = None


def build_unit(
    netlist: Netlist, serial: str, faults: Sequence[str] = (), eeprom: bytearray | None = None
) -> VirtualUnit:
    """Make the unit with this serial number.

    Args:
        faults: of the board (`hil.circuit.faults`) and of everything else (`hil.sim.trouble`).
        eeprom: what it has stored before; None: a new unit.

    Raises:
        ValueError: an unknown fault.
    """
    troubles = Troubles(parse_trouble(text) for text in faults if is_trouble(text))
    model = BoardModel(
        netlist,
        draw_values(netlist, lambda name: random.Random(f"{serial}/{name}").random()),
        parse_faults((text for text in faults if not is_trouble(text)), netlist),
    )
    unit = VirtualUnit(serial=serial, model=model, troubles=troubles)
    if eeprom is not None:
        unit.eeprom = eeprom
    if any(fault.effect == "blank" for fault in model.faults):
        unit.firmware = ""
    firmware = troubles.at("firmware")
    if firmware is not None:
        if firmware.effect == "hangs":
            unit.hangs_after_s = firmware.after
        else:
            unit.bug = firmware.effect
    stored = troubles.at("eeprom")
    if stored is not None and stored.effect == "other_serial":
        record = serial_record(OTHER_SERIAL)
        unit.eeprom[: len(record)] = record
    elif stored is not None:
        unit.eeprom[constants_place()] = bytes(constants_place().stop - constants_place().start)
    return unit
