"""Frames of a session that show a colour chart, and the pictures that were taken like them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from archiver.archive.ingest.side_claims import as_seen
from archiver.errors import InputError, Problem
from archiver.objects import CHART_FRAME, Calibration, Photograph, Session, UidPolicy, photograph
from archiver.photo import CameraFile
from archiver.wording import Text

#: Makes a profile from a frame; raises InputError where none can be made.
Characterise = Callable[[CameraFile], Calibration]
#: What must be known of a picture, and the same in both; of the rest only the latter.
_KNOWN = ("ExposureTimeInSeconds", "FNumber", "PhotographicSensitivity")
_ALIKE = (
    *(*_KNOWN, "FlashFiringStatus", "FocalLength"),
    *("LensMake", "LensModel", "LensSerialNumber"),
)
_NAMES = {
    "WhiteBalance": "white_balance",
    "ExposureTimeInSeconds": "exposure",
    "FNumber": "aperture",
    "PhotographicSensitivity": "sensitivity",
    "FlashFiringStatus": "flash",
}


@dataclass(frozen=True)
class ChartFrame:
    """A frame with a chart, and what was made of it."""

    entry: Photograph
    photo: CameraFile
    calibration: Calibration


@dataclass(frozen=True)
class ColourFrames:
    """What a session has to correct colours by.

    Parameters
    ----------
    frames
        Those from which a profile could be made.
    problems
        Why none could be made, by `id` of the session's photograph.
    """

    frames: tuple[ChartFrame, ...] = ()
    problems: Mapping[int, tuple[Problem, ...]] = field(default_factory=dict)

    def of(
        self, entry: Photograph, photo: CameraFile
    ) -> tuple[Calibration | None, tuple[Problem, ...]]:
        """Return by which profile a photograph is corrected, and what is to be told of that."""
        if entry.circumstances.colour_frame == CHART_FRAME:
            return None, self.problems.get(id(entry), ())
        if not self.frames:
            return None, ()
        apart = [_apart(entry, photo, one) for one in self.frames]
        for one, why in zip(self.frames, apart, strict=True):
            if not why:
                return one.calibration, ()
        nearest = min(range(len(apart)), key=lambda n: len(apart[n]))
        file = self.frames[nearest].photo.name
        return None, (Problem("archive.colour_frames.not_alike", frame=file, what=apart[nearest]),)


def _apart(entry: Photograph, photo: CameraFile, frame: ChartFrame) -> tuple[Text, ...]:
    """Return why a photograph was not taken like a frame; nothing where it was."""
    ours, theirs = photo.claims, frame.photo.claims
    names = []
    # 1 is "manual": set, whatever it is set to (EXIF 2.32, tag 41987).
    balances = {str(claims.value("WhiteBalance")) for claims in (ours, theirs)}
    if balances != {"1"}:
        names.append("white_balance")
    camera = (ours.make, ours.model, ours.serial_number)
    if not ours.model or camera != (theirs.make, theirs.model, theirs.serial_number):
        names.append("camera")
    for keyword in _ALIKE:
        value = ours.value(keyword)
        if value != theirs.value(keyword) or (value is None and keyword in _KNOWN):
            names.append(_NAMES.get(keyword, "lens"))
    how, there = entry.circumstances, frame.entry.circumstances
    if (how.light, how.polariser) != (there.light, there.polariser):
        names.append("light")
    if photo.colour.icc != frame.photo.colour.icc:
        names.append("colour_space")
    return tuple(Text(f"archive.colour_frames.{name}") for name in dict.fromkeys(names))


def colour_frames(
    session: Session,
    characterise: Characterise | None,
    read: Callable[[Photograph], CameraFile],
    ways: tuple[str, UidPolicy],
) -> ColourFrames:
    """Make a profile from each frame of a session that shows a chart.

    Parameters
    ----------
    characterise
        None where nothing can make one.
    read
        Reads a photograph's camera file.
    ways
        What is done with edges that are no whole block, and how identifiers are made.
    """
    frames, problems = [], {}
    edges, uids = ways
    for entry in session.photographs:
        if entry.circumstances.colour_frame != CHART_FRAME or characterise is None:
            continue
        try:
            photo = read(entry)
            plan = entry.plan(photo.exif_orientation)
            seen = photograph.examined(session, entry, plan, photo, edges=edges)
            given, _ = as_seen(entry, seen)
            made = photograph.identify(session, given, plan, photo.sha256, edges, uids)
            found = replace(
                characterise(photo), series=made.as_shot_series.uid, instance=made.as_shot
            )
            frames.append(ChartFrame(entry, photo, found))
        except InputError as error:
            problems[id(entry)] = error.problems
    return ColourFrames(tuple(frames), problems)
