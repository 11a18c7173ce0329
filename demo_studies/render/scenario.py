"""What a demo study is made of: patients, visits, photographs, and the sheet of a visit."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from .camera import Shot
from .camera_files import CameraModel
from .finish import Finish
from .scene import Mouth


@dataclass(frozen=True)
class Photograph:
    """One picture of a visit.

    Attributes
    ----------
    file : str
    shot : Shot
    minute : float
        After the visit's time, by a right clock.
    size : tuple of int
        Width and height as shown.
    form : str
        "jpeg", "progressive" or "png".
    orientation : int
        EXIF 274.
    finish : Finish
    sheet : mapping
        Keys of the sheet besides file, teeth, view and mirror; values already in TOML.
    place, maker_note : see `Exposure`
    """

    file: str
    shot: Shot
    minute: float
    size: tuple[int, int] = (1200, 800)
    form: str = "jpeg"
    orientation: int = 1
    finish: Finish = field(default_factory=Finish)
    sheet: Mapping[str, str] = field(default_factory=dict)
    place: tuple[float, float] | None = None
    maker_note: bool = False
    f_number: int = 25


@dataclass(frozen=True)
class Patient:
    """An invented patient."""

    number: str
    name: str
    birth_date: str
    sex: str


@dataclass(frozen=True)
class Visit:
    """A visit: its folder is the patient's number and the date."""

    patient: Patient
    time: datetime
    description: str
    accession: str
    camera: CameraModel
    mouth: Mouth
    photographs: tuple[Photograph, ...]
    numbering: str = "ISO 3950"
    operator: str = "front"
    clock_wrong_by: timedelta = timedelta()

    @property
    def folder(self) -> str:
        """Where the visit's files lie below demo_studies."""
        return f"{self.patient.number}/{self.time:%Y-%m-%d}"


_DECIDUOUS = {
    iso: chr(ord("A") + n)
    for n, iso in enumerate(
        [*range(55, 50, -1), *range(61, 66), *range(75, 70, -1), *range(81, 86)]
    )
}


def universal(iso: int) -> str:
    """Write a tooth in the Universal numbering, as TOML (letters in quotes)."""
    if iso in _DECIDUOUS:
        return f'"{_DECIDUOUS[iso]}"'
    quadrant, position = divmod(iso, 10)
    return str({1: 9 - position, 2: 8 + position, 3: 25 - position, 4: 24 + position}[quadrant])


def _photo_entry(visit: Visit, photo: Photograph, code: str) -> list[str]:
    lines = ["[[photo]]", f'file = "{photo.file}"']
    if photo.shot.teeth:
        write = universal if visit.numbering == "Universal" else str
        lines.append(f"teeth = [{', '.join(write(t) for t in photo.shot.teeth)}]")
    lines.append(f'view = "{photo.shot.view}"')
    lines.append(f"mirror = {str(photo.shot.mirror).lower()}")
    if photo.shot.operator != visit.operator:
        lines.append(f'operator = "{photo.shot.operator}"')
    for key, value in photo.sheet.items():
        lines.append(f"{key} = {value}")
        if key == "confirmed_by" and code:
            lines.append(f'shown = "{code}"')
    return lines


def sheet(visit: Visit, codes: Mapping[str, str]) -> str:
    """Write the session sheet of a visit, with the codes of its pictures by their files."""
    patient = visit.patient
    lines = [
        f'numbering = "{visit.numbering}"',
        "",
        "[patient]",
        f'id = "{patient.number}"',
        'issuer = "BRACKWATER"',
        f'name = "{patient.name}"',
        f"birth_date = {patient.birth_date}",
        f'sex = "{patient.sex}"',
        "",
        "[visit]",
        f"date = {visit.time:%Y-%m-%d}",
        f"time = {visit.time:%H:%M:%S}",
        f'accession = "{visit.accession}"',
        f'description = "{visit.description}"',
    ]
    if visit.clock_wrong_by:
        seconds = -int(visit.clock_wrong_by.total_seconds())
        sign, rest = "-" if seconds < 0 else "+", abs(seconds)
        lines.append(
            f'clock_offset = "{sign}{rest // 3600:02d}:{rest // 60 % 60:02d}:{rest % 60:02d}"'
        )
    lines += ["", "[defaults]", f'operator = "{visit.operator}"', 'retraction = "cheek retractor"']
    for photo in visit.photographs:
        lines += ["", *_photo_entry(visit, photo, codes.get(photo.file, ""))]
    return "\n".join(lines) + "\n"
