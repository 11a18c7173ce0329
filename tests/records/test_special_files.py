"""What is no plain file of the archive is found, and not opened."""

from __future__ import annotations

import os
import socket
from datetime import datetime, timezone
from pathlib import Path

import pytest

from archiver.archive.store.layout import Layout
from archiver.records import object_survey
from archiver.records.audit_memory import Memory
from archiver.records.examination import Depth
from archiver.records.object_survey import _special, look_at_objects, mounts_within

NOW = datetime(2026, 11, 25, tzinfo=timezone.utc)


def test_links_pipes_and_sockets_among_the_objects_are_told(tmp_path: Path) -> None:
    layout = Layout(tmp_path / "archive")
    folder = layout.objects / "1.2" / "3.4"
    folder.mkdir(parents=True)
    outside = tmp_path / "outside.dcm"
    outside.write_bytes(b"DICM")
    (folder / "link.dcm").symlink_to(outside)
    (layout.objects / "folder").symlink_to(tmp_path)
    os.mkfifo(folder / "pipe.dcm")
    with socket.socket(socket.AF_UNIX) as server:
        here = Path.cwd()
        os.chdir(folder)  # the path of a socket may not be long
        try:
            server.bind("socket.dcm")
        finally:
            os.chdir(here)
        memory = Memory(None, "x")
        for _ in range(2):
            seen = [
                one.seen for one in look_at_objects(layout, Depth.OBJECTS, memory, NOW, full=False)
            ]
            told = {Path(one.path).name: str(one.trouble) for one in seen}
            assert told == {
                "folder": "it is a link, and not the object itself",
                "link.dcm": "it is a link, and not the object itself",
                "pipe.dcm": "it is a pipe, a socket or a device, and no file",
                "socket.dcm": "it is a pipe, a socket or a device, and no file",
            }
        memory.close()


def test_what_is_mounted_into_the_archive_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    layout = Layout(tmp_path / "the archive")
    for name in ("1.2", "3.4"):
        (layout.objects / name).mkdir(parents=True)
        (layout.objects / name / f"{name}.dcm").write_bytes(b"DICM")
    file = layout.objects / "1.2" / "1.2.dcm"
    assert _special(file.stat(), file.stat().st_dev) == ""
    assert _special(file.stat(), file.stat().st_dev + 1) == "mounted"
    table = tmp_path / "mountinfo"
    written = str(layout.objects.resolve()).replace(" ", "\\040")
    line = "36 35 8:1 /elsewhere {} rw shared:1 - ext4 /dev/sda1 rw\n"
    table.write_text(line.format("/") + line.format(written) + line.format(f"{written}/1.2"))
    found = mounts_within(layout.objects, table)
    assert found == (f"{layout.objects}/1.2/",)
    assert mounts_within(layout.objects, tmp_path / "none") == ()
    monkeypatch.setattr(object_survey, "mounts_within", lambda _: found)
    memory = Memory(None, "x")
    looked = look_at_objects(layout, Depth.DIGESTS, memory, NOW, full=False)
    told = {Path(one.seen.path).name: str(one.seen.trouble or "") for one in looked}
    memory.close()
    assert told == {
        "1.2.dcm": "it lies in something that is mounted into the archive",
        "3.4.dcm": "",
    }
