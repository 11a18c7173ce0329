"""A task that takes too much costs itself and nobody else."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator

import numpy as np
import pytest

from archiver.errors import ObjectError, PhotoError
from archiver.workers.allowances import Allowance
from archiver.workers.pool import GUEST, Pool
from tests.workers import worker_tasks as tasks


@pytest.fixture(scope="module")
def pool() -> Iterator[Pool]:
    made = Pool(2, Allowance(memory=200 << 20, seconds=0.5))
    yield made
    made.close()


def code(pool: Pool, function: object, *arguments: object) -> str:
    with pytest.raises(ObjectError) as raised:
        pool.run(function, ObjectError, *arguments)  # type: ignore[arg-type]
    return raised.value.problems[0].code


def test_a_worker_stays_warm(pool: Pool) -> None:
    assert pool.run(tasks.double, ObjectError, 21) == 42
    first = pool.run(tasks.process, ObjectError)
    assert first == pool.run(tasks.process, ObjectError) != os.getpid()


def test_pixels_come_back_whole_and_can_be_written_to(pool: Pool) -> None:
    pixels = pool.run(tasks.picture, ObjectError, 1000, 2000)
    pixels[0, 0, 0] = 8
    assert pixels.shape == (1000, 2000, 3)
    assert int(pixels.sum()) == 7 * 6_000_000 + 1
    assert isinstance(pixels, np.ndarray)


@pytest.mark.parametrize(
    ("function", "arguments", "told"),
    [
        (tasks.swallow, (2000,), "workers.memory"),
        (tasks.spin, (60.0,), "workers.too_long"),
        (tasks.nap, (60.0,), "workers.too_long"),
        (tasks.crash, (), "workers.died"),
        (tasks.stumble, (), "workers.failed"),
    ],
)
def test_a_task_that_takes_too_much_or_fails_costs_itself_alone(
    pool: Pool, function: object, arguments: tuple[object, ...], told: str
) -> None:
    assert code(pool, function, *arguments) == told
    assert pool.run(tasks.double, ObjectError, 4) == 8


def test_what_a_task_stumbled_over_is_not_told(pool: Pool) -> None:
    with pytest.raises(ObjectError) as raised:
        pool.run(tasks.stumble, ObjectError)
    assert "Okafor" not in str(raised.value)
    assert "KeyError" in str(raised.value)


def test_errors_of_ours_come_back_as_they_were_raised(pool: Pool) -> None:
    with pytest.raises(PhotoError) as raised:
        pool.run(tasks.refuse, ObjectError)
    assert raised.value.problems[0].code == "photo.jpeg.no_stream"


def test_a_worker_that_somebody_ended_is_replaced(pool: Pool) -> None:
    before = pool.run(tasks.process, ObjectError)
    os.kill(before, signal.SIGKILL)
    time.sleep(0.2)
    assert pool.run(tasks.process, ObjectError) != before


def test_one_guest_never_holds_all_workers(pool: Pool) -> None:
    context = []

    def greedy() -> None:
        GUEST.set("192.0.2.1")
        context.append(pool.run(tasks.nap, ObjectError, 0.7))

    threads = [threading.Thread(target=greedy) for _ in range(3)]
    for one in threads:
        one.start()
    time.sleep(0.1)
    assert pool.run(tasks.double, ObjectError, 1) == 2
    waited_for = len(context)
    for one in threads:
        one.join()
    assert len(context) == 3
    assert waited_for < 3, "another guest had to wait for all of them"


def test_the_processor_is_charged_to_the_guest(pool: Pool) -> None:
    told: list[tuple[str, float]] = []
    pool.charged = lambda guest, seconds: told.append((guest, seconds))
    pool.run(tasks.spin, ObjectError, 0.2)
    pool.charged = lambda guest, seconds: None
    ((guest, seconds),) = told
    assert guest == ""
    assert 0.2 <= seconds < 0.6


def test_what_is_confined_runs_in_a_worker_once() -> None:
    name, outer, inner = tasks.where(of="a name")
    assert name == "a name"
    assert outer == inner != os.getpid()
