"""Elementary functions for models: each takes a number, a numpy array or an uncertain number alike."""

from typing import Any

import numpy as np

from hil.core.uncertain_numbers import gtc


def _for_all(name: str, numpy_name: str) -> Any:
    plain = getattr(np, numpy_name)

    def function(x: Any) -> Any:
        if hasattr(x, "u_component"):
            return getattr(gtc(), name)(x)
        return plain(x)

    function.__name__ = name
    function.__doc__ = f"{name} of a number, an array or an uncertain number."
    return function


sqrt = _for_all("sqrt", "sqrt")
exp = _for_all("exp", "exp")
log = _for_all("log", "log")
sin = _for_all("sin", "sin")
cos = _for_all("cos", "cos")
tan = _for_all("tan", "tan")


def atan2(y: Any, x: Any) -> Any:
    """Angle of the point (x, y), rad."""
    if hasattr(x, "u_component") or hasattr(y, "u_component"):
        return gtc().atan2(y, x)
    return np.arctan2(y, x)
