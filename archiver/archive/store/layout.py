"""Where things lie in the folder of an archive.

::

    <archive>/
        FORMAT             which layout this is, one line of text
        identity           which archive this is, a UUID
        lock               held by the one process that writes
        control            the socket of the process that serves it, for the verbs beside it
        journal.jsonl      what was done, line by line, chained by digests
        index.sqlite       what the queries read; can always be made again
        tmp/               files that are being written
        outbox.sqlite      what is on its way to other archives
        *.jsonl            statements: consents, hand-overs, persons found to be one, backups
        quarantine/        objects that name another person than their identifier or study,
                           until somebody has decided
        objects/<study>/<series>/<SOP instance UID>.dcm

Folders of studies and series are named by a digest of their UIDs: with three UIDs of 64
characters, a path would be longer than Windows allows. Format 1 had the UIDs themselves, and what
was kept in it lies there still.
"""

from __future__ import annotations

import hashlib
import os
import re
import shlex
import stat
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path, PurePosixPath

from archiver.archive.store.durable import flush_folder, write_once
from archiver.archive.store.identity import give_identity
from archiver.errors import ArchiveError, ObjectError, Problem

#: Version of the layout above; a change that an older program would misread raises it.
FORMAT = 2
QUARANTINE = "quarantine"
_MARK = "archiver archive, format "
_EARLIER_MARK = f"{_MARK}1"
#: Digits of a folder's name. Two UIDs with the same digits share a folder, and nothing else: the
#: file's name is the whole UID of the instance.
_DIGITS = 10
#: PS3.5 section 9.1: components of digits separated by periods, 64 characters at most. Leading
#: zeros and empty components are against the rule but occur; what matters here is that the
#: name is safe as the name of a file.
_UID = re.compile(r"[0-9][0-9.]{0,63}")
#: What a process that was killed while it made an archive can have left without a mark.
_BEGINNINGS = {"lock", "identity", "identity.part", "FORMAT.part"}


@dataclass(frozen=True)
class Layout:
    """The paths of an archive.

    Parameters
    ----------
    root
        The folder of the archive.
    """

    root: Path

    @property
    def mark(self) -> Path:
        """The file that says which layout this is."""
        return self.root / "FORMAT"

    @property
    def lock(self) -> Path:
        """The file whose lock makes a process the only writer."""
        return self.root / "lock"

    @property
    def journal(self) -> Path:
        """The append-only record of what was done."""
        return self.root / "journal.jsonl"

    @property
    def index(self) -> Path:
        """The database that queries read."""
        return self.root / "index.sqlite"

    @property
    def temporary(self) -> Path:
        """The folder of files that are not whole yet; the same file system as the objects."""
        return self.root / "tmp"

    @property
    def objects(self) -> Path:
        """The folder under which every object lies."""
        return self.root / "objects"

    def path_of(self, relative: str) -> Path:
        """Return the absolute path of an object from the path that the index keeps."""
        return self.root / PurePosixPath(relative)

    def place_of(self, study_uid: str, series_uid: str, sop_instance_uid: str) -> str:
        """Return the relative path at which an object lies, or is to lie.

        Where one of the three is no UID, as in a damaged line of the journal, nothing lies there.
        """
        try:
            today, earlier = possible_paths(study_uid, series_uid, sop_instance_uid)
        except ObjectError:
            return f"objects/{_folder(study_uid)}/{_folder(series_uid)}/no-uid.dcm"
        if not os.path.lexists(self.path_of(today)) and os.path.lexists(self.path_of(earlier)):
            return earlier
        return today

    def check_mark(self) -> None:
        """Refuse a folder that is no archive, or one of a layout that this program cannot read.

        Raises
        ------
        ArchiveError
            If the mark is missing or names another format.
        """
        try:
            text = self.mark.read_text(encoding="ascii")
        except (OSError, UnicodeDecodeError) as error:
            raise ArchiveError(self._no_archive().at(file=str(self.root))) from error
        if text.strip() not in (f"{_MARK}{FORMAT}", _EARLIER_MARK):
            raise ArchiveError(
                Problem(
                    "archive.layout.other_version",
                    said=repr(text.strip()[:60]),
                    mark=_MARK,
                    format=FORMAT,
                ).at(file=str(self.mark))
            )

    def check_journal(self) -> None:
        """Refuse objects of which neither journal nor index tells, as after a partial restore.

        A new journal would begin beside them, and they would be out of sight.

        Raises
        ------
        ArchiveError
            If there are objects and no line of a journal.
        """
        if self.journal.exists() and self.journal.stat().st_size:
            return
        if self.objects.is_dir() and any(self.objects.iterdir()):
            raise ArchiveError(Problem("archive.layout.objects_alone").at(file=str(self.root)))

    def _no_archive(self) -> Problem:
        """Return why this is no archive; not every folder that should be one is mounted."""
        if not self.root.is_dir():
            return Problem("archive.layout.no_folder", folder=shlex.quote(str(self.root)))
        try:
            if self.is_fresh():
                return Problem("archive.layout.empty", folder=shlex.quote(str(self.root)))
        except OSError:
            pass
        return Problem("archive.layout.no_archive")

    def is_fresh(self) -> bool:
        """Return whether the folder is empty, or holds only the beginnings of an archive."""
        return {p.name for p in self.root.iterdir()} <= _BEGINNINGS

    def find_or_make(self, create: bool) -> None:
        """Make the folder where it may be made; refuse one that is something else.

        Raises
        ------
        ArchiveError
            If there is no archive and none may be made there, or one of another layout.
        """
        if not create or self.mark.exists():
            self.check_mark()
        # Only its owner reads it, unless somebody opens it to a group.
        self.root.parent.mkdir(parents=True, exist_ok=True)
        self.root.mkdir(mode=0o700, exist_ok=True)
        if not self.mark.exists() and not self.is_fresh():
            raise ArchiveError(
                Problem("archive.layout.no_archive_but_files").at(file=str(self.root))
            )

    def write_mark(self, path: Path) -> None:
        """Write what makes a folder an archive; it counts only under the name `mark`."""
        write_once(path, f"{_MARK}{FORMAT}\n".encode("ascii"))

    def prepare(self) -> None:
        """Make identity and mark, and then the folders; harmless when they are there."""
        if not self.mark.exists():
            give_identity(self.root)
            self.write_mark(self.mark)
        elif self.mark.read_text(encoding="ascii").strip() == _EARLIER_MARK:
            self.write_mark(self.mark)
        if self.root.stat().st_mode & stat.S_IRGRP:
            # What is written into a folder that a group reads is the group's to read, too.
            os.umask(os.umask(0o077) & ~0o050)
        for folder in (self.temporary, self.objects):
            folder.mkdir(exist_ok=True)
        flush_folder(self.root)


def quarantine_path(sha256: str) -> str:
    """Return the path of an object in quarantine, by the digest of its file."""
    return f"{QUARANTINE}/{sha256}.dcm"


def relative_path(study_uid: str, series_uid: str, sop_instance_uid: str) -> str:
    """Return the path of a new object under the archive's folder, with forward slashes.

    Raises
    ------
    ObjectError
        If one of the three is no UID; it would not be safe as the name of a file.
    """
    uids = {
        "Study Instance UID": study_uid,
        "Series Instance UID": series_uid,
        "SOP Instance UID": sop_instance_uid,
    }
    problems = [
        Problem("archive.layout.no_uid", name=name, uid=repr(uid))
        if uid
        else Problem("archive.layout.uid_missing", name=name)
        for name, uid in uids.items()
        if not _UID.fullmatch(uid)
    ]
    if problems:
        raise ObjectError(*problems)
    return f"objects/{_folder(study_uid)}/{_folder(series_uid)}/{sop_instance_uid}.dcm"


def possible_paths(study_uid: str, series_uid: str, sop_instance_uid: str) -> tuple[str, str]:
    """Return the path that `relative_path` gives, and the one that format 1 gave.

    Raises
    ------
    ObjectError
        If one of the three is no UID.
    """
    today = relative_path(study_uid, series_uid, sop_instance_uid)
    return today, f"objects/{study_uid}/{series_uid}/{sop_instance_uid}.dcm"


@lru_cache(maxsize=4096)
def _folder(uid: str) -> str:
    return hashlib.sha256(uid.encode("utf-8", "surrogatepass")).hexdigest()[:_DIGITS]
