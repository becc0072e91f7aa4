"""The compiler's door: loops compiled on first use, or plain Python where there is no compiler that works."""

from collections.abc import Callable
from typing import Any, TypeVar, cast

Function = TypeVar("Function", bound=Callable[..., Any])


def _one_more(number: int) -> int:
    return number + 1


def _decorated(function: Function, numba: Any, **options: Any) -> Function:
    if numba is None:
        return function
    try:
        return cast(Function, numba.njit(cache=True, nogil=True, error_model="numpy", **options)(function))
    except RuntimeError:  # neither the package's folder nor the user's can be written to
        return cast(Function, numba.njit(nogil=True, error_model="numpy", **options)(function))


def _compiler() -> Any:
    """Return the compiler's module when it is there and compiles, else None."""
    try:
        import numba

        works = _decorated(_one_more, numba)(1) == 2
    # Whatever is amiss with it, a wrong version of a library under it included: work goes on without.
    except Exception:
        return None
    return numba if works else None


COMPILER: Any = _compiler()
"""The compiler's module; None where there is none that works."""


def compiled(function: Function) -> Function:
    """Return `function` compiled on first use, the result kept on disk, free of the interpreter's lock."""
    return _decorated(function, COMPILER)


def bare(function: Function) -> Function:
    """Return `function` compiled without counting references to arrays: it must not make or return any.

    The compiler counts them, by locked instructions, at every call that takes a tuple of arrays: measured, a
    fifth of the time of the film kernel. Arrays live on in the callers of these functions, which do count.
    """
    return _decorated(function, COMPILER, _nrt=False)


def inlined(function: Function) -> Function:
    """Return `function` compiled into each of its callers: for small functions of the innermost loops."""
    if COMPILER is None:
        return function
    return cast(Function, COMPILER.njit(inline="always", error_model="numpy")(function))
