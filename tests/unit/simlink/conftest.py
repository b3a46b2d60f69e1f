"""The shipped simulated bench, linked to the real libraries."""

import pytest

from hil.app.locate import label_of, locate, read_text
from hil.app.simulated import simulated_bench
from hil.files.bench import parse_bench
from hil.files.parts import parse_kit
from hil.simlink import connect


def make_bench(*, seed: int = 1):
    path = locate("bench", "simulated")
    spec = parse_bench(label_of(path), read_text(path))
    path = locate("kit", spec.kit)
    kit = parse_kit(label_of(path), read_text(path), today="2026-11-02")
    return simulated_bench(spec, kit, board="qm2", seed=seed)


@pytest.fixture
def bench():
    return make_bench()


@pytest.fixture
def link(bench):
    with connect(bench) as link:
        yield link
