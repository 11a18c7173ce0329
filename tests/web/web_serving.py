"""A served archive for tests: the demo studies, a real ``archiver serve``, a real browser."""

from __future__ import annotations

import asyncio
import http.client
import json
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Coroutine, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar
from urllib.parse import urlsplit

from playwright.sync_api import BrowserContext, Page

from archiver.access.front_door import FrontDoor
from archiver.access.users import users_of
from archiver.archive.store.archive import Archive
from archiver.network.node.settings import NodeSettings
from tests.new_archive import new_archive

T = TypeVar("T")
ROOT = Path(__file__).parents[2]
AXE = ROOT / "tests" / "peers" / "node_modules" / "axe-core" / "axe.min.js"
#: A screen at reception, and a tablet held upright.
DESK = {"width": 1366, "height": 860}
TABLET = {"width": 820, "height": 1180}
_SERVE = (sys.executable, "-m", "archiver", "serve", "--archive")
PASSWORD = "three green herons"


def demo_archive(folder: Path) -> Path:
    """Archive the demo studies in a new folder."""
    from archiver.archive.ingest.session_ingest import IngestSettings, take_in
    from archiver.cli.context import now
    from archiver.objects.sheet import read_sheet

    with Archive.open(folder, clock=now, actor="test") as archive:
        for sheet in sorted((ROOT / "demo_studies").glob("*/*/sheet.toml")):
            for taken in take_in(read_sheet(sheet), archive, IngestSettings(now)):
                assert taken.instances or taken.problems
    return folder


def door_of(archive: Archive, settings: NodeSettings | None = None) -> FrontDoor:
    """The door of a node that serves an archive."""
    doorstep = (settings or NodeSettings()).doorstep
    return FrontDoor(doorstep, users_of(archive.layout.root), None)


def copy_of(archive: Path, folder: Path) -> Path:
    """Copy an archive; its objects never change, so that links do for them."""
    shutil.copytree(archive, folder, ignore=shutil.ignore_patterns("objects", "lock", "control"))
    shutil.copytree(archive / "objects", folder / "objects", copy_function=os.link)
    return folder


@dataclass
class Served:
    """A running ``archiver serve``."""

    archive: Path
    process: subprocess.Popen[str]
    where: Mapping[str, object]
    errors: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        stream = self.process.stderr
        assert stream
        self.reader = threading.Thread(
            target=lambda: self.errors.extend(iter(stream.readline, "")), daemon=True
        )
        self.reader.start()

    @property
    def url(self) -> str:
        """Of the pages, without the slash at its end."""
        return str(self.where["pages"]).rstrip("/")

    @property
    def address(self) -> tuple[str, int]:
        """Host and port."""
        parts = urlsplit(self.url)
        assert parts.hostname and parts.port
        return parts.hostname, parts.port

    def stop(self) -> int:
        """Stop it as the system does."""
        self.process.terminate()
        return self._ended()

    def kill(self) -> None:
        """End it as a power failure does."""
        self.process.kill()
        self._ended()

    def _ended(self) -> int:
        status = self.process.wait(40)
        self.reader.join(10)
        assert self.process.stdout and self.process.stderr
        self.process.stdout.close()
        self.process.stderr.close()
        return status


def serve(archive: Path, *words: str, port: int = 0, settings: Path | None = None) -> Served:
    """Start ``archiver serve`` and wait until it says where it listens."""
    environment = dict(os.environ)
    if settings is not None:
        environment["ARCHIVER_SETTINGS"] = str(settings)
    new_archive(archive)
    process = subprocess.Popen(
        [*_SERVE, str(archive), "--json", "--dimse-port", "0", "--web-port", str(port), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    )
    assert process.stdout and process.stderr
    line = process.stdout.readline()
    if not line:
        raise AssertionError(process.stderr.read())
    return Served(archive, process, json.loads(line))


@dataclass
class Answer:
    """What an HTTP request brought."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def text(self) -> str:
        """The body as text."""
        return self.body.decode("utf-8", "replace")


class Client:
    """A client that sends exactly what it is told, with a cookie jar of one cookie."""

    def __init__(self, served: Served, source: str = "127.0.0.1") -> None:
        self.address = served.address
        self.source = (source, 0)
        self.cookie = ""
        self.csrf = ""

    def ask(
        self,
        path: str,
        method: str = "GET",
        body: bytes = b"",
        headers: Mapping[str, str] | None = None,
    ) -> Answer:
        """Send one request."""
        connection = http.client.HTTPConnection(
            *self.address, timeout=30, source_address=self.source
        )
        sent = {"Cookie": self.cookie} if self.cookie else {}
        sent.update(headers or {})
        # A server that is killed meanwhile leaves nothing open here.
        with closing(connection):
            connection.request(method, path, body or None, sent)
            response = connection.getresponse()
            found = {name.lower(): value for name, value in response.getheaders()}
            answer = Answer(response.status, found, response.read())
        given = found.get("set-cookie", "")
        if given.partition("=")[0].removeprefix("archiver-").isdigit():
            self.cookie = given.partition(";")[0]
        marker = '<meta name="csrf" content="'
        if marker in answer.text:
            self.csrf = answer.text.partition(marker)[2].partition('"')[0]
        return answer

    def post(self, path: str, fields: Mapping[str, str] | None = None) -> Answer:
        """Post a form with the session's token."""
        from urllib.parse import urlencode

        values = {"csrf": self.csrf, **(fields or {})}
        return self.ask(
            path,
            "POST",
            urlencode(values).encode(),
            {"Content-Type": "application/x-www-form-urlencoded"},
        )

    def log_in(self, name: str, password: str = PASSWORD) -> Answer:
        """Log in by the form."""
        self.ask("/login")
        return self.post("/login", {"name": name, "password": password, "to": "/"})


def carried_out(work: Coroutine[object, object, T]) -> T:
    """Carry a coroutine out in a thread: Playwright holds an event loop in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()


def serious(page: Page) -> list[str]:
    """Return what axe-core finds serious or critical on a page as it is now."""
    page.evaluate(AXE.read_text("utf-8") + "\n;undefined")
    found = page.evaluate(
        "axe.run(document, {runOnly: {type: 'tag', values: ['wcag2a', 'wcag2aa', 'wcag21a',"
        " 'wcag21aa', 'wcag22aa', 'best-practice']}}).then(r => r.violations)"
    )
    return [
        f"{one['id']} ({one['impact']}): {one['help']}: {[n['target'] for n in one['nodes']][:4]}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


class Watch:
    """Collects what a browser complains about."""

    def __init__(self) -> None:
        self.complaints: list[str] = []
        #: Texts of complaints that a test provokes on purpose.
        self.expected: Sequence[str] = ()

    def attach(self, context: BrowserContext) -> None:
        """Listen to every page of a context."""
        context.on("console", lambda m: self._told(m.type, f"{m.text} at {m.location.get('url')}"))
        context.on("weberror", lambda e: self.complaints.append(f"error: {e.error}"))

    def _told(self, kind: str, text: str) -> None:
        if kind in ("error", "warning"):
            self.complaints.append(f"{kind}: {text}")

    def unexpected(self) -> list[str]:
        """Return what no test had announced."""
        return [c for c in self.complaints if not any(e in c for e in self.expected)]
