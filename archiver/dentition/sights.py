"""What a photograph looks at, and how it is displayed.

A view together with the teeth in the picture settles the direction in which the picture looks,
the side, the arch and the orientation in which it is displayed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from archiver.dentition.orientation import Direction, Orientation, Turn
from archiver.dentition.teeth import Arch, Side, Tooth, arch_order, in_arch_order
from archiver.dentition.views import Surface, View
from archiver.errors import MeaningError, Problem
from archiver.wording import Text

_FACIAL = frozenset({View.BUCCAL, View.LABIAL})


class LingualFronts(str, Enum):
    """How palatal and lingual pictures of front teeth are displayed.

    Upright is as they are seen from inside, with the edges as in the mouth; a practice may have
    the habit of turning them by half, so that the patient's right is at the left.
    """

    UPRIGHT = "upright"
    TURNED = "turned"


@dataclass(frozen=True)
class Sight:
    """What a photograph looks at, once view and teeth are known to agree.

    Parameters
    ----------
    view
        The view, with its synonym settled (labial for front teeth, buccal for the others).
    teeth
        The teeth named, from the patient's right to the left.
    looking
        Where the picture looks if it is true.
    display
        The orientation in which it is displayed.
    laterality
        Image Laterality (0020,0062): ``R``, ``L`` or ``B``.
    surface
        The surface of the teeth that is seen, where DICOM has a code for it.
    arch
        The arch, None where both or neither are meant.
    notes
        What was settled on the way, for the reader.
    """

    view: View
    teeth: tuple[Tooth, ...]
    looking: Direction
    display: Orientation
    laterality: str
    surface: Surface | None
    arch: Arch | None
    notes: tuple[Text, ...] = ()

    def __post_init__(self) -> None:
        _demand_teeth(self.view, self.teeth)

    @property
    def displays(self) -> tuple[Orientation, ...]:
        """The orientations in which it may be displayed, the usual one first."""
        usual = DISPLAY[self.looking]
        # Only palatal and lingual pictures of front teeth look forward.
        turned = self.looking is Direction.ANTERIOR
        return (usual, usual.turned(Turn.HALF)) if turned else (usual,)

    def displayed(self, like: Orientation | None) -> Sight:
        """Return the same sight displayed like this, where it may be; else in the usual way."""
        return replace(self, display=like if like in self.displays else self.displays[0])

    @property
    def lingual_fronts(self) -> LingualFronts:
        """The habit by which it is displayed as it is."""
        return LingualFronts.TURNED if self.display in self.displays[1:] else LingualFronts.UPRIGHT

    @property
    def is_anterior(self) -> bool:
        """True where teeth are named and all of them are incisors or canines."""
        return bool(self.teeth) and all(t.is_anterior for t in self.teeth)

    @property
    def covered(self) -> tuple[Tooth, ...]:
        """Teeth that such a view shows without naming them, both dentitions alike."""
        return tuple(t for t in covered_teeth(self.view) if t not in self.teeth)


#: Displayed orientation by looking direction (rows, columns); occlusal as the arch is shown.
#: Frontal and buccal: face-to-face convention, common practice; ABO photograph requirements for
#: the mirror shot that is flipped to look like a direct one and for the lower arch. Upper arch
#: with incisors up, and lingual views seen from the tongue: common practice.
DISPLAY: dict[Direction, Orientation] = {
    Direction.POSTERIOR: Orientation(Direction.LEFT, Direction.FOOT),
    Direction.ANTERIOR: Orientation(Direction.RIGHT, Direction.FOOT),
    Direction.LEFT: Orientation(Direction.ANTERIOR, Direction.FOOT),
    Direction.RIGHT: Orientation(Direction.POSTERIOR, Direction.FOOT),
    Direction.HEAD: Orientation(Direction.LEFT, Direction.POSTERIOR),
    Direction.FOOT: Orientation(Direction.LEFT, Direction.ANTERIOR),
}

_OUTWARD = {Side.RIGHT: Direction.RIGHT, Side.LEFT: Direction.LEFT}
_OCCLUSAL = {Arch.UPPER: Direction.HEAD, Arch.LOWER: Direction.FOOT}
_FIXED: dict[View, tuple[Direction, str, Arch | None]] = {
    View.FRONTAL: (Direction.POSTERIOR, "B", None),
    View.RIGHT_BUCCAL: (Direction.LEFT, "R", None),
    View.LEFT_BUCCAL: (Direction.RIGHT, "L", None),
    View.UPPER_OCCLUSAL_ARCH: (Direction.HEAD, "B", Arch.UPPER),
    View.LOWER_OCCLUSAL_ARCH: (Direction.FOOT, "B", Arch.LOWER),
    View.FACE: (Direction.POSTERIOR, "B", None),
    View.SMILE: (Direction.POSTERIOR, "B", None),
    View.RIGHT_PROFILE: (Direction.LEFT, "R", None),
    View.LEFT_PROFILE: (Direction.RIGHT, "L", None),
}


def laterality_of(teeth: tuple[Tooth, ...]) -> str:
    """Return Image Laterality for teeth: ``R``, ``L``, or ``B`` where both sides are shown."""
    sides = {t.side for t in teeth}
    if len(sides) == 2:
        return "B"
    return "R" if Side.RIGHT in sides else "L"


def covered_teeth(view: View) -> tuple[Tooth, ...]:
    """Return every tooth that a view of an arch, of a side or of the mouth contains."""
    if view in (View.UPPER_OCCLUSAL_ARCH, View.LOWER_OCCLUSAL_ARCH):
        arch = Arch.UPPER if view is View.UPPER_OCCLUSAL_ARCH else Arch.LOWER
        return arch_order(arch) + arch_order(arch, deciduous=True)
    every = tuple(
        t for arch in Arch for young in (False, True) for t in arch_order(arch, deciduous=young)
    )
    if view in (View.RIGHT_BUCCAL, View.LEFT_BUCCAL):
        side = Side.RIGHT if view is View.RIGHT_BUCCAL else Side.LEFT
        return tuple(t for t in every if t.side is side)
    if view is View.FRONTAL:
        return tuple(t for t in every if t.is_anterior)
    return ()


def sight(
    view: View,
    teeth: tuple[Tooth, ...] = (),
    fronts: LingualFronts = LingualFronts.UPRIGHT,
) -> Sight:
    """Settle what a photograph looks at.

    Parameters
    ----------
    fronts
        How it is displayed where it is a palatal or lingual picture of front teeth.

    Raises
    ------
    MeaningError
        If view and teeth contradict each other.
    """
    seen = _settled(view, in_arch_order(teeth))
    return seen.displayed(seen.displays[-1]) if fronts is LingualFronts.TURNED else seen


def _settled(view: View, teeth: tuple[Tooth, ...]) -> Sight:
    _demand_teeth(view, teeth)
    if view in (View.OCCLUSAL, View.INCISAL):
        return _occlusal(view, teeth)
    if view in (View.LINGUAL, View.PALATAL):
        return _lingual(view, teeth)
    if view in _FACIAL:
        return _facial(view, teeth)
    if view is View.CLOSE_UP:
        return _close_up(teeth)
    return _fixed(view, teeth)


def _demand_teeth(view: View, teeth: tuple[Tooth, ...]) -> None:
    if view.needs_teeth and not teeth:
        raise MeaningError(
            Problem(
                "dentition.views.needs_teeth",
                phrase=view.phrase,
                others=tuple(v.value for v in _FIXED),
            )
        )


def _one_arch(view: View, teeth: tuple[Tooth, ...]) -> Arch:
    arches = {t.arch for t in teeth}
    if len(arches) > 1:
        raise MeaningError(Problem("dentition.views.both_arches", phrase=view.phrase))
    return teeth[0].arch


def _occlusal(view: View, teeth: tuple[Tooth, ...]) -> Sight:
    arch = _one_arch(view, teeth)
    anterior = all(t.is_anterior for t in teeth)
    notes: tuple[Text, ...] = ()
    if view is View.INCISAL and not any(t.is_anterior for t in teeth):
        raise MeaningError(
            Problem(
                "dentition.views.no_incisal_edge",
                iso=teeth[0].iso,
                tooth=Text(f"dentition.tooth.{teeth[0].tooth_class.value}"),
            )
        )
    if anterior and view is View.OCCLUSAL:
        notes = (Text("dentition.views.called_incisal"),)
    elif not anterior and view is View.INCISAL:
        notes = (Text("dentition.views.called_occlusal"),)
    looking = _OCCLUSAL[arch]
    return Sight(
        View.INCISAL if anterior else View.OCCLUSAL,
        teeth,
        looking,
        DISPLAY[looking],
        laterality_of(teeth),
        None if anterior else Surface.OCCLUSAL,
        arch,
        notes,
    )


def _lingual(view: View, teeth: tuple[Tooth, ...]) -> Sight:
    arch = _one_arch(view, teeth)
    if view is View.PALATAL and arch is Arch.LOWER:
        raise MeaningError(Problem("dentition.views.no_palatal_surface", iso=teeth[0].iso))
    laterality = laterality_of(teeth)
    if all(t.is_anterior for t in teeth):
        looking = Direction.ANTERIOR
    elif laterality == "B":
        raise MeaningError(Problem("dentition.views.both_sides", phrase=view.phrase))
    else:
        looking = _OUTWARD[teeth[0].side]
    settled = View.PALATAL if arch is Arch.UPPER else View.LINGUAL
    notes = (Text("dentition.views.called_palatal"),) if settled is not view else ()
    return Sight(
        settled, teeth, looking, DISPLAY[looking], laterality, Surface.LINGUAL, arch, notes
    )


def _facial(view: View, teeth: tuple[Tooth, ...]) -> Sight:
    laterality = laterality_of(teeth)
    arches = {t.arch for t in teeth}
    arch = teeth[0].arch if len(arches) == 1 else None
    if all(t.is_anterior for t in teeth) or (laterality == "B" and view is View.LABIAL):
        settled, looking = View.LABIAL, Direction.POSTERIOR
    elif laterality == "B":
        raise MeaningError(Problem("dentition.views.buccal_both_sides"))
    else:
        settled, looking = View.BUCCAL, _OUTWARD[teeth[0].side].opposite
    called = Text("dentition.views.called_facial", view=settled.value)
    notes = (called,) if settled is not view else ()
    return Sight(
        settled, teeth, looking, DISPLAY[looking], laterality, Surface.VESTIBULAR, arch, notes
    )


def _close_up(teeth: tuple[Tooth, ...]) -> Sight:
    if not teeth:
        looking = Direction.POSTERIOR
        return Sight(View.CLOSE_UP, (), looking, DISPLAY[looking], "B", None, None)
    facial = _facial(View.LABIAL, teeth)
    return Sight(
        View.CLOSE_UP,
        teeth,
        facial.looking,
        facial.display,
        facial.laterality,
        facial.surface,
        facial.arch,
    )


def _fixed(view: View, teeth: tuple[Tooth, ...]) -> Sight:
    looking, laterality, arch = _FIXED[view]
    wrong = [t for t in teeth if arch is not None and t.arch is not arch]
    if laterality in ("R", "L"):
        side = Side.RIGHT if laterality == "R" else Side.LEFT
        wrong += [t for t in teeth if t.side is not side and not t.is_anterior]
    if view.is_extraoral and view is not View.SMILE:
        wrong = list(teeth)
    if wrong:
        names = tuple(Text("dentition.tooth.numbered", iso=t.iso, name=t.text) for t in wrong)
        raise MeaningError(Problem("dentition.views.teeth_not_shown", view=view.value, names=names))
    return Sight(view, teeth, looking, DISPLAY[looking], laterality, None, arch)
