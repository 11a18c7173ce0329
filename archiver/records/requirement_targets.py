"""What a requirement is about: teeth, quadrants, arches, parts or sides of the mouth."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from archiver.dentition import WORD_SETS, Arch, Side, Tooth
from archiver.records.rules.rule_keys import OCCLUSAL_ARCH, SIDE_IN_OCCLUSION
from archiver.records.rules.rule_set import ViewRequirement
from archiver.records.rules.rule_words import joined


@dataclass(frozen=True)
class Target:
    """What a requirement is about.

    Parameters
    ----------
    teeth
        Of which a picture must show one; empty for the mouth.
    arch, side
        None where the target has both.
    seen_from
        From where it has to be taken: ``front``, ``right`` or ``left``; empty for anywhere.
    """

    label: str
    teeth: tuple[Tooth, ...] = ()
    arch: Arch | None = None
    side: Side | None = None
    seen_from: str = ""

    @cached_property
    def isos(self) -> frozenset[str]:
        """The teeth by their ISO 3950 designations."""
        return frozenset(tooth.iso for tooth in self.teeth)

    def words(self, views: Iterable[str]) -> tuple[str, ...]:
        """Return views with those put in that depend on arch and side."""
        found = []
        for view in views:
            if view == OCCLUSAL_ARCH and self.arch is not None:
                found.append(f"{self.arch.value} occlusal arch")
            elif view == SIDE_IN_OCCLUSION and self.side is not None:
                found.append(f"{self.side.value} buccal")
            else:
                found.append(view)
        return tuple(found)


def targets_of(requirement: ViewRequirement, teeth: Sequence[Tooth]) -> Iterator[Target]:
    """Yield what a requirement is about on an occasion with these teeth."""
    if requirement.scope == "mouth":
        yield from _of_mouth(requirement)
        return
    seen: set[str] = set()
    for tooth in teeth:
        target = _target(requirement.scope, tooth)
        if target.label not in seen:
            seen.add(target.label)
            yield target


def _of_mouth(requirement: ViewRequirement) -> Iterator[Target]:
    """Yield the mouth, or its parts: each by itself where the requirement wants each of them."""
    parts = (*requirement.sextants, *requirement.quadrants)
    if parts:
        groups = [(part,) for part in parts] if requirement.each else [parts]
        whole = [_of_parts(group) for group in groups]
    else:
        whole = [_arch(Arch(requirement.arch)) if requirement.arch else Target("mouth")]
    sides = ("right", "left") if requirement.side == "both" else (requirement.side,)
    for target in whole:
        for side in sides:
            label = f"{target.label}, {side}" if len(sides) > 1 else target.label
            yield replace(target, label=label, seen_from=side)


def _of_parts(parts: Sequence[str]) -> Target:
    permanent = [tooth for name in parts for tooth in WORD_SETS[name]]
    # Deciduous quadrants are numbered four more (ISO 3950), and have five teeth.
    milk = [Tooth(t.quadrant + 4, t.position) for t in permanent if t.position <= 5]
    arches, sides = ({getattr(t, of) for t in permanent} for of in ("arch", "side"))
    return Target(
        joined(parts),
        (*permanent, *milk),
        arches.pop() if len(arches) == 1 else None,
        sides.pop() if len(sides) == 1 else None,
    )


def _target(scope: str, tooth: Tooth) -> Target:
    if scope == "tooth":
        return Target(tooth.iso, (tooth,), tooth.arch, tooth.side)
    if scope == "quadrant":
        name = f"{tooth.arch.value} {tooth.side.value} quadrant"
        members = WORD_SETS[name] + WORD_SETS[f"deciduous {name}"]
        return Target(name, members, tooth.arch, tooth.side)
    return _arch(tooth.arch)


def _arch(arch: Arch) -> Target:
    name = f"{arch.value} arch"
    return Target(name, WORD_SETS[name] + WORD_SETS[f"deciduous {name}"], arch)
