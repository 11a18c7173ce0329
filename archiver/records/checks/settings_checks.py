"""Settings by which the archive is served that were changed since the last audit."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from archiver.archive.statements import OperationKind, last_operations, noted_settings
from archiver.errors import ArchiverError
from archiver.records.model import Concern
from archiver.wording import Text


def check_settings(root: Path) -> Iterator[Concern]:
    """List the changes, each with who made them count and when.

    Parameters
    ----------
    root
        The archive's folder. What cannot be read there is told where its evidence is compared.
    """
    try:
        noted = noted_settings(root)
        audited = last_operations(root).get(OperationKind.AUDIT) if noted else None
    except ArchiverError:
        return
    for one in noted[1:]:
        if audited is None or one.time > audited.time:
            told = {"who": one.who, "day": one.time[:10], "keys": one.changed}
            yield Concern("settings-changed", Text("records.settings.changed", **told))
