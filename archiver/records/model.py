"""What an audit knows of an instance, and what it has to say.

Everything here is plain values: the checks are functions from these to these.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from archiver.errors import Problem
from archiver.wording import Text, Words

#: A photograph's modality (PS3.3 C.7.3.1.1.1: External-camera Photography).
PHOTOGRAPH = "XC"
#: What is said of something: a text of the catalogue, a problem, or what an input itself says.
Said = Text | Problem | str


@dataclass(frozen=True, slots=True)
class RecordPerson:
    """A patient as one or more objects tell of them.

    Parameters
    ----------
    patient_id, issuer, name
        As stored.
    birth_date
        ISO 8601, empty where the object does not say.
    sex
        ``F``, ``M``, ``O`` or empty.
    """

    patient_id: str
    issuer: str
    name: str
    birth_date: str
    sex: str

    @property
    def key(self) -> tuple[str, str]:
        """What tells patients apart: identifier and issuer."""
        return self.patient_id, self.issuer

    @property
    def label(self) -> str:
        """How a report calls the patient."""
        shown = self.patient_id or str(Text("records.model.no_identifier"))
        return f"{shown} ({self.issuer})" if self.issuer else shown


@dataclass(frozen=True, slots=True)
class Instance:
    """One instance as the index has it.

    Parameters
    ----------
    date, time
        Of the study, ISO 8601.
    acquired
        As DICOM's DT, empty where the object does not say.
    teeth
        ISO 3950 designations named by the object.
    path
        Relative to the archive or as the folder gave it, with forward slashes.
    digest, source
        SHA-256 of the file, and of the camera file that it was made from (empty if unknown).
    seq
        Line of the journal; 0 where there is none.
    added
        Time of that line.
    who
        Who put it in, by the journal.
    rejected
        Why a note withdrew it; empty for a valid instance.
    predecessor
        SOP Instance UID of the instance in whose place it came; empty where it says of none.
    """

    uid: str
    series: str
    study: str
    sop_class: str
    person: RecordPerson
    modality: str
    date: str
    time: str
    acquired: str
    description: str
    teeth: tuple[str, ...]
    view: str
    surface: str
    mirror: str
    confirmed: bool | None
    role: str
    laterality: str
    rows: int | None
    columns: int | None
    path: str
    size: int
    digest: str
    source: str
    seq: int
    added: str
    who: str = ""
    rejected: str = ""
    predecessor: str = ""

    @property
    def is_photograph(self) -> bool:
        """True for a visible-light photograph."""
        return self.modality == PHOTOGRAPH


@dataclass(frozen=True, slots=True)
class ValidatorFinding:
    """A finding of the validator, without its file."""

    severity: str
    rule: str
    attribute: str
    found: Text | str
    expected: Text | str
    clause: str


@dataclass(frozen=True, slots=True)
class Look:
    """What the pixels themselves tell.

    Parameters
    ----------
    hashes
        Perceptual hashes (16 hexadecimal digits) of the picture in its eight positions, the
        stored one first; empty where the picture is too even to be told from others.
    figures
        Figures of quality by name; empty where none were asked for.
    small
        The picture, small and grey; see `archiver.records.checks.twins`.
    """

    hashes: tuple[str, ...] = ()
    figures: Mapping[str, float] = field(default_factory=dict)
    small: str = ""


@dataclass(frozen=True, slots=True)
class ObjectFacts:
    """What an audit took from the object's file itself.

    Parameters
    ----------
    digest, size
        Of the file as it was found.
    stage, frame, consent, operator, confirmed_by, functional_state, magnification, seen_from
        Words of the object; empty where it does not say.
    sources
        SOP Instance UIDs that it is derived from.
    orientation
        Patient Orientation such as ``L\\P``; empty where there is none.
    pixels
        SHA-256 of the pixel data; empty where there are none.
    validator_findings
        What the validator said.
    look
        None where the picture was not decoded.
    row
        Digest of what the index should say of it.
    certainty
        How a side is confirmed, as `archiver.objects.Description` tells it.
    title, rejects
        Of a note that rejects: code of its title, and the instances that it names.
    is_evidenced
        Whether its evidence lists all of them as of its own study.
    """

    digest: str
    size: int
    stage: str = ""
    frame: str = ""
    consent: str = ""
    operator: str = ""
    confirmed_by: str = ""
    sources: tuple[str, ...] = ()
    orientation: str = ""
    pixels: str = ""
    validator_findings: tuple[ValidatorFinding, ...] = ()
    look: Look | None = None
    row: str = ""
    certainty: str = ""
    title: str = ""
    rejects: tuple[str, ...] = ()
    is_evidenced: bool = False
    functional_state: str = ""
    magnification: str = ""
    seen_from: str = ""


@dataclass(frozen=True, slots=True)
class Concern:
    """One thing that an audit has to say.

    Parameters
    ----------
    kind
        Name of a row of ``kinds.toml``, which has severity, title, and what to do.
    found, expected
        As in a finding of the validator; a problem says both.
    patient
        Label of the patient; empty where none is meant.
    date
        Of the visit, ISO 8601.
    teeth, view
        What the picture shows or ought to show.
    uids
        SOP Instance UIDs that are meant.
    path
        A file or a line.
    rule
        Requirement of a rule set, or rule of the validator.
    source
        Where the rule comes from: publication or clause.
    who
        Who put the picture in, or confirmed it.
    """

    kind: str
    found: Said
    expected: Text | str = ""
    patient: str = ""
    date: str = ""
    teeth: tuple[str, ...] = ()
    view: str = ""
    uids: tuple[str, ...] = ()
    path: str = ""
    rule: str = ""
    source: str = ""
    who: str = ""

    def found_in(self, words: Words) -> str:
        """Return what was found in a language, on one line."""
        if isinstance(self.found, Problem):
            return " ".join(self.found.clause("found", words).split())
        return _in_words(self.found, words)

    def expected_in(self, words: Words) -> str:
        """Return what was expected in a language."""
        if isinstance(self.found, Problem) and not self.expected:
            return self.found.clause("expected", words)
        return _in_words(self.expected, words)


def _in_words(said: Text | str, words: Words) -> str:
    return said if isinstance(said, str) else said.in_words(words)


def concern_about(
    kind: str, one: Instance, found: Said, expected: Text | str = "", **more: str
) -> Concern:
    """Return a concern about one instance, with all that the instance says of its place."""
    return Concern(
        kind,
        found,
        expected,
        patient=one.person.label,
        date=one.date,
        teeth=one.teeth,
        view=one.view,
        uids=(one.uid,),
        path=one.path,
        who=one.who,
        **more,
    )
