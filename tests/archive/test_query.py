from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from archive_samples import Clock, incoming, tooth, uid
from hypothesis import given
from hypothesis import strategies as st

from archiver.archive import query as archive_query
from archiver.archive.query import CSV_HEADER, Query, Record, RecordOrder
from archiver.archive.store.archive import Archive
from archiver.archive.store.index import iso_date, iso_time
from archiver.dentition.sights import covered_teeth
from archiver.dentition.teeth import ALL_TEETH
from archiver.dentition.views import View
from archiver.objects.confirmation import name_key

# number -> meaning; the numbers are the instances' UIDs.
PICTURES: dict[int, dict[str, object]] = {
    1: {"teeth": ("25",), "view": "occlusal", "date": "20260304", "confirmed_by": "Haugen^Liv"},
    2: {"teeth": ("25",), "view": "buccal", "date": "20260304"},
    3: {"view": "upper occlusal arch", "date": "20250301"},
    4: {"teeth": ("24", "25", "26"), "view": "occlusal", "date": "20240110"},
    5: {"view": "left buccal", "date": "20260304"},
    6: {"view": "lower occlusal arch", "date": "20260304"},
    7: {"teeth": ("25",), "modality": "IO", "date": "20230505"},
    8: {"teeth": ("11", "21"), "view": "labial", "patient": "P-9", "name": "Ødegård^Åse"},
    9: {"teeth": ("55",), "view": "occlusal", "patient": "P-9", "name": "Ødegård^Åse"},
    10: {
        "teeth": ("46",),
        "view": "lingual",
        "patient": "P-10",
        "name": "Yamada^Tarou=山田^太郎=やまだ^たろう",
        "study": 7,
    },
}


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Archive]:
    with Archive.open(tmp_path_factory.mktemp("a") / "archive", clock=Clock()) as opened:
        opened.put([incoming(n, **meaning) for n, meaning in PICTURES.items()])
        yield opened


def found(archive: Archive, **asked: object) -> list[int]:
    query = Query(**asked)  # type: ignore[arg-type]
    return [int(r.sop_instance_uid.rpartition(".")[2]) for r in archive.query(query)]


def test_a_tooth_is_found_by_name_first_and_then_in_the_views_that_contain_it(
    archive: Archive,
) -> None:
    assert found(archive, teeth=(tooth("25"),)) == [1, 2, 4, 7, 5, 3]
    records = archive.query(Query(teeth=(tooth("25"),)))
    assert [r.tooth_found for r in records] == ["named"] * 4 + ["covered"] * 2


def test_a_tooth_and_a_surface_are_found_in_the_arch_seen_from_that_side(archive: Archive) -> None:
    assert found(archive, teeth=(tooth("25"),), view="occlusal") == [1, 4, 3]
    assert found(archive, teeth=(tooth("25"),), view="buccal") == [2, 5]
    assert found(archive, teeth=(tooth("36"),), view="occlusal") == [6]
    assert found(archive, teeth=(tooth("36"),), view="facial") == [5]
    assert found(archive, teeth=(tooth("25"),), view="upper occlusal arch") == [3]


def test_a_deciduous_tooth_is_found_in_the_arch_too(archive: Archive) -> None:
    assert found(archive, teeth=(tooth("55"),), view="occlusal") == [9, 3]


def test_any_of_several_teeth_is_found_once(archive: Archive) -> None:
    asked = tuple(tooth(iso) for iso in ("24", "25", "26"))
    assert found(archive, teeth=asked) == [1, 2, 4, 7, 5, 3]
    assert found(archive, teeth=asked, limit=3) == [1, 2, 4]
    assert found(archive, teeth=asked, named_first=False, order=RecordOrder.OLDEST)[:3] == [7, 4, 3]


@pytest.mark.parametrize("one", ALL_TEETH, ids=str)
def test_every_tooth_of_an_arch_is_found_through_its_view_and_no_other(
    archive: Archive, one: object
) -> None:
    through = found(archive, teeth=(one,), view="upper occlusal arch")
    assert through == ([3] if one in covered_teeth(View.UPPER_OCCLUSAL_ARCH) else [])


def test_the_teeth_of_one_patient_are_found_alike(archive: Archive) -> None:
    for limit in (None, 1, 3):
        for order in RecordOrder:
            asked = {"teeth": (tooth("25"),), "limit": limit, "order": order}
            assert found(archive, patient_id="P-0417", **asked) == found(archive, **asked)
    assert found(archive, patient_id="P-9", teeth=(tooth("25"),)) == []


@pytest.mark.parametrize(
    ("name", "numbers"),
    [
        ("ødegård^åse", [8, 9]),
        ("ØDEGÅRD*", [8, 9]),
        ("*åse", [8, 9]),
        ("Ødeg?rd^*", [8, 9]),
        ("Ødegård", []),
        ("yamada^tarou", [10]),
        ("山田^太郎", [10]),
        ("やまだ*", [10]),
        ("okafor^nadia^^^", [1, 2, 5, 6, 3, 4, 7]),
        ("%", []),
        ("_kafor^nadia", []),
        ("", []),
    ],
)
def test_names_are_found_with_wildcards_and_without_regard_to_case(
    archive: Archive, name: str, numbers: list[int]
) -> None:
    assert found(archive, name=name) == numbers


@pytest.mark.parametrize(
    ("parts", "numbers"),
    [
        (("åse", "ØDEG"), [8, 9]),
        (("degår",), [8, 9]),
        (("nadia", "oka"), [1, 2, 5, 6, 3, 4, 7]),
        (("nadia", "ødeg"), []),
        (("%",), []),
        (("_",), []),
        (("*",), []),
    ],
)
def test_parts_of_a_name_are_found_in_any_order_and_case(
    archive: Archive, parts: tuple[str, ...], numbers: list[int]
) -> None:
    assert found(archive, who=parts) == numbers


def test_a_part_of_the_identifier_is_found_beside_one_of_the_name(archive: Archive) -> None:
    record = archive.query(Query(name="okafor^nadia"))[0]
    part = record.patient_id[1:].lower()
    assert found(archive, who=("NADIA", part)) == found(archive, patient_id=record.patient_id)


def test_first_and_last_day_are_included_and_may_be_dates_or_text(archive: Archive) -> None:
    assert found(archive, since="20240110", until="2025-03-01") == [3, 4]
    assert found(archive, since=date(2026, 3, 5)) == []
    tooth_25 = (tooth("25"),)
    assert found(archive, teeth=tooth_25, since=date(2025, 3, 1), until="2025-03-01") == [3]
    assert found(archive, teeth=tooth_25, until=date(2024, 1, 10), patient_id="P-0417") == [4, 7]


def test_every_other_key_must_match(archive: Archive) -> None:
    assert found(archive, confirmed=True) == [1]
    assert found(archive, modality="IO") == [7]
    assert found(archive, confirmed=False, teeth=(tooth("25"),)) == [2, 4, 5, 3]
    assert found(archive, surface="palatal") == [10] == found(archive, surface="lingual")
    assert found(archive, study_uid=incoming(10, study=7).description.study_uid) == [10]
    assert found(archive, issuer="ELSEWHERE") == []
    assert found(archive, role="derived") == []
    assert found(archive, patient_id="p-0417") == []
    assert found(archive, mirror="direct", view="left buccal") == [5]
    assert found(archive, limit=0) == []


def test_records_are_yielded_one_by_one_and_are_those_of_the_list(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = Query(order=RecordOrder.ADDED, include_rejected=True)
    every = archive.query(asked)
    made: list[tuple[object, ...]] = []

    def counted(row: tuple[object, ...], root: str) -> Record:
        made.append(row)
        return one_record(row, root)

    one_record = archive_query._record
    monkeypatch.setattr(archive_query, "_record", counted)
    found = archive.query_each(asked)
    assert next(found) == every[0] and len(made) == 1
    assert [every[0], *found] == every and len(every) > 5


def test_a_record_as_json_has_what_readers_rely_on(archive: Archive) -> None:
    record = archive.query(Query(view="occlusal", patient_id="P-0417"))[0]
    told = json.loads(json.dumps(record.to_json()))
    wanted = {
        "patient_id": "P-0417",
        "study_date": "2026-03-04",
        "study_time": "14:20:00",
        "modality": "XC",
        "sop_instance_uid": uid(1),
        "teeth": ["25"],
        "view": "occlusal",
        "surface": "occlusal",
        "mirror": "direct",
        "confirmed": True,
        "role": "original",
        "arch": "upper",
    }
    assert {key: told[key] for key in wanted} == wanted
    assert Path(told["path"]).read_bytes()[128:132] == b"DICM"


def test_a_record_as_csv_reads_back(archive: Archive) -> None:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(CSV_HEADER)
    writer.writerows(record.csv_row() for record in archive.query(Query(order=RecordOrder.ADDED)))
    rows = list(csv.DictReader(io.StringIO(out.getvalue())))
    assert len(rows) == len(PICTURES)
    assert rows[3]["teeth"] == "24 25 26" and rows[0]["confirmed"] == "yes"
    assert rows[6]["confirmed"] == "" and rows[7]["patient_name"] == "Ødegård^Åse"


@given(st.dates(min_value=date(1900, 1, 1)))
def test_both_ways_to_write_a_date_are_one(day: date) -> None:
    # PS3.5 6.2: DA is YYYYMMDD, and YYYY.MM.DD in objects of ACR-NEMA times.
    assert {iso_date(day.strftime(way)) for way in ("%Y%m%d", "%Y-%m-%d", "%Y.%m.%d")} == {
        day.isoformat()
    }


@pytest.mark.parametrize(
    ("tm", "iso"),
    # PS3.5 6.2: TM may leave out seconds and minutes.
    [
        ("142000", "14:20:00"),
        ("1420", "14:20:00"),
        ("14", "14:00:00"),
        ("142000.123456", "14:20:00.123456"),
        ("14:20:00", "14:20:00"),
        ("noon", "noon"),
        ("", ""),
    ],
)
def test_a_time_is_kept_as_iso(tm: str, iso: str) -> None:
    assert iso_time(tm) == iso


@given(st.text())
def test_a_name_is_compared_alike_however_often_it_is_folded(name: str) -> None:
    once = name_key(name)
    assert name_key(once) == once or name_key(name_key(once)) == name_key(once)


@pytest.mark.parametrize("typed", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "  =1", "\r=1"])
def test_no_text_of_a_record_is_a_formula_to_a_spreadsheet(archive: Archive, typed: str) -> None:
    (record, *_) = archive.query(Query(order=RecordOrder.ADDED))
    row = replace(record, patient_name=typed, patient_id=typed).csv_row()
    assert row.count(f"'{typed}") == 2 and typed not in row
