"""What is no plain file of the archive is found, and not opened."""

from __future__ import annotations

import os
import socket
from datetime import datetime, timezone
from pathlib import Path

from archiver.archive.store.layout import Layout
from archiver.records.audit_memory import Memory
from archiver.records.examination import Depth
from archiver.records.object_survey import look_at_objects

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
