"""Products of matrices on one core.

The library behind numpy shares out even small products, and its threads wait for each other by
spinning: on cores that have other work too, a comparison took 2.5 times the processor time.
"""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache

from threadpoolctl import ThreadpoolController


@cache
def _libraries() -> ThreadpoolController:
    """What is loaded when it is first asked; numpy is by then."""
    return ThreadpoolController()


def one_core() -> AbstractContextManager[object]:
    """Return a context in which numpy multiplies on one core."""
    limited: AbstractContextManager[object] = _libraries().limit(limits=1, user_api="blas")
    return limited
