"""All checks, over one part of an archive after the other, and over what they leave for the end."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from functools import partial
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.archive.statements import one_person
from archiver.archive.store import QUARANTINE
from archiver.records.checks.episode_checks import check_episodes
from archiver.records.checks.identity_checks import OnePerson, check_identity
from archiver.records.checks.likeness import check_likeness
from archiver.records.checks.object_checks import check_objects
from archiver.records.checks.outbox_checks import check_outbox, read_outbox
from archiver.records.checks.packages import check_packages, read_packages
from archiver.records.checks.picture_checks import check_pictures, same_pictures
from archiver.records.checks.picture_findings import check_findings, read_findings
from archiver.records.checks.rejections import check_heeded, check_rejected
from archiver.records.checks.retention import check_retention
from archiver.records.checks.time_checks import check_ages, check_extracted, check_times
from archiver.records.checks.twins import check_twins
from archiver.records.completeness import Demand, evaluate
from archiver.records.contacts import Contact
from archiver.records.disk_store import StoredConcerns, StoredValues
from archiver.records.episodes import Episode, Episodes
from archiver.records.examination import Depth
from archiver.records.instance_reader import without_collection
from archiver.records.model import Concern, Instance, ObjectFacts
from archiver.records.occasions import Album
from archiver.records.pictures import RecordPicture, pictures_of
from archiver.records.rules.rule_set import RuleSet, strictest
from archiver.records.statistics import PictureStatistics
from archiver.records.survey import Survey
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.vision import QualityLimits

Key = tuple[str, str]


class PartJudge:
    """Judges parts; keeps counts in memory, and what it finds on disk.

    Pictures that were looked at are held against those of all parts at the end, so with each of
    them its small copy stays in memory.

    Parameters
    ----------
    given
        Limits of quality, None where the pictures were not looked at; folder of the archive, for
        its outbox and findings, None for a folder of files; last contacts, for keeping times.
    """

    def __init__(
        self,
        survey: Survey,
        sets: Sequence[RuleSet],
        episodes: Episodes | None,
        now: datetime,
        given: tuple[QualityLimits | None, Path | None, Mapping[Key, Contact] | None],
    ) -> None:
        quality, archive, self._contacts = given
        self.demands: StoredValues[Demand] = StoredValues()
        self.concerns = StoredConcerns()
        self.sides: Counter[str] = Counter()
        self.unconfirmed = 0
        self.statistics = PictureStatistics()
        self._survey, self._sets, self._now, self._quality = survey, tuple(sets), now, quality
        self._limits = strictest(self._sets)
        self._archive = archive
        self._waiting = list(episodes.episodes) if episodes else []
        self._has_table = bool(self._waiting)
        self._pictures: list[RecordPicture] = []
        self._facts: dict[str, ObjectFacts] = {}
        self._outbox, self._outbox_trouble = read_outbox(archive) if archive else ([], "")
        self._findings = read_findings(archive) if archive else []
        self._packages = read_packages(archive) if archive else ()
        self._wanted = {one.sop for one in self._outbox} | {one.sop for one in self._findings}
        self._wanted |= {uid for one in self._packages for uid in one.uids}
        self._chosen: dict[str, Instance] = {}
        if episodes is not None:
            self.concerns.take(
                Concern("episode-unreadable", problem, path=problem.where)
                for problem in episodes.problems
            )

    @without_collection()
    def judge(
        self,
        instances: Sequence[Instance],
        facts: Mapping[str, ObjectFacts],
        *,
        is_last: bool,
    ) -> None:
        """Judge a part."""
        valid = [one for one in instances if not one.rejected]
        pictures = pictures_of(valid, facts)
        self._count(pictures)
        withdrawn = pictures_of([one for one in instances if one.rejected], facts)
        self.statistics.take(pictures, withdrawn, instances)
        self._chosen |= {one.uid: one for one in instances if one.uid in self._wanted}
        album = Album(pictures)
        treatments = self._treatments(instances, is_last)
        demands, concerns = evaluate(self._sets, album, treatments, self._now.date())
        self.demands.take(demands)
        for found in (
            concerns,
            check_episodes(self._sets, album, treatments) if self._has_table else (),
            check_identity(valid, self._one_person()),
            check_times(valid, pictures, self._limits, self._now),
            check_ages(pictures),
            check_extracted(pictures, treatments),
            check_pictures(instances, pictures, facts),
            check_rejected(instances, facts),
            check_retention(self._sets, instances, self._now.date(), self._contacts),
            check_objects(valid, pictures, facts, self._limits, self._quality),
        ):
            self.concerns.take(found)
        if self._survey.heeded is not None:
            self.concerns.take(check_heeded(instances, facts, self._survey.heeded))
        if self._survey.depth >= Depth.PICTURES:
            self._pictures += pictures
            self._facts |= facts

    def _one_person(self) -> OnePerson:
        return partial(one_person, self._archive) if self._archive else lambda key: []

    def _count(self, pictures: Sequence[RecordPicture]) -> None:
        self.sides.update(p.certainty or ("" if p.confirmed else "unconfirmed") for p in pictures)
        self.unconfirmed += sum(not p.confirmed for p in pictures)

    def _treatments(self, instances: Sequence[Instance], is_last: bool) -> list[Episode]:
        """Return the treatments of a part's patients; the last part has those of nobody, too."""
        people = {one.person.patient_id for one in instances}
        mine = [one for one in self._waiting if is_last or one.patient_id in people]
        if not is_last:
            self._waiting = [one for one in self._waiting if one.patient_id not in people]
        return mine

    def judge_whole(self) -> None:
        """Judge what is of no part alone."""
        if self._pictures:
            self.concerns.take(_alike(self._pictures, self._facts))
        if self._archive is None:
            return
        self.concerns.take(check_packages(self._archive, self._packages, self._chosen))
        valid = [one for one in self._chosen.values() if not one.rejected]
        self.concerns.take(check_findings(valid, self._findings))
        for path in sorted((self._archive / QUARANTINE).glob("*.dcm")):
            words = Text("records.identity.aside")
            self.concerns.take(
                [Concern("object-quarantined", words, path=f"{QUARANTINE}/{path.name}")]
            )
        if self._outbox_trouble:
            self.concerns.take(
                [Concern("outbox-failed", self._outbox_trouble, path="outbox.sqlite")]
            )
        self.concerns.take(check_outbox(self._outbox, self._chosen, self._limits, self._now))


def _alike(
    pictures: Sequence[RecordPicture], facts: Mapping[str, ObjectFacts]
) -> Iterator[Concern]:
    """Tell pictures that look like others, each pair once."""
    same = same_pictures(pictures, facts)
    alike = list(check_likeness(pictures, facts, same))
    told = {frozenset(one.uids) for one in alike}
    told |= {
        frozenset((one.first.uid, other.first.uid))
        for group in same
        for one, other in combinations(group, 2)
    }
    yield from alike
    yield from check_twins(pictures, facts, told)
