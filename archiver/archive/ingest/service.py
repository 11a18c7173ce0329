"""The one way into an archive, whoever brings something, and what follows from it.

::

    wrap, Take in, C-STORE, STOW-RS, add, retrieve
        -> accept -> decision (new, same, conflict, refused) -> one writer -> journal -> index
        -> findings of the validator

What the archive's writer keeps by any other call (an amendment) is validated alike.
"""

from __future__ import annotations

from collections.abc import Sequence

from archiver.archive.ingest.validation import Validation
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming, Outcome, Stored
from archiver.standard import Finding


class Ingest:
    """Takes instances into an archive; there is one for each archive that is open for writing.

    Attributes
    ----------
    validation
        Looks at what was kept, and has the findings.
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self.validation = Validation(archive)
        archive.listen(self._kept)

    @classmethod
    def of(cls, archive: Archive) -> Ingest:
        """Return the service of an archive that is open for writing."""
        return archive.companion(cls)

    def accept(
        self, items: Sequence[Incoming], findings: Sequence[Sequence[Finding]] = ()
    ) -> list[Stored]:
        """Keep instances for good, all of them or none.

        Parameters
        ----------
        items
            What was brought.
        findings
            For each, what the validator has said of it already; left out, it is looked at in the
            background.

        Returns
        -------
        list of Stored
            What became of each, in the same order; what is NEW or SAME is on the disk.

        Raises
        ------
        ArchiveError
            If the archive cannot take them now.
        ObjectError
            If one of them lacks its UIDs.
        """
        for item, found in zip(items, findings, strict=bool(findings)):
            self.validation.foresee(item.description.sop_instance_uid, found)
        return self._archive.put(items)

    def accept_together(self, items: Sequence[Incoming], notes: Sequence[str]) -> list[Stored]:
        """Keep new instances, all of them or none, as `Archive.put_together` does."""
        return self._archive.put_together(items, notes)

    def close(self) -> None:
        """Finish looking at what was kept, if that takes no more than a moment."""
        self.validation.close()

    def _kept(self, stored: Sequence[Stored]) -> None:
        if any(one.outcome is Outcome.NEW for one in stored):
            self.validation.stir()
