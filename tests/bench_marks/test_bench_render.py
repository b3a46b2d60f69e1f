"""How long the files of one unit take, warm: certificate, XML, plot and report of a run with a hundred rows.

A certificate of the same data is laid out from typst's memory; so every round gets values of its own.
"""

import itertools
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hil.app.certify import ISSUER, shipped_paper
from hil.core.records import Run
from hil.files.issuer import parse_issuer
from hil.render.certificate import build
from hil.render.dcc import dcc_xml
from hil.render.report import summary_html
from hil.render.typeset import typeset

sys.path.insert(0, str(Path(__file__).parents[1] / "unit" / "render"))
from conftest import make_run

WORDS = parse_issuer("certificate.toml", ISSUER.read_text(encoding="utf-8"))
COUNT = itertools.count(1)


def new_run() -> Run:
    run = make_run()
    shift = 1 + 1e-4 * next(COUNT)
    readings = tuple(
        replace(one, value=one.value * shift, title=f"{one.title} {shift:.4f}") if isinstance(one.value, float) else one
        for one in run.readings
    )
    return replace(run, readings=readings)


@pytest.fixture(autouse=True)
def warm() -> None:
    typeset(build(new_run(), WORDS, issued="2026-11-25"), shipped_paper())


def certificate_setup() -> tuple[tuple[Any, ...], dict[str, Any]]:
    return (build(new_run(), WORDS, issued="2026-11-25"),), {}


def test_build(benchmark: Any) -> None:
    benchmark.pedantic(lambda run: build(run, WORDS, issued="2026-11-25"), setup=lambda: ((new_run(),), {}), rounds=20)


def test_pdf(benchmark: Any) -> None:
    benchmark.pedantic(lambda made: typeset(made, shipped_paper()), setup=certificate_setup, rounds=20)


def test_xml(benchmark: Any) -> None:
    benchmark.pedantic(dcc_xml, setup=certificate_setup, rounds=20)


def test_report_summary_with_plot(benchmark: Any) -> None:
    benchmark.pedantic(lambda run: summary_html(run, shipped_paper()), setup=lambda: ((new_run(),), {}), rounds=20)
