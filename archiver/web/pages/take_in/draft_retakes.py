"""Whether a picture had better be taken again: told as soon as it is there, while the patient sits.

The teeth of each picture are judged once, in a worker process, and what was measured is kept with
the draft's small pictures (``small/<SHA-256>.quality.json``), from which it can be made again. It
changes no revision, proposes and decides nothing.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from cachetools import LRUCache

from archiver import __version__
from archiver.archive.ingest import CameraFileSeen, look_at_file, looks_otherwise
from archiver.dentition import View
from archiver.errors import ArchiverError
from archiver.vision import QualityLimits, ViewKind, judge
from archiver.web.pages.take_in.draft_store import Open
from archiver.web.pages.take_in.drafts import Photo, Said

_REMEMBERED = 4096
#: EXIF orientations of pictures that are stored the right way up, reflected or not.
_UPRIGHT = (1, 2)


@dataclass(frozen=True)
class TeethMeasured:
    """What was measured of a picture.

    Parameters
    ----------
    numbers
        Figures by name; None where there are no teeth to judge.
    kind
        Which view it looks like as it is stored, a value of `archiver.vision.ViewKind`; empty where
        that is not clear.
    code
        Of the QR code in it; empty where there is none.
    """

    numbers: Mapping[str, float] | None = None
    kind: str = ""
    code: str = ""

    @classmethod
    def of(cls, seen: CameraFileSeen) -> TeethMeasured:
        """Take the figures of a look."""
        return cls(seen.numbers, seen.kind.value if seen.kind is not None else "", seen.code)

    def findings(self, said: Said, exif: int, limits: QualityLimits) -> list[str]:
        """Return what is wanting, the worst kind first, in the words of ``vision.quality``.

        ``view`` is the last where it looks like another view than is said. A face, a picture for
        judging colours and one that is left out are not judged.
        """
        view = View(said["view"]) if "view" in said else None
        if (
            self.code
            or said.get("left_out")
            or said.get("colour_frame")
            or (view and view.is_extraoral)
        ):
            return []
        if self.numbers is None:
            return ["no_teeth"] if view is not None else []
        of_arch = view.shows_arch if view is not None else self.kind == "arch"
        problems = judge(self.numbers, limits, of_arch=of_arch)
        found = list(dict.fromkeys(one.code.rpartition(".")[2] for one in problems))
        # The model of views has seen no picture that lies on its side or stands on its head.
        if view is not None and self.kind and exif in _UPRIGHT:
            found += ["view"] if looks_otherwise(ViewKind(self.kind), view) else []
        return found


class DraftRetakes:
    """Judges pictures of drafts, each once, in the order in which they are asked about.

    Parameters
    ----------
    failed
        Told of what nobody foresaw; such a picture is not judged.
    judged
        Told of the draft of every picture that has been judged.
    """

    def __init__(self, failed: Callable[[Exception], None], judged: Callable[[Open], None]) -> None:
        self._failed, self._judged = failed, judged
        self._guard = threading.Lock()
        self._known: LRUCache[str, TeethMeasured] = LRUCache(_REMEMBERED)
        self._under_way: dict[str, Future[None]] = {}
        self._pool = ThreadPoolExecutor(1, "judging")

    def known(self, opened: Open, photo: Photo) -> TeethMeasured | None:
        """Return what was measured of a picture; None where that is still to be done."""
        with self._guard:
            found = self._known.get(photo.digest)
        if found is None:
            found = _read(opened, photo)
            if found is not None:
                with self._guard:
                    self._known[photo.digest] = found
        return found

    def judge(self, opened: Open, photo: Photo) -> Future[None] | None:
        """Judge a picture in another thread; None where nothing is judged any more."""
        with self._guard:
            going = self._under_way.get(photo.digest)
            if going is None:
                with suppress(RuntimeError):  # the pages end
                    going = self._pool.submit(self._measure, opened, photo)
                    self._under_way[photo.digest] = going
        return going

    def close(self) -> None:
        """Judge nothing more."""
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _measure(self, opened: Open, photo: Photo) -> None:
        found = TeethMeasured({})
        try:
            octets = opened.path_of(photo).read_bytes()
            found = TeethMeasured.of(look_at_file(octets, photo.name))
            _write(opened, photo, found)
        except (ArchiverError, OSError):
            pass  # archiving tells what is wrong with the file; or the draft is gone
        except Exception as error:
            self._failed(error)
        finally:
            with self._guard:
                self._known[photo.digest] = found
                self._under_way.pop(photo.digest, None)
        self._judged(opened)


def _read(opened: Open, photo: Photo) -> TeethMeasured | None:
    try:
        table: dict[str, Any] = json.loads(_path(opened, photo).read_bytes())
        if table["version"] != __version__:
            return None
        return TeethMeasured(table["numbers"], table["kind"], table["code"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _write(opened: Open, photo: Photo, found: TeethMeasured) -> None:
    table = {"version": __version__, **asdict(found)}
    path = _path(opened, photo)
    part = path.with_suffix(".part")
    part.write_text(json.dumps(table), "utf-8")
    part.replace(path)


def _path(opened: Open, photo: Photo) -> Path:
    return opened.small / f"{photo.digest}.quality.json"
