"""What all routes of comparing share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from archiver.web.labels import Label, label_of
from archiver.web.pages.compare.alignment import Alignments
from archiver.web.pages.compare.comparison_request import ComparedPictures, Sources, choose
from archiver.web.pages.compare.picture_source import PictureSource
from archiver.web.pages.compare.tiles import Levels

if TYPE_CHECKING:
    from archiver.web.app import Site


class ComparisonContext:
    """Pictures, their levels, and outcomes of alignment."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.sources = Sources(site.archive)
        self.levels = Levels()
        self.alignments = Alignments()

    def chosen(self, uids: list[str]) -> ComparedPictures:
        """Look up the pictures of a comparison."""
        return choose(self.sources, uids)

    def label(self, source: PictureSource) -> Label:
        """Return what is told of a picture."""
        first = self.site.settings.numbering
        return label_of(source.description, source.edges, source.size, self.site.t, first)
