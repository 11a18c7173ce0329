"""From which figures of quality a person is told, in what words, and what helps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from archiver.errors import Problem, UsageError
from archiver.wording import Text

#: Least share of a blur that lies in one direction where the camera moved.
_OF_BLUR = 0.63
#: The a* beyond which gums lit the enamel, and by how much it is yellower for each further one.
_RED, _YELLOWER = 6.8, 0.6


@dataclass(frozen=True)
class QualityLimits:
    """Limits beyond which a figure is worth a warning; none blocks anything.

    Found on 27 real photographs of three mouths and tried on 27 of three others, after which those
    of `fog_beside`, `unevenness_of_arches` and the casts were set anew by all
    (``tests/benchmarks/bench_quality.py FOLDER`` measures).

    Parameters
    ----------
    blur_share
        Per mille of the longer side. Set so that no sharp picture passes it; leaving one mouth out
        at a time it told 51 of 54 pictures of which only the teeth were blurred, and none of 53
        sharp ones.
    motion
        Per mille from which a blur is told as motion.
    fog, fog_beside, highlights, glare
        Largest shares.
    lightness
        Lowest and highest L* that a fifth of the enamel may surpass.
    unevenness, unevenness_of_arches, unevenness_across_arches
        Largest difference between halves; light falls off in a mirror that shows an arch, but from
        front to back: left and right of 20 arches differed by up to 0.12, of one by 0.22.
    cast_a, cast_b
        Lowest and highest of enamel. Measured by instruments it has an a* of -4.2 to 7.3 and a b*
        of 3.7 to 37.3 (410 teeth: Y. Zhao, J. Zhu, "In vivo color measurement of 410 maxillary
        anterior teeth", Chin J Dent Res 1:49, 1998; from memory). The limits are wider towards
        red and blue, since in a mouth light comes from gums and lips too and a camera's white is
        not exact; towards green they are narrower, for the same light. It makes enamel yellower as
        well as redder: the lowest b* rises by 0.6 for each a* beyond 6.8.
    """

    blur_share: float = 1.14
    motion: float = 1.15
    fog: float = 0.145
    fog_beside: float = 0.22
    lightness: tuple[float, float] = (54.0, 95.0)
    highlights: float = 0.25
    unevenness: float = 0.2
    unevenness_of_arches: float = 0.45
    unevenness_across_arches: float = 0.23
    cast_a: tuple[float, float] = (-2.5, 22.5)
    cast_b: tuple[float, float] = (-1.5, 38.0)
    glare: float = 0.05

    @classmethod
    def changed(cls, given: Mapping[str, float | tuple[float, float]]) -> QualityLimits:
        """Return the limits with a practice's own put in.

        Raises
        ------
        UsageError
            If there is no limit of a name, or it is one number and not two.
        """
        limits, problems = cls(), []
        for name, limit in given.items():
            default = getattr(limits, name, None)
            if default is None:
                names = tuple(cls.__dataclass_fields__)
                problems.append(Problem("vision.quality.unknown_limit", name=name, names=names))
            elif isinstance(default, tuple) is not isinstance(limit, tuple):
                code = "two_numbers" if isinstance(default, tuple) else "one_number"
                problems.append(Problem(f"vision.quality.{code}", name=name, limit=limit))
        if problems:
            raise UsageError(*problems)
        changed: dict[str, Any] = dict(given)
        return replace(limits, **changed)


def judge(
    figures: Mapping[str, float], limits: QualityLimits, *, of_arch: bool = False
) -> tuple[Problem, ...]:
    """Compare figures with limits; every finding is a warning.

    Parameters
    ----------
    figures
        By name, as `QualityFigures.numbers` gives them; those that are not there are not judged.
    of_arch
        Whether the picture shows an arch from above or below.
    """
    found: list[Problem] = []
    blur = figures.get("blur_share", 0.0)
    if blur > limits.blur_share:
        motion = figures.get("motion", 0.0)
        code = "moved" if motion > max(limits.motion, _OF_BLUR * blur) else "soft"
        share, most = f"{blur:.2f}", f"{limits.blur_share:g}"
        found.append(Problem(f"vision.quality.{code}", share=share, limit=most))
    veiled = figures.get("fog", 0.0) > limits.fog
    if veiled or figures.get("fog_beside", 0.0) > limits.fog_beside:
        found.append(Problem(f"vision.quality.{'fog' if veiled else 'fog_beside'}"))
    found += _light(figures, limits, of_arch=of_arch)
    found += _cast(figures, limits)
    return tuple(found)


def _light(figures: Mapping[str, float], limits: QualityLimits, *, of_arch: bool) -> list[Problem]:
    found = []
    low, high = limits.lightness
    lightness = figures.get("lightness", low)
    if not low <= lightness <= high:
        code = "dark" if lightness < low else "bright"
        given = {"lightness": f"{lightness:.0f}", "low": f"{low:g}", "high": f"{high:g}"}
        found.append(Problem(f"vision.quality.{code}", **given))
    uneven = ("unevenness", limits.unevenness_of_arches if of_arch else limits.unevenness)
    if of_arch and figures.get("unevenness", 0.0) <= uneven[1]:
        uneven = ("unevenness_across", limits.unevenness_across_arches)
    for figure, limit in (("highlights", limits.highlights), uneven, ("glare", limits.glare)):
        share, name = figures.get(figure, 0.0), figure.removesuffix("_across")
        if share > limit:
            given = {"share": f"{share:.0%}", "limit": f"{limit:.0%}"}
            found.append(Problem(f"vision.quality.{name}", **given))
    return found


def _cast(figures: Mapping[str, float], limits: QualityLimits) -> list[Problem]:
    found = []
    lowest, highest = limits.cast_b
    red = figures.get("cast_a", 0.0)
    if _RED < red <= limits.cast_a[1]:
        lowest += _YELLOWER * (red - _RED)
    for name, (low, high), below, above in (
        ("cast_a", limits.cast_a, "greenish", "reddish"),
        ("cast_b", (lowest, highest), "bluish", "yellowish"),
    ):
        value = figures.get(name)
        if value is not None and not low <= value <= high:
            found.append(
                Problem(
                    "vision.quality.cast",
                    colour=Text(f"vision.quality.{below if value < low else above}"),
                    letter=f"{name[-1]}*",
                    value=f"{value:.0f}",
                    low=f"{low:.3g}",
                    high=f"{high:g}",
                )
            )
    return found
