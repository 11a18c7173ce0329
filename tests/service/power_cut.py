"""A disk whose power is cut: what was not flushed to it is gone."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

#: Nothing is written to the disk by itself for so long (seconds), but what somebody flushes.
_COMMIT = 300
_SIZE = 64 << 20


class Disk:
    """A file system of its own in a file, where mounting is allowed.

    A loop device has what the file system wrote to it, and nothing of what only lies in memory; so
    a copy of its file is the disk as a power failure at that moment leaves it. Elsewhere a cut
    takes nothing away.
    """

    def __init__(self, folder: Path) -> None:
        self._image, self.root = folder / "disk.img", folder / "disk"
        self._folder = folder
        self.root.mkdir()
        with self._image.open("wb") as file:
            file.truncate(_SIZE)
        made = shutil.which("mkfs.ext4") and not _run("mkfs.ext4", "-q", "-F", self._image)
        self.is_real = bool(made) and not _mount(self._image, self.root)

    def close(self) -> None:
        """Take it away."""
        if self.is_real:
            subprocess.run(["umount", self.root], check=True)
            self.is_real = False

    @contextmanager
    def cut(self) -> Iterator[Path]:
        """Give what is on the disk after a cut; who wrote to it has been killed or is quiet."""
        after = self._folder / "after"
        if not self.is_real:
            ignore = shutil.ignore_patterns("control")
            shutil.copytree(self.root, after, symlinks=True, ignore=ignore)
            yield after
            shutil.rmtree(after)
            return
        copy = self._folder / "after.img"
        subprocess.run(["cp", "--sparse=always", self._image, copy], check=True)
        after.mkdir()
        try:
            assert not _mount(copy, after)
            yield after
        finally:
            subprocess.run(["umount", after], check=True)
            after.rmdir()
            copy.unlink()

    def __enter__(self) -> Disk:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _mount(image: Path, place: Path) -> int:
    return _run("mount", "-t", "ext4", "-o", f"loop,commit={_COMMIT}", image, place)


def _run(*words: object) -> int:
    return subprocess.run([str(word) for word in words], capture_output=True).returncode
