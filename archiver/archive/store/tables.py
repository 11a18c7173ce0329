"""The tables of the index.

Dates are ISO 8601 text (``2026-03-04``), so that they sort as they should in any database.
A patient has a row for each spelling of the name that came in, because the index repeats what
the objects say and does not decide which spelling is right.

The indices are chosen for three questions. Of a patient: `patient`, then date. Of a tooth and a
view: one index of ``instance_teeth`` covers tooth, view, whether the instance is rejected, kind,
date and the instance, so that only the rows that are answered are fetched. Of a study, a day or
a source: one each. Of a tooth of one patient: the patient's instances, and for each the primary
key of ``instance_teeth``.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    UniqueConstraint,
)

#: Raised when a table changes; an index of another version is made again from the objects.
SCHEMA = 4

NAMED = 0
COVERED = 1

metadata = MetaData()

applied = Table(
    "applied",
    metadata,
    Column("only", Integer, primary_key=True, autoincrement=False),
    Column("schema", Integer, nullable=False),
    Column("seq", Integer, nullable=False),
    Column("hash", String(64), nullable=False),
    Column("offset", Integer, nullable=False),
)

patients = Table(
    "patients",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("patient_id", String, nullable=False),
    Column("issuer", String, nullable=False),
    Column("name", String, nullable=False),
    Column("name_key", String, nullable=False),
    UniqueConstraint("patient_id", "issuer", "name"),
)

instances = Table(
    "instances",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("sop_instance_uid", String(64), nullable=False, unique=True),
    Column("sop_class_uid", String(64), nullable=False),
    Column("series_uid", String(64), nullable=False),
    Column("study_uid", String(64), nullable=False),
    Column("patient", ForeignKey("patients.number"), nullable=False),
    Column("modality", String, nullable=False),
    Column("study_date", String(10), nullable=False),
    Column("study_time", String(15), nullable=False),
    Column("acquired", String(40)),
    Column("accession", String, nullable=False),
    Column("study_description", String, nullable=False),
    Column("series_description", String, nullable=False),
    Column("teeth", String, nullable=False),
    Column("view", String),
    Column("surface", String),
    Column("mirror", String(11)),
    Column("confirmed", Boolean),
    Column("role", String(8)),
    Column("laterality", String(2)),
    Column("arch", String(5)),
    Column("rows", Integer),
    Column("columns", Integer),
    Column("birth_date", String(10), nullable=False),
    Column("sex", String, nullable=False),
    Column("study_id", String, nullable=False),
    Column("referring", String, nullable=False),
    Column("series_number", Integer),
    Column("instance_number", Integer),
    Column("frames", Integer),
    Column("bits", Integer),
    Column("transfer_syntax", String(64), nullable=False),
    Column("path", String, nullable=False),
    Column("size", Integer, nullable=False),
    Column("digest", String(64), nullable=False),
    Column("source_digest", String(64)),
    Column("journal_seq", Integer, nullable=False),
    Column("added", String(40), nullable=False),
    # Meaning of the code by which the first heeded note that names it rejects it; follows from
    # `rejections` and `heeded`, and stands here because nearly every question asks for it.
    Column("rejected", String),
    # The instance in whose place it came.
    Column("predecessor", String(64)),
    Index("instances_of_patient", "patient", "study_date", "study_time"),
    Index("instances_of_study", "study_uid", "series_uid"),
    Index("instances_of_day", "study_date", "modality"),
    Index("instances_of_source", "source_digest"),
    Index("instances_of_view", "view", "study_date"),
    Index("instances_as_added", "journal_seq"),
    Index("instances_in_place_of", "predecessor"),
)

instance_teeth = Table(
    "instance_teeth",
    metadata,
    Column("instance", ForeignKey("instances.number"), primary_key=True),
    Column("tooth", String(3), primary_key=True),
    Column("kind", Integer, nullable=False),
    Column("view", String),
    Column("study_at", String(26), nullable=False),
    Column("rejected", Boolean, nullable=False, default=False),
    Index("teeth_asked", "tooth", "view", "rejected", "kind", "study_at", "instance"),
    sqlite_with_rowid=False,
)

#: Digests of all that is shown of photographs, so that the code under a picture is found quickly,
#: and how the side is confirmed. It only points: who confirms is held to what the objects say.
#: Older indexes lack it.
shown = Table(
    "shown",
    metadata,
    Column("instance", ForeignKey("instances.number"), primary_key=True),
    Column("digest", String(64), nullable=False),  # empty where it has none
    Column("certainty", String(13), nullable=False),
)

#: Instances of which the journal says that they are heeded as statements; what is no rejection note
#: among them means nothing. Older indexes lack it: the writer that opens them makes it.
heeded = Table(
    "heeded",
    metadata,
    Column("sop_instance_uid", String(64), primary_key=True),
    sqlite_with_rowid=False,
)
#: Whom instances name under an identifier, and of whom those of a study are; rejected ones, too.
#: Notes about other instances count for neither. Older indexes lack both until they grow.
people = Table(
    "people",
    metadata,
    Column("patient", ForeignKey("patients.number"), primary_key=True),
    Column("birth_date", String(10), primary_key=True),
    Column("sex", String, primary_key=True),
    sqlite_with_rowid=False,
)
study_patients = Table(
    "study_patients",
    metadata,
    Column("study_uid", String(64), primary_key=True),
    Column("patient", ForeignKey("patients.number"), primary_key=True),
    sqlite_with_rowid=False,
)
#: Tables that an index of version 4 may lack, since a version before had none of them.
LATER = (shown, people, study_patients, heeded)

#: What the rejection notes among the instances name, be it in the archive or not (yet).
rejections = Table(
    "rejections",
    metadata,
    Column("sop_instance_uid", String(64), primary_key=True),
    Column("note", ForeignKey("instances.number"), primary_key=True),
    Column("code", String(16), nullable=False),
    Column("meaning", String, nullable=False),
    Column("journal_seq", Integer, nullable=False),
    sqlite_with_rowid=False,
)
