"""A draft worked on without a browser, as the modules of the page do it."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from time import sleep
from typing import Any
from urllib.parse import quote

import numpy as np
from PIL import Image
from web_serving import PASSWORD, ROOT, Answer, Client, Served

from archiver.access.users import users_of
from tests.photo.camera_files import camera_exif, camera_jpeg, thumbnail

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

JSON = {"Accept": "application/json", "Content-Type": "application/json"}
STUDIES = ROOT / "demo_studies"


def let_in(archive: Path, name: str, *roles: str) -> None:
    """Make a user, without a process of its own."""
    users_of(archive).add(name, frozenset(roles), PASSWORD)


class Taking:
    """One person and one draft."""

    def __init__(self, served: Served, name: str = "", identity: str = "") -> None:
        self.client = Client(served)
        if name:
            assert self.client.log_in(name).status == 303
        page = self.client.ask("/take-in")
        assert page.status == 200, page.text
        self.id = identity
        if not identity:
            self.id = self.client.post("/take-in/new").headers["location"].rpartition("/")[2]
        self.revision = 0

    def ask(self, path: str, method: str = "GET", body: object = None) -> Answer:
        """Ask the server something about the draft, in JSON."""
        octets = b"" if body is None else json.dumps(body).encode()
        headers = {**JSON, "X-CSRF-Token": self.client.csrf}
        return self.client.ask(f"/take-in/{self.id}{path}", method, octets, headers)

    def state(self) -> dict[str, Any]:
        """Return all of the draft."""
        answer = self.ask("/state")
        assert answer.status == 200, answer.text
        state: dict[str, Any] = json.loads(answer.body)
        self.revision = state["revision"]
        return state

    def upload(self, octets: bytes, name: str) -> Answer:
        """Send one file."""
        headers = {
            "Accept": "application/json",
            "Content-Type": "application/octet-stream",
            "X-CSRF-Token": self.client.csrf,
            "X-File-Name": quote(name, safe=""),
        }
        return self.client.ask(f"/take-in/{self.id}/pictures", "PUT", octets, headers)

    def take(self, files: Sequence[Path]) -> list[str]:
        """Send files; return their digests."""
        digests = []
        for file in files:
            answer = self.upload(file.read_bytes(), file.name)
            assert answer.status == 201, answer.text
            digests.append(str(json.loads(answer.body)["picture"]["digest"]))
        return digests

    def change(self, **change: object) -> Answer:
        """Change the draft."""
        answer = self.ask("/changes", "POST", {"revision": self.revision, **change})
        if answer.status == 200:
            self.revision = json.loads(answer.body)["revision"]
        return answer

    def say(self, digest: str, numbering: str = "iso", **said: object) -> dict[str, Any]:
        """Say something of a picture; return what the server then knows of it."""
        answer = self.change(pictures={digest: said}, numbering=numbering)
        assert answer.status == 200, answer.text
        told: dict[str, Any] = json.loads(answer.body)["pictures"][digest]
        return told

    def confirm(self, digest: str) -> None:
        """Confirm a side as it is shown."""
        told = self.state()["pictures"][digest]
        seen = {"picture": digest, "turn": told["turn"], "shown": told["shown"]}
        answer = self.change(confirm=seen)
        assert answer.status == 200, answer.text

    def archive(self) -> dict[str, Any]:
        """Archive the draft and wait for the end; return the task."""
        answer = self.ask("/archive", "POST", {})
        assert answer.status == 200, answer.text
        return self.wait(json.loads(answer.body)["task"])

    def wait(self, task: str) -> dict[str, Any]:
        """Wait for the end of a task."""
        while True:
            told: dict[str, Any] = json.loads(self.client.ask(f"/tasks/{task}", headers=JSON).body)
            if told["state"] != "running":
                return told
            sleep(0.02)


def say_as_the_sheet(taking: Taking, sheet: Path) -> list[str]:
    """Take in the files of a sheet and say all that the sheet says; return the digests."""
    table = tomllib.loads(sheet.read_text("utf-8"))
    digests = taking.take([sheet.parent / one["file"] for one in table["photo"]])
    answer = taking.change(patient=_texts(table["patient"]), visit=_texts(table["visit"]))
    assert answer.status == 200, answer.text
    if "consent" in table:
        consent = {k: v if k == "purposes" else str(v) for k, v in table["consent"].items()}
        consent.pop("noted_by")
        answer = taking.change(consent=consent)
        assert answer.status == 200, answer.text
    for digest, photo in zip(digests, table["photo"], strict=True):
        said = {**table.get("defaults", {}), **photo}
        said.pop("file")
        confirmed = said.pop("confirmed_by", "")
        said.pop("shown", "")
        taking.say(digest, table.get("numbering", "iso"), **said)
        if confirmed:
            taking.confirm(digest)
    return digests


def _texts(table: Mapping[str, object]) -> dict[str, str]:
    return {key: str(value) for key, value in table.items()}


def card(folder: Path, count: int, *, columns: int = 640, rows: int = 428) -> list[Path]:
    """Write a camera's card of pictures, each of its own, ten seconds apart, in order of time.

    The names run against the time, as they do where a camera's counter begins anew.
    """
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for n in range(count):
        when = f"2026:03:04 14:{20 + n // 6:02}:{n % 6 * 10:02}".encode()
        pixels = np.empty((rows, columns, 3), np.uint8)
        pixels[..., 0] = np.linspace(60, 230, columns)[None, :]
        pixels[..., 1] = np.linspace(60, 200, rows)[:, None]
        pixels[..., 2] = 40 + 5 * (n % 40)
        pixels[8:40, 8 : 16 + 12 * n] = (250, 240, 200)
        file = folder / f"IMG_{9000 - n:04}.JPG"
        picture = Image.fromarray(pixels)
        exif = camera_exif(picture, thumbnail(picture), exif={36867: when})
        file.write_bytes(camera_jpeg(picture, exif, "4:2:0"))
        files.append(file)
    return files
