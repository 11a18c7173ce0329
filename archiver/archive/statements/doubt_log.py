"""What spoke against what was said of a photograph as it was archived, and what is answered.

Lines of ``<archive>/findings/doubts.jsonl``, as in `finding_lines`, with ``kind``, one of
`archiver.photo.DoubtKind`, and ``turn``. ``outcome`` is ``open`` or ``answered``; of several lines
about one instance and kind the last counts.
They are kept of the instance that is displayed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from archiver.archive.statements.finding_lines import FOLDER, append_findings, read_findings_of
from archiver.photo import DoubtKind
from archiver.wording import Text

_FILE = "doubts.jsonl"
_CHECK = "doubt"
_OPEN, _ANSWERED = "open", "answered"


@dataclass(frozen=True)
class KeptDoubt:
    """A doubt about an archived photograph.

    Parameters
    ----------
    sop
        SOP Instance UID of its instance that is displayed.
    turn
        As in `archiver.photo.PictureDoubt`.
    """

    sop: str
    kind: DoubtKind
    text: Text | str
    turn: int | None = None
    is_answered: bool = False


def keep_doubts(archive: Path, found: Sequence[KeptDoubt], *, time: datetime, by: str) -> None:
    """Append doubts.

    Raises
    ------
    ArchiveError
        If they cannot be written, or a newer program has written to the file.
    """
    lines = [
        {
            "sop": one.sop,
            "check": _CHECK,
            "kind": one.kind.value,
            "turn": one.turn,
            "outcome": _ANSWERED if one.is_answered else _OPEN,
            "detail": asdict(one.text) if isinstance(one.text, Text) else one.text,
        }
        for one in found
    ]
    append_findings(archive, _FILE, lines, time=time, by=by)


def kept_doubts(archive: Path) -> Mapping[str, tuple[KeptDoubt, ...]]:
    """Return the doubts about each photograph; lines that cannot be read are passed over.

    Raises
    ------
    ArchiveError
        If one is of a newer version.
    """
    last: dict[str, dict[DoubtKind, KeptDoubt]] = {}
    for one in _read(archive / FOLDER / _FILE):
        last.setdefault(one.sop, {})[one.kind] = one
    return {uid: tuple(of.values()) for uid, of in last.items()}


def _read(path: Path) -> Iterator[KeptDoubt]:
    for given in read_findings_of(path):
        try:
            detail = given["detail"]
            if given["check"] == _CHECK and isinstance(detail, str | Text):
                kind, turn = DoubtKind(given["kind"]), given["turn"]
                answered = given["outcome"] == _ANSWERED
                yield KeptDoubt(str(given["sop"]), kind, detail, turn, answered)
        except (KeyError, ValueError):
            continue
