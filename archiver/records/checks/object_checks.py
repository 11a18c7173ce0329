"""What the objects themselves give cause to say: validator, consent, quality."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from archiver.dentition import View
from archiver.records.model import Concern, Instance, ObjectFacts, ValidatorFinding, concern_about
from archiver.records.pictures import RecordPicture
from archiver.records.rules.rule_set import AuditLimits
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.vision import QualityLimits

#: Rules of the validator whose findings mean that a picture may show the wrong side or tooth.
SIDE_RULES = frozenset(
    {
        "flip-unexplained",
        "laterality-contradicts",
        "modifier-contradicts-teeth",
        "modifiers-contradict",
        "orientation-contradicts-view",
        "region-side-contradicts",
        "surface-contradicts-tooth",
        "tooth-contradicts-laterality",
        "tooth-contradicts-region",
        "tooth-meaning-contradicts",
        "tooth-twice",
        "truth-test",
        "turn-contradicts-modifier",
        "turn-contradicts-preserved",
        "turn-impossible",
        "view-contradicts-side",
        "view-contradicts-surface",
    }
)
#: Findings that a check of this room tells in words of its own.
_TOLD_ELSEWHERE = frozenset({"derived-without-source"})
#: What is wanting in a picture's teeth, and the kind of finding that it is.
_KINDS = {
    "soft": "picture-soft",
    "moved": "picture-soft",
    "fog": "picture-fogged",
    "fog_beside": "picture-fogged",
    "dark": "picture-exposure",
    "bright": "picture-exposure",
    "highlights": "picture-exposure",
    "unevenness": "picture-exposure",
    "glare": "picture-glare",
    "cast": "picture-cast",
}


def check_objects(
    instances: Sequence[Instance],
    pictures: Sequence[RecordPicture],
    facts: Mapping[str, ObjectFacts],
    limits: AuditLimits,
    quality: QualityLimits | None,
) -> list[Concern]:
    """Tell what validator, consent and quality give cause to say.

    Parameters
    ----------
    quality
        None where the pictures were not looked at.
    """
    concerns: list[Concern] = []
    for one in instances:
        known = facts.get(one.uid)
        if known is not None:
            concerns += _validator_concerns(one, known.validator_findings)
    for picture in pictures:
        if limits.least_pixels and 0 < picture.longer_side < limits.least_pixels:
            found = Text("records.objects.longer_side", n=picture.longer_side)
            expected = Text("records.objects.at_least", least=limits.least_pixels)
            concerns.append(concern_about("picture-small", picture.first, found, expected))
        known = facts.get(picture.first.uid)
        if limits.consent and known is not None and not known.consent:
            found = Text("records.objects.no_consent")
            concerns.append(concern_about("consent-absent", picture.first, found))
        if quality is not None:
            concerns += _quality(picture, facts, quality)
    return concerns


def _validator_concerns(one: Instance, told: Sequence[ValidatorFinding]) -> Iterator[Concern]:
    """Yield one concern for each rule of the validator, however often it is broken."""
    first: dict[str, ValidatorFinding] = {}
    for finding in told:
        if finding.severity != "note" and finding.rule not in _TOLD_ELSEWHERE:
            first.setdefault(finding.rule, finding)
    for rule, finding in first.items():
        if rule in SIDE_RULES:
            kind = "side-contradiction"
        else:
            kind = "object-invalid" if finding.severity == "error" else "object-doubtful"
        found = finding.found
        if finding.attribute:
            place = finding.attribute
            found = Text("records.objects.attribute", attribute=place, found=found)
        yield concern_about(kind, one, found, finding.expected, rule=rule, source=finding.clause)


def _quality(
    picture: RecordPicture, facts: Mapping[str, ObjectFacts], limits: QualityLimits
) -> Iterator[Concern]:
    one = picture.first
    looks = [f.look for i in picture.instances if (f := facts.get(i.uid)) is not None]
    if any(look is not None and "undecodable" in look.figures for look in looks):
        yield concern_about("picture-undecodable", one, Text("records.objects.undecodable"))
        return
    from archiver.vision import judge

    figures = picture.figures
    if not figures:
        return
    view = View(one.view) if one.view else None
    if view is not None and view.is_extraoral:
        return
    for problem in judge(figures, limits, of_arch=view is not None and view.shows_arch):
        yield concern_about(_KINDS[problem.code.rpartition(".")[2]], one, problem)
