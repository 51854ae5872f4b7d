"""Functions compiled to machine code: inner loops over small matrices, where calls of numpy would cost more than the sums.

A function is compiled when first called, once for an installation: the code is kept beside the source, or in the user's cache folder where
that cannot be written; where neither can, it is compiled anew in every process.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., object])


def compiled(function: Function) -> Function:
    """Return a function of numbers and arrays compiled; a division by zero gives an infinity, as in numpy.

    Parameters
    ----------
    function : callable
        Written in what the compiler knows of Python; always called with the same kinds of arrays.
    """
    try:
        return cast(Function, numba.njit(cache=True, error_model="numpy")(function))
    except RuntimeError:  # no folder for the code
        return cast(Function, numba.njit(error_model="numpy")(function))


def load() -> None:
    """Load what compiled code stands on, which otherwise happens when the first such function is called: a quarter of a second."""
    _itself(0.0)


@compiled
def _itself(number: float) -> float:
    return number
