"""What happened to a picture from the card to today, and who looked at a patient's pictures."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from archiver.archive.store import (
    DELETED,
    Archive,
    JournalEntry,
    Layout,
    describe_file,
    digest_file,
    entries_of,
    identity_of,
    read_lines,
)
from archiver.archive.witness import HEAD_SIGNED
from archiver.errors import ObjectError, Problem
from archiver.records import Instance, read_instances
from archiver.wording import Text, words_of

#: What lines of the journal say of an instance, by their action.
_DID = {
    "stored": Text("workflow.custody.stored"),
    "restored": Text("workflow.custody.restored"),
    "adopted": Text("workflow.custody.adopted"),
    "heeded": Text("workflow.custody.heeded"),
    "quarantined": Text("workflow.custody.quarantined"),
    "handed-over": Text("workflow.custody.handed_over"),
    "deletion-begun": Text("workflow.custody.deletion_begun"),
    "deleted": Text("workflow.custody.deleted"),
    "deletion-given-up": Text("workflow.custody.deletion_given_up"),
    HEAD_SIGNED: Text("workflow.custody.head_signed"),
}
#: What the journal calls an audit event, and EventOutcomeIndicator of one that went well.
_AUDIT, _DONE = "audit", 0
#: What was done with the pictures of a visit, by EventID (CID 400) and action (PS3.15 A.5.2), as
#: the network writes them; a test compares the two.
_SEEN = {
    ("110103", "R"): Text("workflow.custody.looked"),
    ("110103", "U"): Text("workflow.custody.changed"),
    ("110104", "C"): Text("workflow.custody.received"),
    ("110104", "R"): Text("workflow.custody.sent"),
    ("110102", "E"): Text("workflow.custody.sending"),
    ("110106", "R"): Text("workflow.custody.exported"),
}


@dataclass(frozen=True)
class CustodyStep:
    """Something that happened, as a line of the journal has it.

    Parameters
    ----------
    what
        In words.
    note
        What the line adds: from where it came, who confirmed what.
    instance, digest
        SOP Instance UID and SHA-256 of the object that is meant; empty where none is.
    hash
        Of the line.
    """

    line: int
    time: str
    who: str
    what: str
    note: str
    instance: str
    digest: str
    hash: str


@dataclass(frozen=True)
class HeldNow:
    """An instance of the picture as it lies in the archive."""

    instance: str
    role: str
    digest: str
    promised: str

    @property
    def is_whole(self) -> bool:
        """Whether it is what the journal promises."""
        return bool(self.digest) and self.digest == self.promised


@dataclass(frozen=True)
class Custody:
    """The chain of custody of one picture.

    Parameters
    ----------
    camera_file
        SHA-256 of the file that came from the card; empty where it is not known.
    chain_is_whole
        Whether each line of the journal follows from the one before.
    journal_line, journal_hash
        Its last line.
    """

    archive: str
    picture: str
    study: str
    patient: str
    visited: str
    camera_file: str
    held: tuple[HeldNow, ...]
    steps: tuple[CustodyStep, ...]
    chain_is_whole: bool
    journal_line: int
    journal_hash: str

    @property
    def is_whole(self) -> bool:
        """Whether chain and objects are as they should be."""
        return self.chain_is_whole and all(one.is_whole for one in self.held)

    def as_json(self) -> dict[str, Any]:
        """Return it as values that JSON has."""
        return {**asdict(self), "is_whole": self.is_whole}


def custody(root: Path, uid: str) -> Custody:
    """Tell everything that happened to a picture, from the journal.

    Parameters
    ----------
    root
        The archive's folder.
    uid
        SOP Instance UID of any of its instances.

    Raises
    ------
    ObjectError
        If there is no such instance.
    ArchiveError
        If the archive cannot be read.
    """
    with Archive.open(root, read_only=True) as archive:
        path = archive.path_of(uid)
        if path is None:
            return _buried(root, uid)
        patients = {describe_file(path).patient_id}
        with archive.reading() as connection:
            instances = {one.uid: one for one in read_instances(connection, patients=patients)}
    family, one = _family(instances, uid), instances[uid]
    held = tuple(_held(root, instances[member]) for member in family)
    source = next((instances[m].source for m in family if instances[m].source), "")
    whose = (one.study, one.person.label, one.date, source, held)
    return _custody_of(root, uid, set(family), whose)


def _buried(root: Path, uid: str) -> Custody:
    """Tell what happened to a deleted instance; whose it was, the journal does not say."""
    every = entries_of(Layout(root).journal, (DELETED,))
    last = next((entry for entry in every if entry.sop == uid), None)
    if last is None:
        raise ObjectError(Problem("workflow.custody.no_such_instance", uid=uid))
    return _custody_of(root, uid, {uid}, (last.study, "", "", last.source, ()))


def _custody_of(
    root: Path, uid: str, family: set[str], whose: tuple[str, str, str, str, tuple[HeldNow, ...]]
) -> Custody:
    whole, last = True, JournalEntry("")

    def entries() -> Iterator[JournalEntry]:
        nonlocal whole, last
        for line in read_lines(Layout(root).journal):
            whole = whole and line.problem is None
            if line.entry is not None:
                last = line.entry
                yield last

    steps = tuple(_steps(entries(), family, whose[0]))
    identity = str(identity_of(root) or "")
    return Custody(identity, uid, *whose, steps, whole, last.seq, last.hash)


def _family(instances: dict[str, Instance], uid: str) -> list[str]:
    """Return all instances of one camera file, and those in whose place they came."""
    one = instances[uid]
    family = {uid}
    if one.source:
        same = (one.source, one.study)
        family |= {k for k, v in instances.items() if (v.source, v.study) == same}
    size = 0
    while len(family) > size:
        size = len(family)
        family |= {instances[k].predecessor for k in family} & set(instances)
        family |= {k for k, v in instances.items() if v.predecessor in family}
    return sorted(family, key=lambda member: instances[member].seq)


def _held(root: Path, one: Instance) -> HeldNow:
    path = root / one.path
    return HeldNow(
        one.uid, one.role, digest_file(path).sha256 if path.is_file() else "", one.digest
    )


def _steps(entries: Iterable[JournalEntry], family: set[str], study: str) -> Iterator[CustodyStep]:
    """Yield what the journal tells of a picture: by its UIDs, of its visit, and who vouches."""
    begun = False
    for entry in entries:
        named = entry.sop in family or any(uid in entry.note for uid in family)
        begun = begun or named
        if entry.action == _AUDIT:
            if entry.study == study and (told := _seen(entry)) is not None:
                yield _step(entry, told[0], told[1])
        elif named or (begun and entry.action == HEAD_SIGNED):
            yield _step(entry, str(_DID.get(entry.action, entry.action)), entry.note)


def _step(entry: JournalEntry, what: str, note: str) -> CustodyStep:
    place = (entry.sop, entry.digest if entry.sop else "")
    return CustodyStep(entry.seq, entry.time, entry.who, what, note, *place, entry.hash)


def _seen(entry: JournalEntry) -> tuple[str, str] | None:
    """Return what an audit event says, and by whom; None where it is about no picture."""
    note = _note(entry)
    seen = _SEEN.get((str(note.get("event")), str(note.get("action"))))
    if seen is None:
        return None
    return str(seen), ", ".join(
        one for one in (_requestor(note), str(note.get("detail", ""))) if one
    )


def _note(entry: JournalEntry) -> dict[str, Any]:
    """Return the fields of an audit event, as `archiver.network.node` had them written."""
    try:
        note = json.loads(entry.note)
    except ValueError:
        return {}
    return note if isinstance(note, dict) else {}


def _requestor(note: dict[str, Any]) -> str:
    """Return who asked: a name or a title, or the address where there is none."""
    asked = str(note.get("requestor", note.get("from", "")))
    return asked.rpartition("@")[0] or asked


@dataclass(frozen=True)
class Access:
    """Somebody who looked at, received or changed pictures of a patient.

    Parameters
    ----------
    visited
        Day of the visit whose pictures they are, ISO 8601.
    """

    time: str
    who: str
    what: str
    visited: str
    pictures: int

    @property
    def sentence(self) -> str:
        """It in plain words."""
        given = {"day": self.time[:10], "time": self.time[11:16], "who": self.who}
        return words_of()(
            "workflow.custody.sentence", **given, what=self.what, visited=self.visited
        )


def accesses(root: Path, patient_id: str, issuer: str = "") -> list[Access]:
    """Tell who looked at, received, sent or changed a patient's pictures, the earliest first.

    Parameters
    ----------
    issuer
        Of the identifier; any where it is empty.

    Raises
    ------
    ObjectError
        If the archive knows no such patient.
    ArchiveError
        If the archive cannot be read.
    """
    with (
        Archive.open(root, read_only=True) as archive,
        archive.reading() as connection,
    ):
        found = read_instances(connection, patients={patient_id})
    visits = {one.study: one.date for one in found if not issuer or one.person.issuer == issuer}
    if not visits:
        raise ObjectError(Problem("workflow.custody.no_such_patient", id=patient_id))
    told = []
    for line in read_lines(Layout(root).journal):
        entry = line.entry
        if entry is None or entry.action != _AUDIT or entry.study not in visits:
            continue
        note, seen = _note(entry), _seen(entry)
        if seen is None or note.get("outcome") != _DONE:
            continue
        count = int(note.get("instances", 0))
        told.append(Access(entry.time, _requestor(note), seen[0], visits[entry.study], count))
    return told


def custody_text(one: Custody) -> str:
    """Return it as JSON, as it is kept in a file."""
    return json.dumps(one.as_json(), ensure_ascii=False, indent=1) + "\n"
