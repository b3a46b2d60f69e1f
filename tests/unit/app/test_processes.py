"""Work on several processes: results as they are made, problems as themselves, a process that dies."""

import os
import signal
import time

import pytest

from hil.app import processes
from hil.app.processes import in_processes
from hil.errors import BenchError


@pytest.mark.parametrize("jobs", [1, 2])
def test_all_results_of_all_batches_arrive(jobs):
    with in_processes(reversed, [(1, 2, 3), (4, 5), (6,)], jobs=jobs) as results:
        assert sorted(results) == [1, 2, 3, 4, 5, 6]


def test_nothing_to_do_starts_no_process():
    with in_processes(reversed, [], jobs=2) as results:
        assert list(results) == []


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_problem_arrives_as_itself(jobs):
    with pytest.raises(TypeError, match="not iterable"), in_processes(iter, [3, 4], jobs=jobs) as results:
        list(results)


def test_a_process_that_is_ended_says_nothing(capfd):
    with in_processes(_slowly, [1, 2], jobs=2) as results:
        next(results)
    assert capfd.readouterr().err == ""


def _slowly(number):
    """Takes the signal that ends it for a Ctrl-C, as an opened bench does."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    yield number
    time.sleep(60)


def test_a_process_that_dies_is_told(monkeypatch):
    monkeypatch.setattr(processes, "_LOOK_EVERY_S", 0.2)
    with (
        pytest.raises(BenchError, match=r"a process ended \(exit code 3\)\. Start again; what was done is kept\."),
        in_processes(os._exit, [3, 3], jobs=2) as results,
    ):
        list(results)
