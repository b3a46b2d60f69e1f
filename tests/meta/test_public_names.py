"""The door of the package: what `hil` shows is what `__all__` says, short and sorted."""

import hil


def test_all_is_sorted_and_true() -> None:
    assert list(hil.__all__) == sorted(hil.__all__)
    for name in hil.__all__:
        assert getattr(hil, name).__doc__


def test_nothing_else_is_visible() -> None:
    import types

    visible = {
        name
        for name, value in vars(hil).items()
        if not name.startswith("_") and not isinstance(value, types.ModuleType)
    }
    assert visible - set(hil.__all__) == set()
