"""What software may do, and of which patients and studies."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement

#: What software may be allowed, in the words of the roles.
RIGHTS = ("store", "ask", "fetch", "operate")
#: Between Patient ID and its issuer, as in HL7 version 2.5.1, 2.A.14 (CX).
_ISSUED = "^^^"


@dataclass(frozen=True)
class Scope:
    """Patients and studies; all of them where neither is named, else what either names.

    Parameters
    ----------
    patients
        Patient IDs, whoever issued them, or ``ID^^^ISSUER``.
    studies
        Study Instance UIDs.
    """

    patients: tuple[str, ...] = ()
    studies: tuple[str, ...] = ()

    def covers(self, patient_id: str, issuer: str, study_uid: str) -> bool:
        """Return whether a study of a patient belongs to it."""
        if not (self.patients or self.studies):
            return True
        named = (patient_id, f"{patient_id}{_ISSUED}{issuer}")
        return study_uid in self.studies or any(one in self.patients for one in named)

    def conditions(self) -> Iterable[ColumnElement[bool]]:
        """Yield what the index is asked for, of instances joined with their patients."""
        from sqlalchemy import or_  # it takes long to load

        from archiver.archive.store import tables as t

        if self.patients or self.studies:
            p, known = t.patients.c, t.instances.c.study_uid.in_(self.studies)
            named = p.patient_id.in_(self.patients)
            issued: Any = (p.patient_id + _ISSUED + p.issuer).in_(self.patients)
            yield or_(known, named, issued)


#: Of all patients and studies.
EVERYTHING = Scope()


@dataclass(frozen=True)
class Rights:
    """What somebody may do, in the words of the roles, and of which patients and studies."""

    may: frozenset[str]
    scope: Scope = EVERYTHING


def rights_of(said: object) -> Rights | None:
    """Return rights as settings say them, None where they cannot be understood.

    Parameters
    ----------
    said
        What is allowed as a list, or a table of ``may``, ``patients`` and ``studies``. A list of
        patients or studies that is empty is none: it would have to mean all of them.
    """
    table = said if isinstance(said, dict) else {"may": said}
    lists = {"may": list(RIGHTS), **table}
    may, bounds = lists.pop("may"), lists.keys() <= {"patients", "studies"}
    if not (bounds and _is_texts(may) and set(may) <= set(RIGHTS)):
        return None
    if not all(_is_texts(one) and one for one in lists.values()):
        return None
    return Rights(frozenset(may), Scope(**{name: tuple(one) for name, one in lists.items()}))


def _is_texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, str) for one in value)
