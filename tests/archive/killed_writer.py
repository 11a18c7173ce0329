"""Run as a process of its own, to be killed.

``random FOLDER COUNT SIZE`` puts made-up objects until all are kept; somebody kills it.

``steps FOLDER`` puts two batches again and again, each time in a child of its own and a folder
of its own, and the child kills itself at its first, second, ... call that changes the disk, half
done where the call can be half done. It ends when a child came through. ``deletions FOLDER`` does
so with two deletions.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from archive_samples import ROOT, incoming, uid

from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming
from archiver.archive.store.journal_lines import DELETED, Deed

PIXELS = 50_000


def numbered(n: int, size: int) -> Incoming:
    return incoming(n, pixels=bytes([n % 251]) * size, teeth=("36",), study=n // 5)


def put_all(folder: Path, count: int, size: int, at_once: int = 3) -> None:
    batches = [
        [numbered(n, size) for n in range(begin, min(begin + at_once, count))]
        for begin in range(0, count, at_once)
    ]
    print("ready", flush=True)
    with Archive.open(folder) as archive:
        for batch in batches:
            archive.put(batch)


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def dying_at(step: int) -> None:
    """Make the calls that change the disk count, and the one with that number deadly."""
    left = step

    def counted(call: Callable[..., Any], half: Callable[..., Any] | None) -> Callable[..., Any]:
        def counting(*arguments: Any, **named: Any) -> Any:
            nonlocal left
            left -= 1
            if left == 0:
                if half is not None:
                    half(*arguments)
                die()
            return call(*arguments, **named)

        return counting

    write, writev = os.write, os.writev
    halves: dict[str, Callable[..., Any]] = {
        "write": lambda handle, text: write(handle, text[: len(text) // 2]),
        "writev": lambda handle, views: writev(handle, views[: len(views) // 2]),
    }
    for name in (
        "write",
        "writev",
        "fsync",
        "fdatasync",
        "replace",
        "mkdir",
        "open",
        "ftruncate",
        "unlink",
        "rmdir",
    ):
        setattr(os, name, counted(getattr(os, name), halves.get(name)))


def put_batches(archive: Archive) -> None:
    archive.put([numbered(0, PIXELS), numbered(5, PIXELS)])
    archive.put([numbered(1, PIXELS)])


def delete_two(archive: Archive) -> None:
    """Delete two instances of three, one of them the only one of its study."""
    held = archive.held([uid(1), uid(5)])
    archive.delete(
        [
            Deed(DELETED, f"{ROOT}.1.{study}", f"{ROOT}.2.{study}", sop, held[sop].digest)
            for sop, study in ((uid(1), 0), (uid(5), 1))
            if sop in held
        ]
    )


def step_by_step(folder: Path, work: Callable[[Archive], None]) -> None:
    step = 0
    if work is delete_two:
        with Archive.open(folder / "made") as archive:
            put_batches(archive)
    while True:
        step += 1
        if work is delete_two:
            shutil.copytree(folder / "made", folder / f"{step:03}")
        child = os.fork()
        if child == 0:
            dying_at(step)
            with Archive.open(folder / f"{step:03}") as archive:
                work(archive)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        print(step, status, flush=True)
        if status != signal.SIGKILL:
            return


if __name__ == "__main__":
    if sys.argv[1] in ("steps", "deletions"):
        step_by_step(Path(sys.argv[2]), put_batches if sys.argv[1] == "steps" else delete_two)
    else:
        put_all(Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
        print("finished", flush=True)
