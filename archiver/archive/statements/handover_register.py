"""What was handed over: the register of packages, and which instances each holds.

Kept in ``<archive>/handovers.jsonl``, which only grows. No patient stands in it: whose a case is
follows from its instances, and a keyed digest of the patient's identifier keeps a case to one.
A package is registered before it appears, so that none is ever outside unregistered; where a
kill came between the two, the register names one package too many.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import asdict, dataclass
from pathlib import Path

from archiver.archive.statements import jsonl_log
from archiver.archive.store.archive import Archive
from archiver.archive.store.journal_lines import Deed
from archiver.archive.store.schema import Fields, Schema, unchanged
from archiver.wording import Text

FILE = "handovers.jsonl"
SCHEMA: Schema[Fields] = Schema(Text("archive.schema.packages"), (unchanged, unchanged))


@dataclass(frozen=True)
class HandedOver:
    """A package.

    Parameters
    ----------
    case
        The number that ties it to the patient.
    purpose
        For what.
    to
        To whom, as it was said.
    when
        ISO 8601.
    folder
        Name of the package's folder or file, without its path.
    sha256
        Of its manifest.
    uids
        SOP Instance UIDs, in the archive, of what it holds.
    patient
        Keyed digest of the patient's identifier.
    insisted_by
        Who took doubtful pictures upon themselves; empty if there are none.
    masks_seen_by
        Who looked at masked pictures and recognised nobody; empty if there are none.
    """

    case: str
    purpose: str
    to: str
    when: str
    folder: str
    sha256: str
    uids: tuple[str, ...]
    patient: str
    insisted_by: str = ""
    masks_seen_by: str = ""


def register(archive: Archive, package: HandedOver, digests: dict[str, str]) -> None:
    """Register a package, and tell the journal: a line for it and one for each instance.

    Parameters
    ----------
    archive
        Open for writing.
    digests
        SHA-256 of the archive's file of each instance.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    told = f"case {package.case}, {package.purpose}, instances: {len(package.uids)}"
    if package.insisted_by:
        told += f", insisted on by {package.insisted_by}"
    if package.masks_seen_by:
        told += f", masks seen by {package.masks_seen_by}"
    deeds = [Deed("handed-over", digest=package.sha256, note=f"{told}, to {package.to}")]
    deeds += [
        Deed("handed-over", sop=uid, digest=digests[uid], note=f"case {package.case}")
        for uid in package.uids
    ]
    archive.append_line(FILE, SCHEMA, asdict(package), deeds)


def handovers(root: Path) -> list[HandedOver]:
    """Return every package of an archive, the earliest first.

    Raises
    ------
    ArchiveError
        If the register cannot be read.
    IntegrityError
        If a line of it is damaged.
    """
    return jsonl_log.read(root / FILE, SCHEMA, _handed_over)


def _handed_over(line: Fields) -> HandedOver:
    uids = tuple(str(uid) for uid in line.pop("uids"))
    return HandedOver(**{k: str(v) for k, v in line.items()}, uids=uids)


def of_instances(root: Path, uids: Collection[str]) -> list[HandedOver]:
    """Return the packages that hold any of the instances, the earliest first."""
    wanted = set(uids)
    return [one for one in handovers(root) if wanted.intersection(one.uids)]


def of_case(root: Path, case: str) -> list[HandedOver]:
    """Return the packages of a case, the earliest first."""
    return [one for one in handovers(root) if one.case == case]
