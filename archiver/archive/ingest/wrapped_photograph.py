"""What became of one photograph of a session."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from archiver.archive.ingest.earlier_runs import ArchivedInstance
from archiver.archive.store.file_transaction import Outcome
from archiver.dentition import Plan
from archiver.errors import Problem
from archiver.objects import Photograph, Witnessed, is_answered
from archiver.photo import PictureDoubt
from archiver.standard import Finding

if TYPE_CHECKING:  # numpy and OpenCV, which only looking at pictures needs
    from archiver.vision import QualityFigures

#: How reports for programs, and drafts, name what became of a photograph.
STATUS_NAMES = {Outcome.NEW: "archived", Outcome.SAME: "present", Outcome.REFUSED: "refused"}


@dataclass(frozen=True)
class WrappedPhotograph:
    """What became of one photograph of a session.

    Parameters
    ----------
    number
        Its place in the session, from 1.
    problems
        Why it was refused.
    warnings
        What a person should look at.
    findings
        What the validator said of its instances.
    figures
        How good its teeth are; None where there are none to judge.
    doubts
        What speaks against what is said of it, answered or not.
    examined
        What is shown of it, for who confirms its side.
    confirmed_now
        Whether it was kept before and its side is confirmed only now.
    """

    photograph: Photograph
    number: int
    status: Outcome
    plan: Plan | None = None
    instances: tuple[ArchivedInstance, ...] = ()
    problems: tuple[Problem, ...] = ()
    warnings: tuple[Problem, ...] = ()
    findings: tuple[Finding, ...] = ()
    figures: QualityFigures | None = None
    doubts: tuple[PictureDoubt, ...] = ()
    examined: Witnessed | None = None
    confirmed_now: bool = False

    @property
    def unanswered(self) -> tuple[PictureDoubt, ...]:
        """The doubts that what is said of it does not answer."""
        return tuple(one for one in self.doubts if not is_answered(one, self.photograph))
