"""Jobs done in threads, a few ahead of whoever takes their results."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")


def in_order(
    work: Callable[[Job], Result], jobs: Iterable[Job], threads: int, name: str
) -> Iterator[tuple[Job, Result]]:
    """Yield jobs with their results in the order of the jobs; what is not begun ends with it.

    Parameters
    ----------
    threads
        How many there are; twice as many jobs are ahead.
    name
        Of the threads.
    """
    with ThreadPoolExecutor(threads, name) as pool:
        ahead: deque[tuple[Job, Future[Result]]] = deque()
        try:
            for job in jobs:
                ahead.append((job, pool.submit(work, job)))
                if len(ahead) > 2 * threads:
                    first, future = ahead.popleft()
                    yield first, future.result()
            while ahead:
                first, future = ahead.popleft()
                yield first, future.result()
        finally:
            for _, future in ahead:
                future.cancel()
