"""The oscillator against ngspice: frequency within 300 ppm over the whole range, and the duty that the averages show.

The deck is written from the board's data alone and simulated in time: nothing of hil.circuit.tank is in it. The
comparator is a steep stage, a transmission line for the delay and an output transistor as a switched conductance.
The averaging capacitor starts at the model's value, because its 0.5 s are thousands of periods; that the output's mean
then equals its voltage is the check of that value.
"""

import math
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from hil.circuit.board import BoardModel, Conditions, Terminal
from hil.circuit.netlist import Netlist
from hil.files.netlist import parse_netlist

pytestmark = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
BOARD = Path(__file__).parents[2] / "fixtures" / "boards" / "qm2.toml"
STEPS_PER_PERIOD = 400

CAPACITANCE = (("PB0", "low"), ("PB1", "low"))
INDUCTANCE = (("PB0", "high"), ("PB1", "low"))
POINTS = [
    # terminals, comparator delay, pins
    pytest.param(Terminal(kind="capacitor", value=1e-12), 90e-9, CAPACITANCE, id="1 pF, 90 ns"),
    pytest.param(Terminal(kind="capacitor", value=10e-9), 60e-9, CAPACITANCE, id="10 nF, 60 ns"),
    pytest.param(
        Terminal(kind="capacitor", value=1e-6, series_resistance_ohm=0.05), 120e-9, CAPACITANCE, id="1 uF, 120 ns"
    ),
    pytest.param(
        Terminal(kind="inductor", value=1e-6, series_resistance_ohm=0.2), 120e-9, INDUCTANCE, id="1 uH, 120 ns"
    ),
    pytest.param(
        Terminal(kind="inductor", value=100e-3, series_resistance_ohm=150.0, parallel_capacitance_f=15e-12),
        90e-9,
        INDUCTANCE,
        id="100 mH, 90 ns",
    ),
    pytest.param(Terminal(kind="inductor", value=1e-3, series_resistance_ohm=3.0), 60e-9, INDUCTANCE, id="1 mH, 60 ns"),
]


@pytest.fixture(scope="module")
def netlist() -> Netlist:
    return parse_netlist(BOARD.name, BOARD.read_text(encoding="utf-8"))


def deck(netlist: Netlist, values: dict[str, float], terminal: Terminal, *, pulled: bool, rail_v: float,
         averaged_v: float, start_v: float, frequency_hz: float, data: Path) -> str:  # fmt: skip
    """SPICE deck of the oscillator as wired on the board, K1 pulled or not, K2 released."""
    lines = ["oscillator of the QM-2", f"Vrail 5V 0 {rail_v}"]
    net = lambda part, pin: {"GND": "0"}.get(netlist.component(part).net(pin), netlist.component(part).net(pin))  # noqa: E731
    for name in ("R9", "R10", "R11", "R12", "R13", "R14", "R15"):
        lines.append(f"{name} {net(name, '1')} {net(name, '2')} {values[name]}")
    lines.append(f"C1 {net('C1', '1')} {net('C1', '2')} {values['C1']} IC={start_v}")
    lines.append(f"C2 {net('C2', '1')} {net('C2', '2')} {values['C2']}")
    lines.append(f"C5 {net('C5', '1')} {net('C5', '2')} {values['C5']} IC={-averaged_v}")
    lines.append(f"C14 {net('C14', '1')} {net('C14', '2')} {values['C14']} IC={averaged_v}")
    coil, loss = netlist.component("L1"), 2 * math.pi * 600e3 * values["L1"] / values["L1.q"] - values["L1.resistance"]
    ac_ohm = loss * (frequency_hz / coil.model["q_frequency"]) ** coil.model["loss_exponent"]
    lines += [
        f"L1 TANK l1r {values['L1']}",
        f"R_L1 l1r LBOT {values['L1.resistance'] + ac_ohm}",
        f"C_L1 TANK LBOT {coil.model['parallel_capacitance']}",
        f"C_IN INP 0 {netlist.component('U4').model['input_capacitance']}",
        f"C_K2 CAL TANK {values['K2.contact_capacitance']}",
        "C_T T1 0 2p",
    ]
    closed, open_ = (
        (("NO_B", "B"),) if pulled else (("NC_A", "A"), ("NC_B", "B")),
        ((("NC_A", "A"), ("NC_B", "B")) if pulled else (("NO_B", "B"),)),
    )
    lines += [
        f"R_{pin} {net('K1', f'COM_{pole}')} {net('K1', pin)} {values['K1.contact_resistance']}" for pin, pole in closed
    ]
    lines += [
        f"C_{pin} {net('K1', f'COM_{pole}')} {net('K1', pin)} {values['K1.contact_capacitance']}" for pin, pole in open_
    ]
    if terminal.kind == "capacitor":
        lines += [f"C_X T1 x {terminal.value} IC={start_v}", f"R_X x 0 {max(terminal.series_resistance_ohm, 1e-6)}"]
    else:
        lines += [f"L_X T1 x {terminal.value}", f"R_X x 0 {terminal.series_resistance_ohm}"]
        lines.append(f"C_X T1 0 {terminal.parallel_capacitance_f + 1e-18}")
    period = 1 / frequency_hz
    step = min(period / STEPS_PER_PERIOD, values["U4"] / 3)
    settle, measured = (60 if frequency_hz < 50e3 else 120) * period, 30 * period
    steepness = 2 / (2 * math.pi * frequency_hz * max(abs(start_v), 1e-3) * step)
    output = values["U4.output_resistance"]
    bias = values["U4.bias_current"]
    lines += [
        f"I_P INP 0 {bias}",
        f"I_N INAVG 0 {bias}",
        f"B_IN sharp 0 V = 2*tanh({steepness}*(v(INP)-v(INAVG)+{values['U4.offset']}))",
        "R_S sharp line 50",
        f"T_D line 0 late 0 Z0=50 TD={values['U4']}",
        "R_T late 0 50",
        f"B_OUT COMP 0 I = v(COMP)*(0.5-0.5*min(max(v(late)*1.5,-1),1))/{output}",
        ".options reltol=1e-6 abstol=1e-13 vntol=1e-9 method=trap",
        f".tran {step} {settle + measured} {settle} {step} uic",
        ".control",
        "run",
        "set wr_singlescale",
        f"wrdata {data} v(INP) v(INAVG) v(COMP)",
        ".endc",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def crossings(time: np.ndarray, signal: np.ndarray) -> np.ndarray:
    """Times of upward zero crossings, by linear interpolation."""
    at = np.flatnonzero((signal[:-1] < 0) & (signal[1:] >= 0))
    return time[at] - signal[at] * (time[at + 1] - time[at]) / (signal[at + 1] - signal[at])


@pytest.mark.parametrize(("terminal", "delay_s", "pins"), POINTS)
def test_oscillator_agrees_with_ngspice(netlist, terminal, delay_s, pins, tmp_path):
    model = BoardModel(netlist, {"U4": delay_s})
    conditions = Conditions(supply_v=7.4, supply_limit_a=0.2, pins=pins, terminal=terminal)
    operating, predicted = model.solve(conditions), model.oscillate(conditions)
    assert predicted.frequency_hz > 0
    data = tmp_path / "out.data"
    text = deck(
        netlist, model.values, terminal,
        pulled=dict(pins)["PB0"] == "high",
        rail_v=operating.voltage_v("TP_5V"),
        averaged_v=operating.voltage_v("TP_INAVG"),
        start_v=predicted.amplitude_v,
        frequency_hz=predicted.frequency_hz,
        data=data,
    )  # fmt: skip
    (tmp_path / "deck.cir").write_text(text)
    done = subprocess.run(
        ["ngspice", "-b", "deck.cir"], cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False
    )
    assert data.exists(), done.stdout + done.stderr
    time, plus, minus, output = np.loadtxt(data).T
    ups = crossings(time, plus - minus)
    half = len(ups) // 2
    measured_hz = (len(ups) - 1) / (ups[-1] - ups[0])
    first_hz = half / (ups[half] - ups[0])
    assert first_hz == pytest.approx(measured_hz, rel=50e-6), "the simulation has not settled"
    assert predicted.frequency_hz == pytest.approx(measured_hz, rel=300e-6)
    whole = (time >= ups[0]) & (time <= ups[-1])
    mean_v = np.trapezoid(output[whole], time[whole]) / (time[whole][-1] - time[whole][0])
    drop_v = model.values["U4.bias_current"] * model.values["R13"]
    assert mean_v - drop_v == pytest.approx(operating.voltage_v("TP_INAVG"), rel=0.01)
    amplitude_v = (plus[whole].max() - plus[whole].min()) / 2
    assert predicted.amplitude_v == pytest.approx(amplitude_v, rel=0.05)
    ppm = (predicted.frequency_hz / measured_hz - 1) * 1e6
    print(f"{measured_hz:.2f} Hz, {ppm:+.1f} ppm, mean {mean_v - drop_v:.4f} V")
    assert not re.search(r"(?i)fatal|singular", done.stderr)
