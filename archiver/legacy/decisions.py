"""What becomes of one file by itself: who, when and what it shows, or why that is not known.

Nothing here reads a disk. What other files say of the same picture, `copies` decides.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import PurePosixPath

from archiver.dentition import Tooth, Turn, View, parse_teeth, plan, sight
from archiver.errors import MeaningError, Problem
from archiver.legacy.file_look import FileKind, LookedAt, ObjectSeen, PictureSeen
from archiver.legacy.import_rules import FROM_CAMERA, FROM_PATH, ImportRules
from archiver.legacy.mends import Mend
from archiver.legacy.path_reading import PathSaid, read_path
from archiver.legacy.patient_register import PatientRegister, Unresolved, contradicts
from archiver.legacy.reasons import FileFate, ImportReason
from archiver.objects import Patient
from archiver.wording import Text


@dataclass(frozen=True)
class PictureMeaning:
    """What a picture shows, as far as it is known; nothing here was guessed.

    Parameters
    ----------
    mirror
        None where nobody says.
    flipped
        How a program had flipped it; None where nobody says.
    """

    view: View | None = None
    teeth: tuple[Tooth, ...] = ()
    state: str = ""
    mirror: bool | None = None
    flipped: Turn | None = None

    @property
    def side_is_told(self) -> bool:
        """Whether it is told how the picture came to be: through a mirror or not, flipped or not.

        A direct picture was flipped by nobody unless somebody says so; of one taken through a
        mirror that is exactly what is not known.
        """
        if self.view is None or self.mirror is None:
            return False
        return not self.mirror or self.flipped is not None


@dataclass(frozen=True)
class Decision:
    """What becomes of a file.

    Parameters
    ----------
    problem
        Why it is quarantined, in words; None for other fates.
    patient, day
        Whose it is and when it was taken; None where that is not known.
    mended_by
        Who has said what the path does not; empty for nobody.
    """

    reason: ImportReason
    problem: Problem | Text | None = None
    patient: Patient | None = None
    day: date | None = None
    shown: PictureMeaning = PictureMeaning()
    mended_by: str = ""

    @property
    def fate(self) -> FileFate:
        """Which of the four."""
        return self.reason.fate


class Decider:
    """Decides about files by rules, known patients and what a person has mended.

    Parameters
    ----------
    today
        No visit is later.
    """

    def __init__(self, rules: ImportRules, register: PatientRegister, today: date) -> None:
        self._rules, self._register, self._today = rules, register, today

    def decide(self, path: PurePosixPath, seen: LookedAt, mend: Mend | None = None) -> Decision:
        """Decide about a file below the folder that is imported."""
        by = mend.by if mend is not None else ""
        if mend is not None and mend.leave_out:
            return Decision(
                ImportReason.LEFT_OUT, Problem("legacy.why.left_out", by=by), mended_by=by
            )
        if seen.reason is not None:
            told = seen.problem
            problem = Text("legacy.why.said", said=told) if told else None
            return Decision(seen.reason, problem)
        if seen.kind is FileKind.OBJECT and seen.object is not None:
            return self._object(seen.object)
        assert seen.picture is not None
        decided = self._picture(path, seen.picture, mend)
        return replace(decided, mended_by=by)

    def _object(self, seen: ObjectSeen) -> Decision:
        if not seen.patient_id.strip():
            return Decision(ImportReason.NO_PATIENT, Problem("legacy.patient.none"))
        born = _dicom_day(seen.birth_date)
        patient = Patient(seen.patient_id, seen.patient_name, seen.issuer, born)
        against = contradicts(self._register, patient)
        if against is not None:
            return Decision(against.reason, against.problem)
        return Decision(ImportReason.OBJECT, patient=patient)

    def _picture(self, path: PurePosixPath, seen: PictureSeen, mend: Mend | None) -> Decision:
        rules = self._rules
        if max(seen.columns, seen.rows) < rules.smallest:
            size = f"{seen.columns} x {seen.rows}"
            return Decision(ImportReason.THUMBNAIL, Problem("legacy.why.thumbnail", size=size))
        mended = mend or Mend()
        if seen.grey and not mended.is_photograph:
            return Decision(ImportReason.GREY, Problem("legacy.why.grey"))
        said = read_path(path, rules, self._today)
        if said is None:
            if not mended.patient:
                return Decision(ImportReason.NO_RULE, Problem("legacy.why.no_rule"))
            said = PathSaid()
        who = self._patient(said, mended)
        if isinstance(who, Unresolved):
            return Decision(who.reason, who.problem)
        decided = self._visit(said, seen, mended)
        if isinstance(decided, Decision):
            return replace(decided, patient=who)
        if who.birth_date is not None and decided < who.birth_date:
            problem = Problem("legacy.why.born_later", day=decided, born=who.birth_date)
            return Decision(ImportReason.BORN_LATER, problem, who, decided)
        return self._shown(said, mended, who, decided)

    def _patient(self, said: PathSaid, mended: Mend) -> Patient | Unresolved:
        if not mended.patient:
            return self._register.resolve(said)
        # Who mends says which of the known patients it is; nobody is made up here either.
        found = self._register.with_id(mended.patient, mended.issuer)
        if len(found) == 1:
            return found[0]
        if found:
            ids = tuple(one.id for one in found)
            problem = Problem("legacy.patient.several", ids=ids)
            return Unresolved(ImportReason.SEVERAL_PATIENTS, problem)
        problem = Problem("legacy.patient.no_such_id", id=mended.patient)
        return Unresolved(ImportReason.PATIENT_UNKNOWN, problem)

    def _visit(self, said: PathSaid, seen: PictureSeen, mended: Mend) -> date | Decision:
        if mended.day is not None:
            return self._not_later(mended.day)
        if said.visit is not None and said.visit.day is None:
            why = Problem("legacy.why.days", days=tuple(map(str, said.visit.days)))
            why = why if said.visit.days else Problem("legacy.why.no_such_day")
            return Decision(ImportReason.DAY_UNREADABLE, why)
        of_path = said.visit.day if said.visit is not None else None
        known = {FROM_PATH: of_path, FROM_CAMERA: seen.day}
        day = next((known[one] for one in self._rules.days_from if known[one] is not None), None)
        if day is None:
            return Decision(ImportReason.NO_DAY, Problem("legacy.why.no_day"))
        if of_path and seen.day and abs((of_path - seen.day).days) > self._rules.apart:
            why = Problem("legacy.why.days_differ", path=of_path, camera=seen.day)
            return Decision(ImportReason.DAYS_DIFFER, why)
        if said.year is not None and said.year != day.year:
            why = Problem("legacy.why.year_differs", year=said.year, day=day)
            return Decision(ImportReason.DAYS_DIFFER, why)
        return self._not_later(day)

    def _not_later(self, day: date) -> date | Decision:
        if day > self._today:
            return Decision(ImportReason.DAY_IN_FUTURE, Problem("legacy.why.future", day=day))
        return day

    def _shown(self, said: PathSaid, mended: Mend, who: Patient, day: date) -> Decision:
        if said.problems and not mended.says_what_is_shown:
            return Decision(ImportReason.NOT_UNDERSTOOD, said.problems[0], who, day)
        several = [
            tuple(str(getattr(one, "value", one)) for one in found)
            for found, is_mended in (
                (said.views, mended.view is not None),
                (said.states, bool(mended.state)),
                (said.mirrors, mended.mirror is not None),
                (said.flips, mended.flipped is not None),
            )
            if len(found) > 1 and not is_mended
        ]
        if several:
            why = Problem("legacy.why.contradiction", said=several[0])
            return Decision(ImportReason.CONTRADICTION, why, who, day)
        try:
            shown = self._meaning(said, mended)
        except MeaningError as error:
            return Decision(ImportReason.CONTRADICTION, error.problems[0], who, day)
        reason = ImportReason.VIEW_UNKNOWN
        if shown.view is not None:
            reason = ImportReason.WHOLE if shown.side_is_told else ImportReason.SIDE_UNKNOWN
        return Decision(reason, None, who, day, shown)

    def _meaning(self, said: PathSaid, mended: Mend) -> PictureMeaning:
        """Return what a picture shows.

        Raises
        ------
        MeaningError
            If view, teeth and mirror contradict each other.
        """
        view = mended.view or next(iter(said.views), None)
        teeth = parse_teeth(mended.teeth) if mended.teeth else said.teeth
        mirror, flipped = mended.mirror, mended.flipped
        if mirror is None:
            mirror = next(iter(said.mirrors), None)
        habits = self._rules.mirror
        if mirror is None and view is not None:
            if view.is_extraoral or view in habits.direct:
                mirror = False
            elif view in habits.through:
                mirror = True
        if flipped is None:
            flipped = next(iter(said.flips), None)
        if flipped is None and mirror:
            flipped = habits.flipped
        if view is not None and view.needs_teeth and not teeth:
            # A view of a tooth without its number is not wrapped: what it shows stays a word.
            mirror = None
        elif view is not None:
            sight(view, teeth)
            if mirror is not None:
                plan(view, teeth, mirror=mirror, flipped=flipped or Turn.IDENTITY)
        state = mended.state or next(iter(said.states), "")
        return PictureMeaning(view, teeth, state, mirror, flipped)


def _dicom_day(text: str) -> date | None:
    try:
        return date(int(text[:4]), int(text[4:6]), int(text[6:8]))
    except ValueError:
        return None
