"""Identifiers: the same for the same photograph, meaning and correction, and for nothing else."""

from __future__ import annotations

import dataclasses
import re
import uuid
from datetime import date, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from object_samples import PATIENT, VISIT, entry, exif_block, make, picture, session_of

from archiver.dentition.correction import Operator
from archiver.dentition.orientation import Direction
from archiver.objects import photograph
from archiver.objects.photograph import Identity
from archiver.objects.session import Circumstances, Crop, Patient, Photograph, Visit
from archiver.objects.uids import DerivedUids

BASE = entry()


def identity(
    one: Photograph = BASE,
    *,
    patient: Patient = PATIENT,
    visit: Visit = VISIT,
    digest: str = "ab" * 32,
    exif: int = 1,
    edges: str = "trim",
) -> Identity:
    session = session_of(one, patient=patient, visit=visit)
    return photograph.identify(session, one, one.plan(exif), digest, edges, DerivedUids())


def all_uids(found: Identity) -> list[str]:
    return [u for u in dataclasses.astuple(found) if u is not None]


def test_a_second_run_gives_the_same_identifiers() -> None:
    assert identity() == identity()
    first, second = make(entry()), make(entry())
    assert [i.sop_instance_uid for i in first.instances] == [
        i.sop_instance_uid for i in second.instances
    ]


def test_the_identifiers_of_one_photograph_are_five_different_ones() -> None:
    assert len(set(all_uids(identity()))) == 5


@pytest.mark.parametrize(
    "change",
    [
        {"one": entry(view="buccal")},
        {"one": entry(teeth="24")},
        {"one": entry(teeth="24,25")},
        {"one": entry(mirror=False)},
        {"one": entry(top=Direction.RIGHT)},
        {"one": entry(operator=Operator.BEHIND)},
        {"one": entry(confirmed_by="Haugen^Liv")},
        {"one": entry(comment="dry")},
        {"one": entry(circumstances=Circumstances(retraction="cheek retractor"))},
        {"one": entry(circumstances=Circumstances(consent="written"))},
        {"digest": "cd" * 32},
        {"exif": 6},
        {"patient": dataclasses.replace(PATIENT, id="P-0418")},
        {"patient": dataclasses.replace(PATIENT, issuer="HILLSIDE")},
        {"visit": dataclasses.replace(VISIT, date=date(2026, 3, 5))},
        {"visit": dataclasses.replace(VISIT, time=time(14, 21))},
        {"visit": dataclasses.replace(VISIT, accession="A-2292")},
        {"visit": dataclasses.replace(VISIT, study_uid="1.2.840.99999.1")},
        {"visit": dataclasses.replace(VISIT, clock_offset=timedelta(seconds=1))},
    ],
    ids=str,
)
def test_another_meaning_makes_another_instance(change: dict[str, object]) -> None:
    before, after = identity(), identity(**change)  # type: ignore[arg-type]

    assert before.as_shot != after.as_shot
    assert before.corrected != after.corrected


@pytest.mark.parametrize(
    "change",
    [
        {"one": entry(crop=Crop(0, 0, 9, 9))},
        {"edges": "lossless"},
    ],
    ids=str,
)
def test_another_correction_makes_another_corrected_instance_alone(
    change: dict[str, object],
) -> None:
    before, after = identity(), identity(**change)  # type: ignore[arg-type]

    assert before.as_shot == after.as_shot
    assert before.corrected != after.corrected


def test_two_crops_of_one_photograph_are_two_instances() -> None:
    one = identity(entry(crop=Crop(0, 0, 9, 9)))
    other = identity(entry(crop=Crop(0, 0, 9, 10)))

    assert one.corrected != other.corrected


@pytest.mark.parametrize(
    "change",
    [
        {"one": dataclasses.replace(BASE, line=77)},
        {"patient": dataclasses.replace(PATIENT, name="Okafor^Nadia^Ada")},
        {"patient": dataclasses.replace(PATIENT, birth_date=None)},
        {"visit": dataclasses.replace(VISIT, description="Recall")},
    ],
    ids=str,
)
def test_what_is_no_meaning_changes_no_identifier(change: dict[str, object]) -> None:
    assert identity(**change) == identity()  # type: ignore[arg-type]


def test_the_name_of_the_file_is_no_identity() -> None:
    moved = dataclasses.replace(BASE, file=BASE.file.with_name("other.jpg"))

    assert identity(moved) == identity()


def test_all_of_a_visit_shares_study_and_series() -> None:
    one, other = identity(), identity(entry(teeth="46"), digest="cd" * 32)

    assert one.study == other.study
    assert (one.as_shot_series, one.corrected_series) == (
        other.as_shot_series,
        other.corrected_series,
    )


def test_the_study_of_an_existing_object_is_joined() -> None:
    visit = dataclasses.replace(VISIT, study_uid="1.2.840.99999.1")

    assert identity(visit=visit).study == "1.2.840.99999.1"


def test_a_file_that_differs_in_metadata_alone_is_another_source() -> None:
    one = make(entry(), picture(exif=exif_block(1)))
    other = make(entry(), picture(exif=exif_block(1, when="2026:03:04 14:21:08")))

    assert one.as_shot.sop_instance_uid != other.as_shot.sop_instance_uid


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)


@given(st.sampled_from(["study", "series", "instance"]), st.dictionaries(st.text(), _JSON))
def test_every_identifier_has_the_form_of_ps3_5(kind: str, said: dict[str, object]) -> None:
    uid = DerivedUids().uid(kind, said)

    # PS3.5 9.1: at most 64 characters, no component with a leading zero; B.2: 2.25 and a UUID.
    assert len(uid) <= 64
    assert re.fullmatch(r"2\.25\.(0|[1-9][0-9]*)", uid)
    number = uuid.UUID(int=int(uid.removeprefix("2.25.")))
    assert (number.version, number.variant) == (5, uuid.RFC_4122)


@given(st.dictionaries(st.text(), _JSON, min_size=2))
def test_the_order_of_what_is_said_does_not_count(said: dict[str, object]) -> None:
    turned = dict(reversed(list(said.items())))

    assert DerivedUids().uid("study", said) == DerivedUids().uid("study", turned)
    assert DerivedUids().uid("study", said) != DerivedUids().uid("series", said)
