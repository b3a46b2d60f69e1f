"""Faults that no reading tells apart, and the covariance that decides it."""

import random

import numpy as np
import pytest
from scipy.stats import norm

from hil.core.coverage import Seen
from hil.core.fault_groups import CLOSE, MOST_ERROR, distances, error_of, groups, shrunk_correlation
from hil.core.records import Verdict

DICE = random.Random(3)


def unit(volt, hertz, word="ok"):
    return {
        "volt": Seen(value=volt, verdict=Verdict.PASS),
        "hertz": Seen(value=hertz, verdict=Verdict.PASS),
        "count": Seen(value=0.0, verdict=Verdict.PASS),
        "word": Seen(value=word, verdict=Verdict.PASS),
    }


def drawn():
    common = DICE.gauss(0, 1)
    return unit(5 + 0.1 * DICE.gauss(0, 1), 600e3 * (1 + 0.01 * (common + 0.1 * DICE.gauss(0, 1))))


GOOD = [drawn() for _ in range(300)]


def test_the_limit_is_an_error_of_a_quarter():
    assert error_of(CLOSE) == pytest.approx(MOST_ERROR, abs=1e-4)
    assert pytest.approx(-2 * norm.ppf(0.25), abs=1e-4) == CLOSE


def test_a_distance_is_in_standard_deviations_of_good_units():
    (found,) = distances([unit(5.0, 600e3), unit(5.2, 600e3)], GOOD)[0, 1:]
    assert found == pytest.approx(2.0, rel=0.15)


def test_who_is_close_is_one_group():
    of_one = {"": unit(5.0, 600e3), "a": unit(5.05, 600e3), "b": unit(6.0, 600e3), "c": unit(6.05, 600e3)}
    assert {frozenset(group) for group in groups(of_one, GOOD)} == {frozenset({"", "a"}), frozenset({"b", "c"})}


def test_a_text_or_a_missing_reading_tells_apart():
    silent = unit(5.0, 600e3) | {"hertz": Seen(value=None, verdict=Verdict.NOT_MEASURED)}
    of_one = {"": unit(5.0, 600e3), "text": unit(5.0, 600e3, "L=----"), "silent": silent}
    assert groups(of_one, GOOD) == ()


def test_a_reading_that_is_always_the_same_tells_apart():
    other = unit(5.0, 600e3) | {"count": Seen(value=1.0, verdict=Verdict.FAIL)}
    assert groups({"": unit(5.0, 600e3), "other": other}, GOOD) == ()


def test_correlation_is_hardly_shrunk_with_many_samples_and_much_with_few():
    rng = np.random.default_rng(1)
    pair = rng.multivariate_normal([0, 0], [[1, 0.8], [0.8, 1]], 5000)
    assert shrunk_correlation(pair)[0, 1] == pytest.approx(0.8, abs=0.03)
    wide = shrunk_correlation(rng.standard_normal((20, 60)))
    assert np.abs(wide - np.eye(60)).max() < 0.2
    assert np.linalg.eigvalsh(wide).min() > 0.1


def test_too_few_good_units():
    with pytest.raises(ValueError, match="at least ten good units, not 3"):
        groups({}, GOOD[:3])
