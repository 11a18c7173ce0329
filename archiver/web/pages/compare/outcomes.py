"""What the wrong-way check found in the pages, kept for the audit as the verb compare does."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from archiver import __version__
from archiver.priors import keep_outcomes
from archiver.web.pages.compare.alignment import Aligned
from archiver.web.pages.compare.comparison_request import shows_the_same
from archiver.web.pages.compare.picture_source import PictureSource

if TYPE_CHECKING:
    from archiver.web.app import Site


def keep_findings(
    site: Site, newest: PictureSource, done: Sequence[tuple[PictureSource, Aligned]]
) -> None:
    """Keep the outcome of pictures of one tooth and view; others are no test of a side.

    Raises
    ------
    ArchiveError
        If it cannot be written.
    """
    pairs = [
        (source.description.sop_instance_uid, one.way)
        for source, one in done
        if shows_the_same(newest.description, source.description)
    ]
    if pairs:
        keep_outcomes(
            site.archive.layout.root,
            newest.description.sop_instance_uid,
            pairs,
            time=site.clock(),
            by=f"pages {__version__}",
        )
