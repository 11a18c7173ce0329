"""Frames that show a colour chart or a grey card, and the pictures that were taken like them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from archiver.archive.ingest.side_claims import as_seen
from archiver.errors import InputError, Problem
from archiver.objects import (
    CHART_FRAME,
    Calibration,
    Photograph,
    Session,
    UidPolicy,
    photograph,
    speaks_of_drying,
)
from archiver.photo import CameraFile
from archiver.wording import Text

#: Makes a profile from a frame; raises InputError where none can be made.
Characterise = Callable[[CameraFile, Photograph], Calibration]
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
    """A frame with a chart or a card, and what was made of it."""

    entry: Photograph
    photo: CameraFile
    calibration: Calibration


@dataclass(frozen=True)
class ColourFrames:
    """What a session has to correct colours by.

    Parameters
    ----------
    frames
        Those from which a profile could be made; charts first, as they correct more.
    problems
        Why none could be made, by `id` of the session's photograph.
    dried
        Frames of colour that come after drying, likewise.
    """

    frames: tuple[ChartFrame, ...] = ()
    problems: Mapping[int, tuple[Problem, ...]] = field(default_factory=dict)
    dried: frozenset[int] = frozenset()

    def of(
        self, entry: Photograph, photo: CameraFile
    ) -> tuple[Calibration | None, tuple[Problem, ...]]:
        """Return by which profile a photograph is corrected, and what is to be told of that."""
        if entry.circumstances.colour_frame == CHART_FRAME:
            return None, self._problems_of(entry)
        told = self._problems_of(entry)
        if not self.frames:
            return None, told
        # Teeth beside a card come right by it, whatever the camera says of its settings.
        apart = [() if one.entry is entry else _apart(entry, photo, one) for one in self.frames]
        for one, why in zip(self.frames, apart, strict=True):
            if not why:
                return one.calibration, told
        nearest = min(range(len(apart)), key=lambda n: len(apart[n]))
        file = self.frames[nearest].photo.name
        problem = Problem("archive.colour_frames.not_alike", frame=file, what=apart[nearest])
        return None, (*told, problem)

    def _problems_of(self, entry: Photograph) -> tuple[Problem, ...]:
        told = self.problems.get(id(entry), ())
        if id(entry) in self.dried:
            told = (*told, Problem("archive.colour_frames.after_drying"))
        return told


def after_drying(session: Session) -> frozenset[int]:
    """Return the `id` of each frame of colour that follows a dried tooth in the sheet.

    A sheet is in order of capture. Teeth dry and lighten within minutes, so that their colour is
    taken first (common practice).
    """
    found, begun = set(), False
    for entry in session.photographs:
        how = entry.circumstances
        begun = begun or speaks_of_drying((how.stage, how.retraction), how.state)
        if begun and (how.colour_frame or how.tab_region or how.tooth_region):
            found.add(id(entry))
    return frozenset(found)


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
    """Make a profile from each frame of a session that shows a chart or a card.

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
        has_chart = entry.circumstances.colour_frame == CHART_FRAME
        if characterise is None or not (has_chart or entry.circumstances.grey_card):
            continue
        try:
            photo = read(entry)
            plan = entry.plan(photo.exif_orientation)
            seen = photograph.examined(session, entry, plan, photo, edges=edges)
            given, _ = as_seen(entry, seen)
            found = characterise(photo, entry)
            # A frame with a card is corrected by its own profile, one with a chart is not.
            by = None if has_chart else found
            made = photograph.identify(session, given, plan, photo.sha256, edges, uids, by)
            found = replace(found, series=made.as_shot_series.uid, instance=made.as_shot)
            frames.append(ChartFrame(entry, photo, found))
        except InputError as error:
            problems[id(entry)] = error.problems
    frames.sort(key=lambda one: one.entry.circumstances.colour_frame != CHART_FRAME)
    return ColourFrames(tuple(frames), problems, after_drying(session))
