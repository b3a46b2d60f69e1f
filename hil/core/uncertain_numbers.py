"""The GUM Tree Calculator, imported when it is first needed and without what is not used of it.

GTC brings `scipy.optimize` along for reports that nobody asks for here, and half of a cold start is spent on that
import. The lazy loader of the standard library puts it off until somebody really uses it.
"""

import importlib.util
import sys
from functools import cache
from types import ModuleType


@cache
def gtc() -> ModuleType:
    """The module GTC."""
    _put_off("scipy.optimize")
    import GTC

    return GTC  # type: ignore[no-any-return]


def _put_off(name: str) -> None:
    if name in sys.modules:
        return
    spec = importlib.util.find_spec(name)
    if spec is None or spec.loader is None:
        return
    spec.loader = importlib.util.LazyLoader(spec.loader)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    package, _, own_name = name.rpartition(".")
    setattr(sys.modules[package], own_name, module)  # found there, it is not looked up, which would load it
    spec.loader.exec_module(module)
