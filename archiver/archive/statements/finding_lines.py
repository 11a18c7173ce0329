"""What checks of pictures found: lines about instances, beside the archive's objects.

They lie in ``<archive>/findings/<anything>.jsonl``. `archiver.priors` writes them, the audit reads
them, and both go by the version here.
"""

from __future__ import annotations

from dataclasses import asdict

from archiver.archive.store.schema import Fields, Schema, unchanged
from archiver.wording import Text

FOLDER = "findings"


def _coded(line: Fields) -> Fields:
    """Lead from a detail that was a sentence to a code with its values."""
    detail = line.get("detail")
    if not isinstance(detail, str) or not detail:
        return line
    return {**line, "detail": asdict(Text("archive.findings.earlier", sentence=detail))}


FINDING_LINES: Schema[Fields] = Schema(Text("archive.schema.findings"), (unchanged, _coded))
