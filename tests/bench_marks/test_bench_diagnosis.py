"""How long a diagnosis takes: all faults of the shipped dictionary against one run, with the next probe."""

from typing import Any

from hil.app.dictionary_file import dictionary_path, load_dictionary, packed, unpacked
from hil.core.causes import diagnose


def _run() -> dict[str, tuple[float | bool | None, bool, bool]]:
    """A unit like the mean of good ones, whose oscillator stands still."""
    known = load_dictionary(dictionary_path("qm2"))
    read: dict[str, tuple[float | bool | None, bool, bool]] = {}
    for column, name in enumerate(known.rows[: known.readings]):
        if known.numeric[column] and not known.logarithmic[column]:
            read[name] = (float(known.location[column]), True, True)
    return {**read, "self_test": (2.0, True, False)}


def test_diagnosis(benchmark: Any) -> None:
    known, read = load_dictionary(dictionary_path("qm2")), _run()
    found = benchmark(lambda: diagnose(known, read))
    assert found.causes


def test_reading_the_dictionary(benchmark: Any) -> None:
    content = packed(load_dictionary(dictionary_path("qm2")))
    assert benchmark(lambda: unpacked("dictionary", content)).faults
