"""Which logic lines of a board carry both levels from end to end: display and UART."""

from hil.circuit.board import BoardModel, Conditions, Source

# Driven pin and where its level must arrive, in an order in which neighbours can be bridged.
_DISPLAY = (
    ("PB2", "DISP1.SEL"), ("PB3", "DISP1.SDI"), ("PB5", "DISP1.SCK"), ("PC2", "DISP1.DC"), ("PC3", "DISP1.RES"),
)  # fmt: skip
DISPLAY_ENDS = frozenset(end for _, end in _DISPLAY)
UART_IN_END, UART_OUT_END = "U3.PD0", "J2.TX"  # the adapter sits on the header: behind its joints
_UART_IN, _UART_OUT = "J2.RX", ("PD1", UART_OUT_END)
_ADAPTER_OHM, _ADAPTER_V = 100.0, 5.0
_SUPPLY_V, _LIMIT_A = 7.4, 0.2
_LOW, _HIGH = 0.3, 0.7  # of the receiver's supply


def arriving_ends(model: BoardModel, *, joints_open: bool) -> frozenset[str]:
    """Ends at which both levels arrive, on the powered board.

    Neighbours are driven with opposite levels, first one way and then the other, so that bridges show.
    """
    first, second = (_levels_seen(model, joints_open, inverted) for inverted in (False, True))
    return frozenset(end for end in first if first[end] and second[end])


def _levels_seen(model: BoardModel, joints_open: bool, inverted: bool) -> dict[str, bool]:
    """For each end, whether it sees the level that is sent to it."""
    lines = (*_DISPLAY, _UART_OUT)
    levels = [(place % 2 == 0) != inverted for place in range(len(lines))]
    incoming = not levels[-1]
    adapter = Source(point=_UART_IN, voltage_v=_ADAPTER_V if incoming else 0.0, resistance_ohm=_ADAPTER_OHM)
    operating = model.solve(
        Conditions(
            supply_v=_SUPPLY_V,
            supply_limit_a=_LIMIT_A,
            joints_open=joints_open,
            pins=tuple((pin, "high" if high else "low") for (pin, _), high in zip(lines, levels, strict=True)),
            sources=(adapter,),
        )
    )
    wanted = dict(zip((end for _, end in lines), levels, strict=True)) | {UART_IN_END: incoming}
    supplies = {"DISP1": operating.pins["DISP1.VDD"], "U3": operating.pins["U3.VCC"]}
    seen = {}
    for end, high in wanted.items():
        share = operating.voltage_v(end) / max(supplies.get(end.partition(".")[0], _ADAPTER_V), 1e-3)
        seen[end] = share > _HIGH if high else share < _LOW
    return seen
