"""A report signed: its files, by whom, and whether the archive still is what it speaks of.

Beside the report lie ``report.sha256``, which lists its files as ``sha256sum -c`` reads it,
``report.sig``, the signature of that list (Ed25519, RFC 8032), and ``report.pem``, the public key.
The report itself says of which state of the archive it speaks: line, hash and place of the
journal's end, counts, and digests of the rules.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

from archiver.archive.store import Layout, Position, digest_file, holds_at, translated, write_once
from archiver.archive.witness import Signer, verified
from archiver.errors import InputError, Problem
from archiver.wording import Text

LIST, SIGNATURE, PUBLIC = "report.sha256", "report.sig", "report.pem"
REPORT = "audit.json"
#: What beside a report is no part of it: what the next audit remembers.
_NO_PART = re.compile(r"audit-memory|\.part$")
_LINE = re.compile(r"([0-9a-f]{64})  ([^/\\]+)")


def sign_report(folder: Path, signer: Signer) -> None:
    """Sign the report in a folder; an earlier signature there gives way.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    own = (LIST, SIGNATURE, PUBLIC)
    with translated(Text("records.report_signing.not_signed"), folder):
        names = sorted(
            path.name
            for path in folder.iterdir()
            if path.is_file() and path.name not in own and not _NO_PART.search(path.name)
        )
        lines = [f"{digest_file(folder / name).sha256}  {name}\n" for name in names]
        text = "".join(lines).encode()
        write_once(folder / LIST, text)
        write_once(folder / SIGNATURE, signer.sign(text))
        write_once(folder / PUBLIC, signer.public)


def verify_report(
    folder: Path, trusted: bytes | None = None, archive: Path | None = None
) -> Iterator[Problem]:
    """Yield what speaks against a report; nothing where it stands.

    Parameters
    ----------
    trusted
        The public key that is trusted, as PEM; the one beside the report where none is given.
    archive
        Folder of the archive of which the report speaks; None compares it with none.

    Raises
    ------
    InputError
        If there is no signed report.
    """
    try:
        text = (folder / LIST).read_bytes()
        signature = (folder / SIGNATURE).read_bytes()
        public = trusted or (folder / PUBLIC).read_bytes()
    except OSError:
        raise InputError(Problem("records.report_signing.none").at(file=str(folder))) from None
    if not verified(public, signature, text):
        yield Problem("records.report_signing.not_of_signer").at(file=SIGNATURE)
        return
    lines = [_LINE.fullmatch(line) for line in text.decode().splitlines()]
    listed = {match[2]: match[1] for match in lines if match}
    for name, digest in listed.items():
        path = folder / name
        if not path.is_file() or digest_file(path).sha256 != digest:
            yield Problem("records.report_signing.changed").at(file=name)
    if archive is not None and REPORT in listed:
        yield from _state(folder / REPORT, Layout(archive.absolute()))


def _state(report: Path, layout: Layout) -> Iterator[Problem]:
    """Tell whether the journal no longer holds the line at which the report was made."""
    try:
        said = json.loads(report.read_text("utf-8"))["archive"]
        position = Position(said["journal_line"], said["journal_hash"], said["journal_offset"])
        if position.seq and not holds_at(layout.journal, position):
            line = Problem("records.report_signing.other_state", line=position.seq)
            yield line.at(file=str(layout.journal))
    except (OSError, ValueError, KeyError, TypeError):
        yield Problem("records.report_signing.no_state").at(file=report.name)
