"""Who released which limits, and no check with unreleased ones."""

import pytest

from hil.app.limits_release import changes_since_release, release, released, require_released
from hil.app.locate import load_limits
from hil.errors import UsageError

TEXT = """format = 1
board = "b"
revision = "A"
attempts = 3
[scopes]
full = "all"
[limit.x]
unit = "V"
upper = "1 V"
reason = "r"
"""


@pytest.fixture
def limits(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(TEXT)
    return path


def refuse(path, **options):
    with pytest.raises(UsageError) as caught:
        require_released(str(path), load_limits(str(path)), **options)
    return str(caught.value)


def put(path, text):
    return release(str(path), by="K. Holm", reason="because", today="2026-11-25") if path.write_text(text) else None


def test_unreleased_limits_are_refused_outside_rework(limits):
    assert refuse(limits) == (
        f"{limits}: revision A was never released. Release it with "
        f"'hil limits release {limits} --by NAME --reason REASON', or check with --only."
    )
    assert require_released(str(limits), load_limits(str(limits)), only="x") is None


def test_released_limits_are_taken(limits):
    entry = put(limits, TEXT)
    assert entry.difference == ("first release",)
    assert require_released(str(limits), load_limits(str(limits))) == entry
    assert released(limits) == (entry,)


def test_change_without_a_new_revision(limits):
    put(limits, TEXT)
    limits.write_text(TEXT.replace("1 V", "2 V"))
    assert f"{limits}: differs from revision A as it was released. Give it a new revision" in refuse(limits)
    with pytest.raises(UsageError, match=r"revision A was released before\. Give 'revision' a new value"):
        put(limits, TEXT.replace("1 V", "2 V"))


def test_new_revision_says_what_changed(limits):
    put(limits, TEXT)
    changed = TEXT.replace("1 V", "2 V").replace('"A"', '"B"')
    limits.write_text(changed)
    assert refuse(limits).startswith(f"{limits}: revision B is not released; the latest is A (K. Holm, 2026-11-25).")
    latest, changes = changes_since_release(str(limits))
    assert latest.revision == "A"
    assert [str(change) for change in changes] == [
        "revision A is now B",
        "x: upper limit 2.00000 V instead of 1.00000 V, wider by 1.00 V (looser)",
    ]
    entry = put(limits, changed)
    assert entry.difference == tuple(str(change) for change in changes)
    assert [one.revision for one in released(limits)] == ["A", "B"]
    limits.write_text(TEXT)  # the old content is still a released one
    assert require_released(str(limits), load_limits(str(limits))).revision == "A"


def test_line_ends_do_not_matter(limits):
    put(limits, TEXT)
    limits.write_bytes(TEXT.replace("\n", "\r\n").encode())
    assert require_released(str(limits), load_limits(str(limits))).revision == "A"


def test_refusals(limits):
    put(limits, TEXT)
    with pytest.raises(UsageError, match=r"is released already \(A, K. Holm, 2026-11-25\)"):
        put(limits, TEXT)
    with pytest.raises(UsageError, match="needs a name and a reason"):
        release(str(limits), by=" ", reason="r", today="2026-11-25")
    copy = limits.parent / "released" / "b-A.toml"
    copy.write_text(TEXT + "# touched\n")
    with pytest.raises(UsageError, match="is not what was released"):
        changes_since_release(str(limits))
    copy.unlink()
    with pytest.raises(UsageError, match="the copy of the latest release is missing"):
        changes_since_release(str(limits))


def test_folder_that_cannot_be_written(limits):
    (limits.parent / "released.toml.new").mkdir()
    with pytest.raises(UsageError, match=r"cannot be written: .*Nothing was released"):
        put(limits, TEXT)
    assert released(limits) == ()
