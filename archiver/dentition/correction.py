"""From what a person can see to how the picture must be turned.

The person says the view, the teeth, whether a mirror was used and, if they like, which direction
is at the top of the picture as the camera shows it. Everything else follows: a camera looks at
the teeth directly, or a mirror bends its look towards them; a program on a computer may have
flipped the picture since; EXIF orientation stands between the stored pixels and what a viewer
shows; the correction takes the stored pixels to the display.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from archiver.dentition import codes
from archiver.dentition.codes import Code
from archiver.dentition.orientation import Direction, Orientation, Turn, is_true
from archiver.dentition.sights import DISPLAY, LingualFronts, Sight, sight
from archiver.dentition.teeth import Tooth
from archiver.dentition.views import View
from archiver.errors import MeaningError, Problem


class Operator(str, Enum):
    """Where the camera was: before the patient's face, or behind the head."""

    FRONT = "front"
    BEHIND = "behind"


def virtual_mirror(looking: Direction) -> Orientation:
    """Return how a mirror picture looks before any correction, camera in front.

    The camera looks towards the back of the patient with the head up, and the mirror is held so
    that the look is bent to the wanted direction. A facial picture of front teeth cannot be
    bent from there; its mirror hangs before the face and the camera looks forward.

    Parameters
    ----------
    looking
        Where the view looks if it is true.
    """
    camera = Direction.POSTERIOR if looking is not Direction.POSTERIOR else Direction.ANTERIOR
    up = Direction.HEAD
    normal = (
        looking.vector[0] - camera.vector[0],
        looking.vector[1] - camera.vector[1],
        looking.vector[2] - camera.vector[2],
    )
    right = camera.cross(up)
    return Orientation(right.reflected_by(normal), up.reflected_by(normal).opposite)


def as_the_camera_shows(
    looking: Direction, *, mirror: bool, top: Direction | None, operator: Operator
) -> Orientation:
    """Return the orientation of the picture on the camera's own screen.

    Parameters
    ----------
    looking
        Where the view looks if it is true.
    mirror
        True if the picture was taken in a mirror.
    top
        What is at the top, if the person said so; the operator's place does not matter then.
    operator
        Where the camera was.

    Raises
    ------
    MeaningError
        If `top` lies on the axis along which the view looks.
    """
    if top is None:
        # A direct picture is taken with the display's own top at the top.
        shown = virtual_mirror(looking) if mirror else DISPLAY[looking]
        return shown.turned(Turn.HALF) if operator is Operator.BEHIND else shown
    if top in (looking, looking.opposite):
        raise MeaningError(
            Problem(
                "dentition.correction.top_along_view",
                word=top.word,
                others=tuple(d.word for d in Direction if d not in (looking, looking.opposite)),
            )
        )
    columns = top.opposite
    seen = looking.opposite if mirror else looking
    return Orientation(columns.cross(seen), columns)


@dataclass(frozen=True)
class Plan:
    """All that follows from what a person said about a photograph.

    Parameters
    ----------
    sight
        What the picture looks at.
    mirror, top, operator, exif
        As said, and as the file says.
    shown
        Orientation as a viewer shows the file (EXIF orientation applied): that on the camera's
        own screen, unless the picture was flipped since.
    stored
        Orientation of the pixels in the file.
    correction
        The turn from the stored pixels to the display orientation.
    flipped
        How a program had flipped or turned what the camera showed before the file came here.

    Raises
    ------
    MeaningError
        If the orientations and turns do not follow from each other; `plan` makes them so.
    """

    sight: Sight
    mirror: bool
    top: Direction | None
    operator: Operator
    exif: Turn
    shown: Orientation
    stored: Orientation
    correction: Turn
    flipped: Turn = Turn.IDENTITY

    def __post_init__(self) -> None:
        follows = self.stored.turned(self.exif) == self.shown
        if not follows or self.stored.turned(self.correction) != self.display:
            raise MeaningError(
                Problem(
                    "dentition.correction.not_to_display",
                    turn=self.correction.text,
                    right=self.stored.turn_to(self.display).text,
                )
            )

    @property
    def display(self) -> Orientation:
        """Orientation of the corrected picture."""
        return self.sight.display

    @property
    def stored_is_reflected(self) -> bool:
        """True where the pixels of the file show the teeth mirror-reversed."""
        return not is_true(self.stored, self.sight.looking)

    @property
    def shown_correction(self) -> Turn:
        """The turn from what a viewer shows to the display orientation."""
        return self.shown.turn_to(self.display)

    @property
    def camera_looked_steeply(self) -> bool:
        """True where the camera must have looked up or down, so that it cannot know its top."""
        along = self.sight.looking in (Direction.HEAD, Direction.FOOT)
        return self.operator is Operator.BEHIND or (along and not self.mirror)

    @property
    def region(self) -> Code:
        """Anatomic Region."""
        return codes.region_code(self.sight.view)

    @property
    def laterality(self) -> str:
        """Image Laterality; ``U`` where an unpaired part is shown whole, as mouth or face."""
        whole = self.sight.laterality == "B" and not self.sight.teeth
        return "U" if whole else self.sight.laterality

    @property
    def region_side(self) -> Code | None:
        """Modifier of the region; None where it is shown whole (CID 244 has none for that)."""
        return codes.LATERALITY_CODES.get(self.laterality)

    @property
    def arch_or_face(self) -> Code | None:
        """Code of the arch, where all that is shown belongs to one, or of the face."""
        return codes.structure_code(self.sight.view, self.sight.arch)

    @property
    def structures(self) -> tuple[tuple[Tooth, Code], ...]:
        """Each tooth with its code for Primary Anatomic Structure."""
        return tuple((t, codes.code_of(t)) for t in self.sight.teeth)

    @property
    def surface(self) -> Code | None:
        """Code of the surface seen."""
        return codes.SURFACE_CODES[self.sight.surface] if self.sight.surface else None

    @property
    def view(self) -> Code:
        """View Code."""
        s = self.sight
        return codes.view_code(s.view, s.looking.value, s.laterality)

    @property
    def _subject_modifiers(self) -> tuple[Code, ...]:
        found = []
        if self.sight.view.needs_teeth and self.sight.is_anterior:
            found.append(codes.ANTERIOR_TEETH)
        if self.sight.view is View.CLOSE_UP:
            found.append(codes.CLOSE_UP_OF_TEETH)
        return tuple(found)

    @property
    def original_modifiers(self) -> tuple[Code, ...]:
        """View modifiers of the photograph as shot."""
        mirror = (codes.MIRRORED_UNCORRECTED,) if self.stored_is_reflected else ()
        return mirror + self._subject_modifiers

    @property
    def corrected_modifiers(self) -> tuple[Code, ...]:
        """View modifiers of the corrected picture."""
        reflection_undone = self.mirror or self.stored_is_reflected
        # CID 4065's words are about teeth; a face that a telephone stored mirrored has none.
        if not reflection_undone or self.sight.view.is_extraoral:
            return self._subject_modifiers
        # The exact move is named where CID 4065 has it; its "rotated 180" names no pure turn.
        mirror = {
            Turn.FLIP_LEFT_RIGHT: codes.MIRRORED_CORRECTED_HORIZONTALLY,
            Turn.FLIP_TOP_BOTTOM: codes.MIRRORED_CORRECTED_VERTICALLY,
        }.get(self.correction, codes.MIRRORED_CORRECTED)
        return (mirror, *self._subject_modifiers)


def plan(
    view: View,
    teeth: tuple[Tooth, ...] = (),
    *,
    mirror: bool,
    top: Direction | None = None,
    operator: Operator = Operator.FRONT,
    exif: Turn = Turn.IDENTITY,
    flipped: Turn = Turn.IDENTITY,
    fronts: LingualFronts = LingualFronts.UPRIGHT,
) -> Plan:
    """Work out how a photograph must be turned and what is true of it.

    Parameters
    ----------
    top
        What the camera showed at the top, before anybody flipped the picture.
    flipped
        How a program has flipped it since, as a person sees it on the screen.
    fronts
        How palatal and lingual pictures of front teeth are displayed.

    Raises
    ------
    MeaningError
        If what was said contradicts itself.
    """
    seen = sight(view, teeth, fronts)
    if mirror and view.is_extraoral:
        raise MeaningError(Problem("dentition.correction.no_mirror_outside_mouth", view=view.value))
    shown = as_the_camera_shows(seen.looking, mirror=mirror, top=top, operator=operator)
    shown = shown.turned(flipped)
    stored = shown.turned(exif.inverse)
    correction = stored.turn_to(seen.display)
    return Plan(seen, mirror, top, operator, exif, shown, stored, correction, flipped)
