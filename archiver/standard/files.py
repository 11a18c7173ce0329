"""Validates files and folders, each object by itself and all of them against each other."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from archiver.errors import Problem, UsageError
from archiver.standard.collection import CollectedHeader, check_collection, header_of
from archiver.standard.finding import Finding, Summary
from archiver.standard.report import ObjectFindings
from archiver.standard.validator import examine, open_bytes

_SUFFIXES = frozenset({".dcm", ".dicom", ".ima"})
_DIRECTORY_NAME = "DICOMDIR"


def validate(
    paths: Iterable[str | os.PathLike[str]],
    *,
    progress: Callable[[int, int], None] | None = None,
) -> Summary:
    """Validate files, and all DICOM files under folders.

    Passing says that an object is well formed, not that tooth, side, view or patient are right.

    Parameters
    ----------
    paths
        A file is always looked at. Of what is under a folder, files are left alone that neither
        begin like a DICOM file nor are named like one.
    progress
        Told after each file how many of how many are done; what it raises ends the work.

    Returns
    -------
    Summary
        Findings by file, worst first.

    Raises
    ------
    UsageError
        If there is no such file or folder.

    Examples
    --------
    >>> from pathlib import Path
    >>> from archiver import Archive, validate
    >>> with Archive.open(Path("photographs")) as archive:
    ...     validate([archive.layout.objects]).errors
    0
    """
    given = [Path(path) for path in paths]
    missing = [path for path in given if not path.exists()]
    if missing:
        raise UsageError(*(Problem("standard.files.missing").at(file=str(p)) for p in missing))
    findings: list[Finding] = []
    headers: list[CollectedHeader] = []
    objects = 0
    complete = False
    files = list(_files(given))
    for number, (path, within_folder) in enumerate(files, start=1):
        complete = complete or within_folder
        report = ObjectFindings(os.fspath(path))
        data = open_bytes(path, report)
        if data is not None:
            dataset = examine(data, report)
            objects += 1
            if dataset is not None and dataset.has("SOPInstanceUID"):
                headers.append(header_of(dataset, os.fspath(path)))
        findings += report.findings
        if progress is not None:
            progress(number, len(files))
    findings += check_collection(headers, complete=complete, digest=_digest)
    return Summary.of(objects, findings)


def _files(paths: Iterable[Path]) -> Iterator[tuple[Path, bool]]:
    """Yield each file once, with whether it came from a folder."""
    seen: set[Path] = set()
    for given in paths:
        folder = given.is_dir()
        found = sorted(given.rglob("*")) if folder else [given]
        for path in found:
            if folder and (not path.is_file() or not _is_candidate(path)):
                continue
            if path not in seen:
                seen.add(path)
                yield path, folder


def _is_candidate(path: Path) -> bool:
    if path.suffix.lower() in _SUFFIXES or path.name == _DIRECTORY_NAME:
        return True
    try:
        with path.open("rb") as file:
            return file.read(132)[128:] == b"DICM"
    except OSError:
        return True  # so that the trouble is told


def _digest(path: str) -> bytes:
    try:
        return hashlib.sha256(Path(path).read_bytes()).digest()
    except OSError:
        return b""
