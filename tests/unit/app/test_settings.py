"""Where settings come from."""

import pytest

from hil.app.settings import read_settings
from hil.errors import UsageError


def test_options_come_before_the_file_and_the_file_before_defaults(tmp_path):
    (tmp_path / "hil.toml").write_text("format = 1\nlot = 'L7'\noperator = 'A'\n")
    settings = read_settings({"operator": "B", "lot": None}, folder=tmp_path)
    assert [str(settings.by_name[name]) for name in ("operator", "lot", "scope")] == [
        "operator: B  (--operator)",
        "lot: L7  (hil.toml:2)",
        "scope: full  (default)",
    ]
    assert ("lot", "L7", "hil.toml:2") in settings.as_record()


def test_no_search_upwards(tmp_path):
    (tmp_path / "hil.toml").write_text("format = 1\nlot = 'L7'\n")
    inner = tmp_path / "inner"
    inner.mkdir()
    assert read_settings({}, folder=inner)["lot"] == ""


def test_simulated_runs_have_a_record_of_their_own(tmp_path):
    settings = read_settings({"out": "here"}, folder=tmp_path)
    assert settings.records(simulated=True) == "here/simulated.sqlite"
    assert settings.records(simulated=False) == "here/records.sqlite"
    shared = read_settings({"records": "postgresql://bench@db/hil"}, folder=tmp_path)
    assert shared.records(simulated=False) == "postgresql://bench@db/hil"
    assert shared.records(simulated=True) == "hil-out/simulated.sqlite"


def test_real_runs_never_go_into_the_record_of_simulated_ones(tmp_path):
    settings = read_settings({"records": "simulated.sqlite"}, folder=tmp_path)
    with pytest.raises(UsageError) as caught:
        settings.records(simulated=False)
    assert str(caught.value) == (
        "records 'simulated.sqlite' (--records): that name is for simulated runs. Name another file."
    )
