"""What moves readings: what was put in is found, once, and nothing is found where nothing was put in."""

import numpy as np
import pytest

from hil.app.lot_effects import Candidates, Effect, effects_of

UNITS = 300


def labels(seed: int = 0) -> dict[str, np.ndarray]:
    generator = np.random.default_rng(seed)
    operator = generator.choice(["A", "B", "C"], UNITS).astype(object)
    # C works mostly at the west bench: who only looks at one grouping at a time blames the wrong one.
    bench = np.where(operator == "C", generator.random(UNITS) < 0.8, generator.random(UNITS) < 0.3)
    component = np.array([f"L{unit * 4 // UNITS}" for unit in range(UNITS)], dtype=object)
    return {
        "operator": operator,
        "bench": np.where(bench, "west", "east").astype(object),
        "component_lot": component,
        "firmware": np.full(UNITS, "1.0", dtype=object),
    }


def found(values: np.ndarray, given: dict[str, np.ndarray] | None = None) -> tuple[Effect, ...]:
    candidates = Candidates(given or labels(), UNITS)
    effects, rest = effects_of("c", np.arange(values.size), values, candidates, checks=20)
    assert rest.shape == values.shape
    return effects


def noise(seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(5.0, 1.0, UNITS)


def test_nothing_is_found_in_lots_in_which_nothing_is_the_matter() -> None:
    assert sum(bool(found(noise(seed))) for seed in range(100)) <= 2


def test_a_bench_that_is_off_is_blamed_once_and_not_its_operators() -> None:
    given = labels()
    values = noise() + 1.5 * (given["bench"] == "west")
    (effect,) = found(values, given)
    assert (effect.kind, effect.grouping) == ("shift", "bench")
    assert abs(effect.size) == pytest.approx(1.5, abs=0.35)
    assert (effect.size > 0) == (effect.group == "west")


def test_three_things_at_once_are_told_apart() -> None:
    given = labels()
    inside = given["component_lot"] == "L2"
    ramp = np.cumsum(inside) / inside.sum() * inside
    values = noise() + 1.5 * (given["bench"] == "west") + 3.0 * ramp - 1.0 * (given["operator"] == "A")
    effects = {(one.kind, one.grouping, one.group): one.size for one in found(values, given)}
    assert effects.pop(("drift", "component_lot", "L2")) == pytest.approx(3.0, abs=0.8)
    assert effects.pop(("shift", "operator", "A")) == pytest.approx(-1.0, abs=0.4)
    ((kind, grouping, _), size), *rest = effects.items()
    assert (kind, grouping, rest) == ("shift", "bench", [])
    assert abs(size) == pytest.approx(1.5, abs=0.4)


def test_a_drift_of_the_whole_lot_is_no_matter_of_its_component_lots() -> None:
    (effect,) = found(noise() + np.linspace(0, 2, UNITS))
    assert (effect.kind, effect.grouping, effect.count) == ("drift", "", UNITS)
    assert effect.size == pytest.approx(2.0, abs=0.6)


def test_an_operator_who_scatters_more_is_found_though_the_mean_is_right() -> None:
    given = labels()
    values = 5.0 + (noise() - 5.0) * np.where(given["operator"] == "B", 2.5, 1.0)
    (effect,) = found(values, given)
    assert (effect.kind, effect.grouping, effect.group) == ("scatter", "operator", "B")
    assert effect.size == pytest.approx(2.5, abs=0.5)


def test_single_bad_units_make_no_effect() -> None:
    values = noise()
    values[[10, 200]] = 1e6
    assert found(values) == ()


@pytest.mark.parametrize("values", [np.full(UNITS, 3.0), np.array([1.0]), np.array([]), np.arange(9.0)])
def test_constant_and_very_short_series_say_nothing(values: np.ndarray) -> None:
    assert found(values) == ()


def test_units_without_a_reading_are_left_out() -> None:
    given = labels()
    values = noise() + 1.5 * (given["bench"] == "west")
    kept = np.flatnonzero(np.arange(UNITS) % 3 > 0)
    effects, _ = effects_of("c", kept, values[kept], Candidates(given, UNITS), checks=20)
    assert [one.grouping for one in effects] == ["bench"]


def test_what_is_small_against_the_tolerance_does_not_matter_however_certain_it_is() -> None:
    given = labels()
    values = noise() + 1.5 * (given["bench"] == "west")
    candidates = Candidates(given, UNITS)
    places = np.arange(UNITS)
    (effect,), _ = effects_of("c", places, values, candidates, checks=20, tolerance=10.0)
    assert effect.share == pytest.approx(0.15, abs=0.04)
    none, rest = effects_of("c", places, values, candidates, checks=20, tolerance=100.0)
    assert none == ()
    assert (
        abs(rest[given["bench"] == "west"].mean() - rest[given["bench"] == "east"].mean()) < 0.05
    )  # taken out all the same
