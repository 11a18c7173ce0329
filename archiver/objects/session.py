"""A session as its sheet tells it: whose photographs, of which visit, showing what."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.dentition import (
    Code,
    Direction,
    LingualFronts,
    Numbering,
    Operator,
    Plan,
    Tooth,
    Turn,
    View,
    plan,
)
from archiver.errors import InputError, MeaningError, Problem
from archiver.objects.purposes import Purpose

if TYPE_CHECKING:
    from pydicom import Dataset


@dataclass(frozen=True)
class Patient:
    """The patient, as registration knows them.

    `name` is a DICOM person name (family^given); `sex` is ``M``, ``F``, ``O`` or empty.

    Raises
    ------
    InputError
        If the identifier is empty: nobody could find the photographs again.
    """

    id: str
    name: str = ""
    issuer: str = ""
    birth_date: date | None = None
    sex: str = ""

    def __post_init__(self) -> None:
        if not self.id.strip():
            raise InputError(Problem("objects.session.no_identifier"))


@dataclass(frozen=True)
class Request:
    """What the visit was scheduled for, as a worklist tells it; empty where it does not say."""

    procedure_id: str = ""
    procedure: str = ""
    step_id: str = ""
    step: str = ""
    protocol: tuple[Code, ...] = ()


@dataclass(frozen=True)
class Visit:
    """The visit, which becomes a DICOM study.

    `clock_offset` is what must be added to the camera's clock. `study_uid` is set where the
    photographs join a study that exists already; otherwise it is derived. `request` is None where
    nobody scheduled it. `beside` is what else an object of that study says of patient and study,
    and `series_number` that object's own, which is not to be used again. The series of photographs
    are numbered from `first_series` on.

    Raises
    ------
    InputError
        If `date` is a moment and no day.
    """

    date: date
    time: time | None = None
    accession: str = ""
    description: str = ""
    clock_offset: timedelta = timedelta(0)
    study_uid: str = ""
    study_id: str = ""
    referring_physician: str = ""
    institution: str = ""
    photographer: str = ""
    request: Request | None = None
    beside: Dataset | None = field(default=None, compare=False, repr=False)
    series_number: int | None = None
    first_series: int = 1

    def __post_init__(self) -> None:
        if isinstance(self.date, datetime):
            raise InputError(Problem("objects.session.no_day", isoformat=self.date.isoformat()))


@dataclass(frozen=True)
class ConsentSaid:
    """What the sheet says of the patient's consent to hand photographs over.

    `until` is the last day on which it holds, None for no end.
    """

    purposes: tuple[Purpose, ...]
    noted_by: str
    until: date | None = None


@dataclass(frozen=True)
class SamePerson:
    """Who has looked and says that the patient is the one known under the identifier, and why."""

    checked_by: str
    reason: str


#: Teeth in whose place there is no natural one, each with ``implant``, ``pontic``, ``edentulous``.
Places = tuple[tuple[Tooth, str], ...]


@dataclass(frozen=True)
class Crop:
    """A crop in pixels of the corrected, uncropped picture."""

    left: int
    top: int
    width: int
    height: int

    def __str__(self) -> str:
        return f"{self.width}x{self.height}+{self.left}+{self.top}"


def crop_problem(crop: Crop, columns: int, rows: int, turn: Turn) -> Problem | None:
    """Return what is wrong with a crop of a picture of this size once it is turned."""
    width, height = (rows, columns) if turn.swaps_sides else (columns, rows)
    if crop.left + crop.width <= width and crop.top + crop.height <= height:
        return None
    return Problem("objects.sheet.crop_outside", crop=crop, width=width, height=height)


@dataclass(frozen=True)
class Circumstances:
    """How the photograph was taken; empty where the sheet does not say.

    `functional_state` is one of `FUNCTIONAL_STATES`, `seen_from` one of `SEEN_FROM`,
    `magnification` such as 1:2; the rest is in free words. `implant`, `pontic` and `edentulous` are
    those of the picture's teeth in whose place there is no natural one.
    Regions are parts of the corrected, uncropped picture in its pixels: `grey_card` the even part
    of a grey card, `tab_region` the front of a shade tab, `tooth_region` the crown beside it,
    `scale_region` reaches from one end of what is `scale_length` long to the other. From
    `restoration` on, words are for whoever makes a tooth.
    """

    retraction: str = ""
    contraster: str = ""
    light: str = ""
    polariser: str = ""
    stage: str = ""
    purpose: str = ""
    consent: str = ""
    colour_frame: str = ""
    functional_state: str = ""
    magnification: str = ""
    seen_from: str = ""
    implant: tuple[Tooth, ...] = ()
    pontic: tuple[Tooth, ...] = ()
    edentulous: tuple[Tooth, ...] = ()
    grey_card: Crop | None = None
    tab_region: Crop | None = None
    tooth_region: Crop | None = None
    scale_region: Crop | None = None
    scale_length: str = ""
    restoration: str = ""
    state: str = ""
    material: str = ""
    tab_system: str = ""
    tab_name: str = ""
    tab_place: str = ""
    tab_number: str = ""
    stump_shade: str = ""
    surface_texture: str = ""
    translucency: str = ""
    gloss: str = ""
    instructions: str = ""

    @property
    def places(self) -> Places:
        """Where no natural tooth stands, and what does, by the key of the sheet."""
        kinds = ("implant", "pontic", "edentulous")
        return tuple((tooth, kind) for kind in kinds for tooth in getattr(self, kind))

    def with_places(self, places: Places) -> Circumstances:
        """Return the same with these places without a natural tooth."""
        return replace(
            self,
            implant=tuple(tooth for tooth, kind in places if kind == "implant"),
            pontic=tuple(tooth for tooth, kind in places if kind == "pontic"),
            edentulous=tuple(tooth for tooth, kind in places if kind == "edentulous"),
        )


def check_places(teeth: tuple[Tooth, ...], places: Places) -> None:
    """Check that places without a natural tooth are among the teeth of the picture, each once.

    Raises
    ------
    MeaningError
        If one is not.
    """
    said: dict[Tooth, str] = {}
    for tooth, kind in places:
        if tooth not in teeth:
            problem = Problem("objects.session.place_not_shown", iso=tooth.iso, key=kind)
            raise MeaningError(problem)
        if tooth in said:
            given = {"iso": tooth.iso, "key": kind, "other": said[tooth]}
            raise MeaningError(Problem("objects.session.place_twice", **given))
        said[tooth] = kind


def check_scale(mirror: bool, drawn: bool, length: str) -> None:
    """Check that what is of known length is both drawn and told, in a direct picture.

    Raises
    ------
    MeaningError
        If not: a mirror is oblique and has its own way to the camera.
    """
    if drawn != bool(length):
        raise MeaningError(Problem("objects.session.scale_half_said"))
    if drawn and mirror:
        raise MeaningError(Problem("objects.session.scale_in_mirror"))


#: What teeth and lips do in a picture, in the words of a sheet; a smile is a view.
IN_OCCLUSION, TEETH_APART = "in occlusion", "teeth apart"
LIPS_RELAXED, LIPS_CLOSED = "lips relaxed", "lips closed"
MANDIBLE_FORWARD = "mandible forward"
FUNCTIONAL_STATES = (IN_OCCLUSION, TEETH_APART, LIPS_RELAXED, LIPS_CLOSED, MANDIBLE_FORWARD)
#: From where the camera looked, seen from the patient.
SEEN_FROM = ("front", "right", "left")

#: What a sheet calls a frame that shows a 24-patch colour chart.
CHART_FRAME = "colour chart"

#: How a picture may have been flipped on a computer before it came, in the words of a sheet.
FLIPS = {
    "left-right": Turn.FLIP_LEFT_RIGHT,
    "top-bottom": Turn.FLIP_TOP_BOTTOM,
    "turned": Turn.HALF,
    "no": Turn.IDENTITY,
}


@dataclass(frozen=True)
class Photograph:
    """One photograph of the sheet: the file, and what a person says of it.

    `flipped` is how a program had flipped it before it came (`FLIPS`), None where nobody says;
    `exif_orientation` is "ignore" where the camera's sensor was wrong. `lingual_fronts` is how
    a palatal or lingual picture of front teeth is displayed. `checked` is what somebody has
    checked it against (``teeth``, ``patient``) where earlier pictures say otherwise. `shown` is the
    code, or the whole digest, of what `confirmed_by` saw, and `confirmed_at` when that was; the
    side counts as confirmed only where it fits what is archived. `line` is where the sheet says
    it, for messages.

    Raises
    ------
    MeaningError
        If what is said contradicts itself, or the view means nothing without teeth.

    Examples
    --------
    >>> from pathlib import Path
    >>> from archiver import Photograph, View, parse_teeth
    >>> teeth = parse_teeth("iso:25")
    >>> photograph = Photograph(Path("IMG_0101.JPG"), View.OCCLUSAL, mirror=True, teeth=teeth)
    >>> photograph.plan(exif=1).correction.words
    'flipped top to bottom'
    """

    file: Path
    view: View
    mirror: bool
    teeth: tuple[Tooth, ...] = ()
    top: Direction | None = None
    operator: Operator = Operator.FRONT
    crop: Crop | None = None
    confirmed_by: str = ""
    shown: str = ""
    confirmed_at: datetime | None = None
    comment: str = ""
    circumstances: Circumstances = field(default_factory=Circumstances)
    line: int = 0
    flipped: Turn | None = None
    exif_orientation: str = ""
    lingual_fronts: LingualFronts = LingualFronts.UPRIGHT
    checked: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        self.plan(1)
        how = self.circumstances
        check_places(self.teeth, how.places)
        check_scale(self.mirror, how.scale_region is not None, how.scale_length)

    def plan(self, exif: int) -> Plan:
        """Work out the correction for a file with this EXIF orientation.

        Raises
        ------
        MeaningError
            If the entry contradicts itself.
        """
        return plan(
            self.view,
            self.teeth,
            mirror=self.mirror,
            top=self.top,
            operator=self.operator,
            exif=Turn.IDENTITY if self.exif_orientation == "ignore" else Turn(exif),
            flipped=self.flipped or Turn.IDENTITY,
            fronts=self.lingual_fronts,
        )


@dataclass(frozen=True)
class Session:
    """The photographs of one visit; `source` is the sheet that told of them, if one did.

    `numbering` is the one in which it named teeth, and in which they are named to it first.
    """

    patient: Patient
    visit: Visit
    photographs: tuple[Photograph, ...]
    source: Path = Path()
    consent: ConsentSaid | None = None
    same_person: SamePerson | None = None
    numbering: Numbering = field(default=Numbering.ISO, compare=False)
