"""The solver on networks with known answers."""

import math

import pytest

from hil.circuit.dc import Junction, LimitedBranch, Network, solve, thermal_voltage_v
from hil.circuit.devices import adjust_current, emitter_follower, limited_source, low_dropout, p_channel, saturation_a

VT = thermal_voltage_v(23.0)


def supplied(volt: float, limit_a: float, *nodes: str) -> Network:
    network = Network(("GND", "IN", *nodes))
    network.limited.append(LimitedBranch("GND", "IN", (("IN", "GND"),), limited_source(volt, limit_a, 0.01)))
    return network


def voltages(network: Network) -> dict[str, float]:
    solution = solve(network)
    assert solution.converged
    return dict(zip(network.nodes, solution.vector.tolist(), strict=False))


@pytest.mark.published("thermal voltage at 300 K, 25.852 mV", source="constants of the SI of 2019, k and e", how="read")
def test_thermal_voltage():
    assert thermal_voltage_v(300 - 273.15) == pytest.approx(25.852e-3, abs=1e-6)


def test_divider():
    network = supplied(7.4, 1.0, "MID")
    network.conductance("IN", "MID", 1 / 15e3)
    network.conductance("MID", "GND", 1 / 10e3)
    assert voltages(network)["MID"] == pytest.approx(7.4 * 0.4, rel=1e-6)


@pytest.mark.parametrize(("ohm", "expected_v"), [(100.0, 5.0), (10.0, 1.0), (0.5, 0.05)])
def test_supply_regulates_until_its_limit(ohm, expected_v):
    network = supplied(5.0, 0.1)
    network.conductance("IN", "GND", 1 / ohm)
    assert voltages(network)["IN"] == pytest.approx(expected_v, rel=3e-4)


def test_crossed_leads():
    network = supplied(-5.0, 0.1)
    network.conductance("IN", "GND", 1 / 10.0)
    assert voltages(network)["IN"] == pytest.approx(-1.0, rel=1e-4)


def test_diode_carries_what_its_law_says():
    network = supplied(5.0, 1.0, "A")
    network.conductance("IN", "A", 1 / 1e3)
    network.diode("A", "GND", 1e-14, VT)
    at = voltages(network)
    current = (at["IN"] - at["A"]) / 1e3
    assert at["A"] == pytest.approx(VT * math.log(current / 1e-14 + 1), abs=1e-5)


def test_transistor_saturates_and_amplifies():
    def collector(base_ohm: float) -> dict[str, float]:
        network = supplied(5.0, 1.0, "B", "C")
        network.conductance("IN", "B", 1 / base_ohm)
        network.conductance("IN", "C", 1 / 1e3)
        for control, into in (
            ("GND", (("C", 1.0), ("B", 1 / 200), ("GND", -1 - 1 / 200))),
            ("C", (("GND", 1.0), ("B", 1 / 4), ("C", -1 - 1 / 4))),
        ):
            network.junctions.append(Junction("B", control, 1e-14, VT, into))
        return voltages(network)

    assert collector(2.2e3)["C"] < 0.1
    at = collector(1e6)
    assert (5 - at["C"]) / 1e3 == pytest.approx(200 * (at["IN"] - at["B"]) / 1e6, rel=1e-3)


def test_floating_node_has_a_voltage():
    network = supplied(5.0, 1.0, "FLOAT")
    network.diode("GND", "FLOAT", 1e-14, VT)
    assert abs(voltages(network)["FLOAT"]) < 0.1


@pytest.mark.parametrize(
    ("law", "u1", "u2"),
    [
        (p_channel(-2.0, 4.0), -5.0, -0.1),
        (p_channel(-2.0, 4.0), -3.0, -4.0),
        (p_channel(-2.0, 4.0), -5.0, 0.2),
        (p_channel(-2.0, 4.0), -1.0, -4.0),
        (adjust_current(50e-6), 0.05, 0.0),
    ],
)
def test_derivatives_of_explicit_laws(law, u1, u2):
    step = 1e-6
    _, by_u1, by_u2 = law(u1, u2)
    assert by_u1 == pytest.approx((law(u1 + step, u2)[0] - law(u1 - step, u2)[0]) / (2 * step), rel=1e-4, abs=1e-9)
    assert by_u2 == pytest.approx((law(u1, u2 + step)[0] - law(u1, u2 - step)[0]) / (2 * step), rel=1e-4, abs=1e-9)


@pytest.mark.parametrize("law", [low_dropout(5.0, 0.25, 3.0, 40.0), emitter_follower(1.25, 0.2, 1.2, 5.0, 20.0)])
@pytest.mark.parametrize(("i", "u1", "u2"), [(0.03, 4.9, 2.0), (0.03, 1.2, 0.9), (0.3, 0.5, 4.0), (0.0, 6.0, -1.0)])
def test_derivatives_of_implicit_laws(law, i, u1, u2):
    step = 1e-6
    found = law(i, u1, u2)[1:]
    for number, (di, d1, d2) in enumerate(((step, 0, 0), (0, step, 0), (0, 0, step))):
        slope = (law(i + di, u1 + d1, u2 + d2)[0] - law(i - di, u1 - d1, u2 - d2)[0]) / (2 * step)
        assert found[number] == pytest.approx(slope, rel=1e-3, abs=1e-4)


def test_saturation_current_doubles_about_every_ten_kelvin():
    # Common practice, no source: silicon junction leakage doubles every 8 to 12 K at constant voltage.
    assert 1.7 < saturation_a(1e-14, 1.0, 33.0) / saturation_a(1e-14, 1.0, 23.0) < 6


def test_copies_share_what_is_known_of_junctions_and_nothing_else():
    network = supplied(5.0, 1.0, "A")
    network.conductance("IN", "A", 1e-3)
    network.diode("A", "GND", 1e-14, VT)
    twin = network.copy()
    twin.conductance("A", "GND", 1.0)
    assert twin.pattern() is network.pattern()
    assert voltages(twin)["A"] == pytest.approx(5e-3, rel=2e-3)
    assert voltages(network)["A"] > 0.5
    twin.limited.append(LimitedBranch("GND", "A", (("A", "GND"),), limited_source(0.3, 1.0, 0.01)))
    assert twin.pattern() is not network.pattern()
    assert voltages(twin)["A"] == pytest.approx(0.3, rel=0.02)
