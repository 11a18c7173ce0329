"""What checks of pictures found: lines about instances, beside the archive's objects.

They lie in ``<archive>/findings/<anything>.jsonl``. `archiver.priors` writes them, the audit reads
them, and both go by the version here.
"""

from __future__ import annotations

from archiver.archive.store.schema import Fields, Schema, unchanged
from archiver.wording import Text

FOLDER = "findings"
FINDING_LINES: Schema[Fields] = Schema(Text("archive.schema.findings"), (unchanged,))
