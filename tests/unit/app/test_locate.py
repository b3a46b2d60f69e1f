"""Names of shipped files and paths."""

import pytest

from hil.app.locate import label_of, load_bench, load_kit, locate, read_text, shipped_names
from hil.errors import UsageError
from hil.suite import ROOT


def test_a_name_means_a_shipped_file():
    assert locate("bench", "simulated") == ROOT / "fixtures/benches/simulated.toml"
    assert label_of(locate("kit", "demo")) == "fixtures/kits/demo.toml"
    assert {"simulated", "by_hand"} <= set(shipped_names("bench"))


def test_a_slash_or_suffix_means_a_path(tmp_path):
    file = tmp_path / "own.toml"
    file.write_text("format = 1")
    assert locate("limits", str(file)) == file
    assert locate("limits", "own.toml", base=tmp_path) == file


def test_unknown_name():
    with pytest.raises(UsageError) as caught:
        locate("bench", "simulatd")
    assert str(caught.value) == (
        "bench 'simulatd': not shipped with hil. Did you mean 'simulated'. A file of your own is named with its suffix."
    )


def test_missing_path():
    with pytest.raises(UsageError) as caught:
        locate("kit", "nowhere/kit.toml")
    assert str(caught.value) == "kit 'nowhere/kit.toml': there is no file nowhere/kit.toml. Correct the path."


def test_text_that_is_not_utf_8(tmp_path):
    file = tmp_path / "x.toml"
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(UsageError, match="not a text in UTF-8"):
        read_text(file)


def test_shipped_files_load():
    bench = load_bench("simulated")
    assert load_kit(bench.kit, today="2026-11-25").kit == "demo"
