"""What speaks against what is said of a draft's pictures, weighed beside the presses.

It is weighed as `archiver wrap` weighs it, in threads of its own; decoding is done in worker
processes. What was found is kept with the draft and holds as long as the picture is said to show
the same of the same patient, and the archive has the same pictures of them.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from cachetools import LRUCache

from archiver import __version__
from archiver.archive import Query, Record
from archiver.archive.store import Archive
from archiver.dentition import Direction, Plan, Turn, direction_of
from archiver.errors import ArchiverError, MeaningError, packed, unpacked
from archiver.objects import CHECKS, FLIPS, answered_by, is_answered
from archiver.photo import DoubtKind, PictureDoubt, file_doubts, read_camera_bytes
from archiver.priors import KnownPictures
from archiver.web.language import in_words
from archiver.web.pages.take_in.draft_store import Open
from archiver.web.pages.take_in.drafts import Draft, Photo, Said
from archiver.web.pages.take_in.photo_entry import HABITS, plan_of
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.priors import PreparedPictures

_REMEMBERED = 4096


@dataclass(frozen=True)
class DraftDoubt:
    """A doubt as it is kept with a draft; see `archiver.photo.PictureDoubt`."""

    kind: DoubtKind
    text: Text
    turn: int | None = None
    evidence: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, doubt: PictureDoubt) -> DraftDoubt:
        """Return a doubt as it is kept with a draft."""
        return cls(doubt.kind, doubt.text, doubt.turn, doubt.evidence)

    def to_json(self) -> dict[str, Any]:
        """Return it as values that JSON has, to be kept."""
        return {
            "kind": self.kind.value,
            "text": packed(self.text),
            "turn": self.turn,
            "evidence": dict(self.evidence),
        }


@dataclass(frozen=True)
class Answers:
    """What of a picture may answer doubts; see `archiver.objects.Photograph`."""

    flipped: Turn | None = None
    exif_orientation: str = ""
    top: Direction | None = None
    checked: tuple[str, ...] = ()

    @classmethod
    def of(cls, said: Said, habits: Mapping[str, object]) -> Answers:
        """Read what is said, and what the practice's habits say."""
        known = {**{k: habits[k] for k in HABITS if k in habits}, **said}
        flipped, top = known.get("flipped"), known.get("top")
        return cls(
            FLIPS[flipped] if flipped else None,
            known.get("exif_orientation", ""),
            direction_of(str(top)) if top else None,
            tuple(known.get("checked", ())),
        )


@dataclass(frozen=True)
class Weighable:
    """A picture of which enough is said to weigh it.

    Parameters
    ----------
    patient_id, issuer
        Whose it is said to be; empty where nobody says.
    """

    opened: Open
    photo: Photo
    plan: Plan
    patient_id: str
    issuer: str

    @classmethod
    def of(
        cls, opened: Open, draft: Draft, photo: Photo, habits: Mapping[str, object]
    ) -> Weighable | None:
        """Return a picture of a draft as it is said to be; None where that is not enough."""
        try:
            plan = plan_of(draft.of_photo(photo.digest), photo.exif, habits)
        except MeaningError:
            return None
        if plan is None:
            return None
        whose = draft.patient
        return cls(opened, photo, plan, whose.get("id", ""), whose.get("issuer", ""))

    @cached_property
    def key(self) -> str:
        """Of all of the draft that the doubts follow from."""
        plan, sight = self.plan, self.plan.sight
        parts = [
            *(__version__, self.photo.digest, self.patient_id, self.issuer, sight.view.value),
            *([tooth.iso for tooth in sight.teeth], plan.correction.value),
            plan.camera_looked_steeply,
        ]
        return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


@dataclass(frozen=True)
class _Weighed:
    """What was found, and of which pictures of the archive it follows."""

    archive: str
    doubts: tuple[DraftDoubt, ...]


class DraftDoubts:
    """Weighs pictures of drafts, each once, those that somebody looks at first.

    Parameters
    ----------
    failed
        Told of what nobody foresaw; such a picture has no doubts.
    """

    def __init__(self, archive: Archive, failed: Callable[[Exception], None]) -> None:
        self._archive, self._failed = archive, failed
        self._guard = threading.Lock()
        self._known: LRUCache[str, _Weighed] = LRUCache(_REMEMBERED)
        self._under_way: dict[str, tuple[Future[tuple[DraftDoubt, ...]], bool]] = {}
        self._is_closed = False
        self._looked_at = ThreadPoolExecutor(1, "doubts of what is looked at")
        self._others = ThreadPoolExecutor(1, "doubts")

    def known(self, one: Weighable) -> tuple[DraftDoubt, ...] | None:
        """Return what was found; None where it is still to be weighed."""
        found = self._remembered(one)
        return found.doubts if found is not None else None

    def weigh(
        self, one: Weighable, *, is_looked_at: bool = False
    ) -> Future[tuple[DraftDoubt, ...]]:
        """Weigh a picture in another thread, and keep with the draft what is found."""
        with self._guard:
            going, is_first = self._under_way.get(one.key, (None, False))
            # One that waits behind others is weighed at once where somebody looks at it.
            if going is not None and (is_first or not is_looked_at or not going.cancel()):
                return going
            if self._is_closed:
                nothing: Future[tuple[DraftDoubt, ...]] = Future()
                nothing.set_result(())
                return nothing
            pool = self._looked_at if is_looked_at else self._others
            made = pool.submit(self._weigh, one)
            self._under_way[one.key] = made, is_looked_at
        return made

    def close(self) -> None:
        """Weigh nothing more."""
        with self._guard:
            self._is_closed = True
        for pool in (self._looked_at, self._others):
            pool.shutdown(wait=False, cancel_futures=True)

    def _weigh(self, one: Weighable) -> tuple[DraftDoubt, ...]:
        try:
            records = self._records(one)
            state = _state(records)
            found = self._remembered(one)
            if found is None or found.archive != state:
                found = _Weighed(state, tuple(map(DraftDoubt.of, self._doubts(one, records))))
                self._keep(one, found)
            return found.doubts
        except ArchiverError:
            return self._nothing(one)  # archiving tells what is wrong with the file
        except Exception as error:
            self._failed(error)
            return self._nothing(one)
        finally:
            with self._guard:
                self._under_way.pop(one.key, None)

    def _nothing(self, one: Weighable) -> tuple[DraftDoubt, ...]:
        with self._guard:
            self._known[one.key] = _Weighed("", ())
        return ()

    def _records(self, one: Weighable) -> Sequence[Record]:
        if not one.patient_id:
            return ()
        mine = Query(patient_id=one.patient_id, issuer=one.issuer, modality="XC")
        return self._archive.query(mine)

    def _doubts(self, one: Weighable, records: Sequence[Record]) -> tuple[PictureDoubt, ...]:
        octets = one.opened.path_of(one.photo).read_bytes()
        photo = read_camera_bytes(octets, one.photo.name)
        of_file = file_doubts(photo, looks_up_or_down=one.plan.camera_looked_steeply)
        beside = KnownPictures(records).counterparts(one.plan.sight, photo.sha256)
        if not beside:  # what compares is not even loaded
            return of_file
        from archiver.priors import weigh_camera_file

        evidence = weigh_camera_file(beside, photo, one.plan.correction, self._pictures)
        return (*of_file, *evidence.doubts)

    @cached_property
    def _pictures(self) -> PreparedPictures:
        from archiver.priors import PreparedPictures

        return PreparedPictures()

    def _remembered(self, one: Weighable) -> _Weighed | None:
        with self._guard:
            found = self._known.get(one.key)
        if found is None:
            found = _read(one)
            if found is not None:
                with self._guard:
                    self._known[one.key] = found
        return found

    def _keep(self, one: Weighable, found: _Weighed) -> None:
        doubts = [doubt.to_json() for doubt in found.doubts]
        table = {"key": one.key, "archive": found.archive, "doubts": doubts}
        # A draft that was thrown away meanwhile has no folder, a full disk no room: weighed again.
        with suppress(OSError):
            one.opened.doubts.mkdir(exist_ok=True)
            path = one.opened.doubts / f"{one.photo.digest}.json"
            part = path.with_suffix(".part")
            part.write_text(json.dumps(table), "utf-8")
            part.replace(path)
        with self._guard:
            self._known[one.key] = found


def doubt_rows(
    doubts: Sequence[DraftDoubt], said: Said, habits: Mapping[str, object]
) -> list[dict[str, Any]]:
    """Return doubts as the page has them, as values that JSON has.

    Returns
    -------
    list of dict
        ``kind``, ``words``, ``evidence``, ``turn``; ``asks``: the key that answers it;
        ``against``: where that is ``checked``, what to say there; ``answered``: whether what is
        said answers it.
    """
    answers = Answers.of(said, habits)
    return [
        {
            "kind": one.kind.value,
            "words": in_words(one.text),
            "turn": one.turn,
            "evidence": dict(one.evidence),
            "asks": answered_by(one.kind),
            "against": CHECKS.get(one.kind),
            "answered": is_answered(one, answers),
        }
        for one in doubts
    ]


def _state(records: Sequence[Record]) -> str:
    """Return what changes with the pictures that the archive has of a patient."""
    lines = sorted(f"{one.sop_instance_uid} {bool(one.confirmed)}" for one in records)
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def _read(one: Weighable) -> _Weighed | None:
    """Return what is kept with the draft, where it is of what the picture is said to be."""
    try:
        table = json.loads((one.opened.doubts / f"{one.photo.digest}.json").read_text("utf-8"))
        if table["key"] != one.key:
            return None
        doubts = (
            DraftDoubt(DoubtKind(d["kind"]), unpacked(d["text"]), d["turn"], d["evidence"])
            for d in table["doubts"]
        )
        return _Weighed(table["archive"], tuple(doubts))
    except (OSError, ValueError, KeyError, TypeError):
        return None
