"""The table of trials: durable, exact, and of one state of netlist and limits only."""

import math

import pytest

from hil.core.coverage import Seen, Trial, Tried
from hil.core.records import UnitVerdict, Verdict
from hil.core.visibility import Moved
from hil.errors import UsageError
from hil.store.trials import MOST_MOVED, TrialTable

KEY = {"netlist": "1", "limits": "2"}
TRIAL = Trial(fault="R5=+20%", number=1, serial="QM2-1", made="R5=+23%")
TRIED = Tried(
    trial=TRIAL,
    verdict=UnitVerdict.FAIL,
    readings={
        "rail": Seen(value=0.1 + 0.2, verdict=Verdict.PASS),
        "text": Seen(value="L=---- µH", verdict=Verdict.FAIL),
        "yes": Seen(value=True, verdict=Verdict.PASS),
        "none": Seen(value=None, verdict=Verdict.NOT_MEASURED),
    },
    seconds=139.5,
    row_seconds={"rail": 0.25, "text": 1.5, "yes": 0.0, "none": 0.0},
)


@pytest.fixture
def where(tmp_path):
    return str(tmp_path / "trials.sqlite")


def test_what_was_added_is_there_exactly_when_the_file_is_opened_again(where):
    with TrialTable(where, key=KEY) as table:
        table.add(TRIED)
    with TrialTable(where, key=KEY) as table:
        assert list(table.all()) == [TRIED]
        assert table.made() == {TRIAL}
        assert list(table.all("R5=+20%")) == [TRIED]
        assert list(table.all("")) == []


def test_a_trial_made_again_replaces_the_first(where):
    with TrialTable(where, key=KEY) as table:
        table.add(TRIED)
        table.add(TRIED)
        assert len(list(table.all())) == 1


def test_another_connection_sees_it_before_this_one_is_closed(where):
    with TrialTable(where, key=KEY) as table:
        table.add(TRIED)
        with TrialTable(where, key=KEY) as other:
            assert other.made() == {TRIAL}


def test_readings_under_other_limits_are_refused(where):
    TrialTable(where, key=KEY).close()
    with pytest.raises(UsageError) as caught:
        TrialTable(where, key=KEY | {"limits": "3"})
    assert str(caught.value) == (
        f"{where}: was made with other limits, so its readings say nothing about these. "
        "Keep it under another name or delete it, then start again."
    )


def test_without_a_key_the_table_is_taken_as_it_is(where):
    TrialTable(where, key=KEY).close()
    with TrialTable(where) as table:
        assert table.key == KEY


def test_what_faults_move_is_kept(where):
    moved = [
        Moved(name=f"V {n}", value=math.nan, lower=0.1, upper=0.2, times_u=math.inf) for n in range(MOST_MOVED + 3)
    ]
    r5 = Trial(fault="R5=+20%", number=0, serial="S1", made="R5=+20%")
    c7 = Trial(fault="C7=open", number=1, serial="S2", made="C7=open")
    with TrialTable(where, key=KEY) as table:
        table.add_moved(r5, moved)
        table.add_moved(c7, ())
    with TrialTable(where, key=KEY) as table:
        found = table.moved()
    assert found["C7=open", 1] == ()
    assert [one.name for one in found["R5=+20%", 0]] == [one.name for one in moved[:MOST_MOVED]]
    assert math.isinf(found["R5=+20%", 0][0].times_u)
