"""Every rail and test point against ngspice on the same netlist: 0.1 % or 0.5 mV, whichever is larger.

Faulted boards: 0.5 % (or 0.5 mV), or both agree that the rail collapses. Same temperature, reltol 1e-6. The average
of a running oscillator lies between the two states of the comparator's output; both are compared.
"""

import random
import shutil
import subprocess
from pathlib import Path

import pytest

from hil.circuit.board import BoardModel, Conditions, Operating, Terminal, draw_values
from hil.circuit.faults import parse_faults
from hil.circuit.netlist import Netlist
from hil.circuit.spice import dc_deck, read_voltages
from hil.circuit.stamps import Values
from hil.files.netlist import parse_netlist

pytestmark = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
BOARD = Path(__file__).parents[2] / "fixtures" / "boards" / "qm2.toml"

IDLE = {
    "PB0": "low", "PB1": "low", "PD5": "high", "PD6": "low", "PB2": "high", "PB3": "low", "PB5": "low",
    "PC2": "high", "PC3": "high", "PD1": "high", "PD2": "pullup", "PD3": "pullup",
}  # fmt: skip


def on(**pins: str) -> Conditions:
    return Conditions(supply_v=7.4, supply_limit_a=0.2, pins=tuple((IDLE | pins).items()))


CONDITIONS = {
    "idle": on(),
    "K1": on(PB0="high"),
    "both relays": on(PB0="high", PB1="high"),
    "LED2": on(PD5="low", PD6="high"),
    "low pack": Conditions(supply_v=6.0, supply_limit_a=0.2, pins=tuple(IDLE.items())),
    "full pack": Conditions(supply_v=8.4, supply_limit_a=0.2, pins=tuple(IDLE.items())),
    "dropout": Conditions(supply_v=5.0, supply_limit_a=0.2, pins=tuple(IDLE.items())),
    "brown-out": Conditions(supply_v=3.6, supply_limit_a=0.2, pins=tuple(IDLE.items())),
    "wrong polarity": Conditions(supply_v=-7.4, supply_limit_a=0.02),
    "current limit": Conditions(supply_v=7.4, supply_limit_a=0.012, pins=tuple(IDLE.items())),
    "blank": Conditions(supply_v=7.4, supply_limit_a=0.2, mcu="blank"),
    "switched off": Conditions(supply_v=7.4, supply_limit_a=0.2, switch_on=False),
    "key pressed": Conditions(supply_v=7.4, supply_limit_a=0.2, pins=tuple(IDLE.items()), keys=("KEY1",)),
    "cold": Conditions(supply_v=7.4, supply_limit_a=0.2, pins=tuple(IDLE.items()), temperature_degc=5.0),
    "warm, voltmeter": Conditions(
        supply_v=7.4,
        supply_limit_a=0.2,
        pins=tuple(IDLE.items()),
        temperature_degc=40.0,
        loads=(("TP_INAVG", "GND", 10e6),),
    ),
    "short in place": Conditions(
        supply_v=7.4, supply_limit_a=0.2, pins=tuple((IDLE | {"PB0": "high"}).items()), terminal=Terminal(kind="short")
    ),
    "ohms 5 V": Conditions(ohmmeter=("TP_5V", "GND")),
    "ohms terminals": Conditions(ohmmeter=("T1", "GND")),
    "ohms reset": Conditions(ohmmeter=("TP_RESET", "GND")),
}


@pytest.fixture(scope="module")
def netlist() -> Netlist:
    return parse_netlist(BOARD.name, BOARD.read_text(encoding="utf-8"))


def simulated(
    model: BoardModel, conditions: Conditions, operating: Operating, output: str, place: Path
) -> dict[str, float]:
    """Node voltages by ngspice, K1 and K2 and the microcontroller as the model found them."""
    assembly = model.assembly(conditions)
    text = dc_deck(
        assembly, Values(assembly, conditions.temperature_degc), conditions,
        pulled=operating.relays, mode=operating.mcu_mode, clock_hz=operating.mcu_clock_hz, output=output,
        start=operating.voltages,
    )  # fmt: skip
    (place / f"{output}.cir").write_text(text)
    done = subprocess.run(
        ["ngspice", "-b", f"{output}.cir"], cwd=place, capture_output=True, text=True, timeout=60, check=False
    )
    assert "no convergence" not in (done.stdout + done.stderr).lower(), done.stdout[-2000:] + done.stderr[-2000:]
    return read_voltages(done.stdout, assembly)


def disagreements(
    model: BoardModel, conditions: Conditions, place: Path, relative: float, *, collapsed_v: float = 0.0
) -> list[str]:
    operating = model.solve(conditions)
    assert operating.converged
    level = operating.output_level
    if level in ("oscillates", "hovers"):
        duty = model.oscillate(conditions).duty
        low, high = (simulated(model, conditions, operating, output, place) for output in ("low", "high"))
        found = {net: duty * high[net] + (1 - duty) * low[net] for net in low}
    else:
        found = simulated(model, conditions, operating, level, place)
    points = model.netlist.test_points | {"VBAT": "VBAT", "T1": "T1"}
    wrong = []
    for name, net in points.items():
        ours, theirs = operating.voltages[net], found[net]
        if abs(ours) < collapsed_v and abs(theirs) < collapsed_v:
            continue
        if abs(ours - theirs) > max(0.5e-3, relative * abs(theirs)):
            wrong.append(f"{name}: {ours:.6f} V here, {theirs:.6f} V in ngspice")
    return wrong


@pytest.mark.parametrize("name", CONDITIONS)
def test_rails_and_test_points(netlist, name, tmp_path):
    unit = BoardModel(netlist, draw_values(netlist, lambda parameter: random.Random(f"dc/{parameter}").random()))
    assert disagreements(unit, CONDITIONS[name], tmp_path, 1e-3) == []


FAULTS = (
    "F1=open", "Q1=short", "Q1=reversed", "Q1=open", "R1=open", "SW1=contact=20ohm", "C3=short", "C3=reversed",
    "U1=open", "U1=short", "U1=wrong", "U1.2=open", "U1.1,U1.2=bridge", "U1=reversed", "U2=open", "U2=short",
    "U2=wrong", "U2.1,U2.2=bridge", "U2.1=open", "R2=open", "R2=short", "R3=open", "R3=short", "R3=x10",
    "R2,R3=swapped", "C6=short", "C9=short", "L2=open", "R4=open", "R4=short", "R7=open", "R8=open",
    "R7,R8=swapped", "R8=+20%", "C12=short", "R9=open", "R9=x10", "R10=open", "R10=x0.1", "R11=open", "R11=short",
    "R12=open", "R12=+50%", "R13=open", "R13=short", "C14=short", "R14=open", "R15=short", "C5=short",
    "U4.2,U4.3=bridge", "U4.7=open", "U4=reversed", "U4.8=open", "D2=reversed", "D2=short", "D3=reversed",
    "R16=open", "K1=short", "Q2=reversed", "Q2=short", "LED1=reversed", "R17=short", "U3.7=open", "U3.8=open",
    "U3.20=open", "U3.4,U3.5=bridge", "U3.7,U3.8=bridge", "U3.21,U3.22=bridge", "U3.14=open",
    "DISP1.1,DISP1.2=bridge", "R20=open", "KEY1=stuck_closed",
)  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_faulted_board(netlist, fault, tmp_path):
    """Idle and with both relays pulled, at a limit that the good board never reaches."""
    drawn = draw_values(netlist, lambda parameter: random.Random(f"{fault}/{parameter}").random())
    unit = BoardModel(netlist, drawn, parse_faults([fault], netlist))
    for conditions in (on(), on(PB0="high", PB1="high")):
        assert disagreements(unit, conditions, tmp_path, 5e-3, collapsed_v=0.05) == []
