"""The worklist of a table as practices keep it, asked by DCMTK's findscu (PS3.4 K.6.1.2.2)."""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import date, time
from pathlib import Path

import httpx
import pytest
from openpyxl import Workbook
from pydicom import Dataset, dcmread

from archiver.errors import UsageError
from archiver.network.node.node import Node
from archiver.network.node.query.visit_table import read_visits
from tests.network.node_serving import TITLE, logged, run, serving

HEAD = "patient_id,name,birth_date,sex,accession,date,time,station,modality,physician,description\n"
ROWS = """\
P-0417,Okafor^Nadia,1988-02-17,F,A-2291,2026-03-04,14:20,CAMERA1,XC,Brânză^Ilinca,Recall
P-0502,Ødegård^Liv,,,,2026-03-04,,,IO,,Whitening
P-0555,Müller^Jörg,,M,A-2293,2026-03-05,09:00,CAMERA2,XC,Haugen^Liv,
"""
STEP = "ScheduledProcedureStepSequence[0]."
EVERYBODY = ["P-0417", "P-0502", "P-0555"]


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    folder = tmp_path_factory.mktemp("worklist")
    (folder / "visits.csv").write_text(HEAD + ROWS, "utf-8")
    with serving(folder / "archive", worklist=folder / "visits.csv") as one:
        yield one


def ask(node: Node, folder: Path, *keys: str) -> list[Dataset]:
    """Ask with findscu for what a camera returns, and some keys; return the answers."""
    folder.mkdir(exist_ok=True)
    words: list[object] = ["findscu", "-W", "-aec", TITLE, "-X", "-od", folder]
    wanted = ["PatientID", "PatientName", "AccessionNumber", f"{STEP}ScheduledProcedureStepID"]
    for key in [*wanted, *keys]:
        words += ["-k", key]
    told = run(*words, "127.0.0.1", node.dimse.port)
    assert "error" not in told.stdout.lower(), told.stdout
    return [dcmread(path, force=True) for path in sorted(folder.glob("rsp*.dcm"))]


@pytest.mark.parametrize(
    ("keys", "patients"),
    [
        ((), EVERYBODY),
        # Required matching keys of PS3.4 K.6.1.2.2, each with its kinds of matching.
        ((f"{STEP}ScheduledStationAETitle=CAMERA1",), ["P-0417"]),
        ((f"{STEP}ScheduledStationAETitle=CAMERA?",), []),
        ((f"{STEP}ScheduledProcedureStepStartDate=20260304",), ["P-0417", "P-0502"]),
        ((f"{STEP}ScheduledProcedureStepStartDate=20260305-",), ["P-0555"]),
        ((f"{STEP}ScheduledProcedureStepStartDate=20260304-20260305",), EVERYBODY),
        ((f"{STEP}ScheduledProcedureStepStartTime=1420",), ["P-0417"]),
        ((f"{STEP}ScheduledProcedureStepStartTime=0800-1200",), ["P-0555"]),
        ((f"{STEP}Modality=XC",), ["P-0417", "P-0555"]),
        ((f"{STEP}Modality=X*",), []),
        ((f"{STEP}ScheduledPerformingPhysicianName=Haugen^Liv",), ["P-0555"]),
        ((f"{STEP}ScheduledPerformingPhysicianName=h*",), ["P-0555"]),
        (("PatientName=okafor^nadia",), ["P-0417"]),
        (("PatientName=Okafor*",), ["P-0417"]),
        (("PatientID=P-0417",), ["P-0417"]),
        (("PatientID=P-0*",), []),
        # What the second row has no value of answers no key.
        (("AccessionNumber=A-2291",), ["P-0417"]),
        (("AccessionNumber=A-9999",), []),
        (("PatientBirthDate=19880217",), ["P-0417"]),
        (("PatientSex=F",), ["P-0417"]),
        (("StudyInstanceUID=1.2.3",), []),
    ],
)  # fmt: skip
def test_a_key_finds_the_visits_that_have_its_value_and_no_others(
    node: Node, tmp_path: Path, keys: tuple[str, ...], patients: list[str]
) -> None:
    assert sorted(one.PatientID for one in ask(node, tmp_path, *keys)) == patients


def test_a_bad_row_costs_that_row_and_is_told_in_log_and_health_without_its_values(
    tmp_path: Path,
) -> None:
    table = tmp_path / "visits.csv"
    table.write_text(HEAD + ROWS, "utf-8")
    with serving(tmp_path / "archive", worklist=table) as node:
        assert node.web is not None
        url = f"http://127.0.0.1:{node.web.port}/health"
        assert httpx.get(url).json()["checks"]["worklist"] == {
            "status": "ok",
            "visits": 3,
            "refused": [],
        }
        bad = "P-0666,Sato^Emi,31.02.1990,F,A-1,2026-03-04,25:00,CAMERA1,XC,,\n"
        worse = "P-0777,Sato^Emi,,,,,,,,,\nP-0888,Sato^Emi,,,A-12345678901234567,2026-03-04,,,,,\n"
        table.write_text(HEAD + bad + worse + ROWS, "utf-8")
        assert len(ask(node, tmp_path / "a")) == 3
        health = httpx.get(url).json()
        refused = "\n".join(health["checks"]["worklist"]["refused"])
        assert health["status"] == "degraded" and health["checks"]["worklist"]["visits"] == 3
        for told in (
            "visits.csv, line 2: birth_date is no date",
            "visits.csv, line 2: time is no time",
            "visits.csv, line 3: date is missing",
            "visits.csv, line 4: accession cannot be in a worklist",
        ):
            assert told in refused, refused
        (line,) = [one for one in logged(node) if one["event"] == "worklist"]
        assert line["visits"] == 3 and line["refused"] == health["checks"]["worklist"]["refused"]
        assert not any(quoted in str(line) for quoted in ("Sato", "P-0666", "1990", "25:00"))
        # A file that is gone, or no table, leaves what was known.
        table.write_bytes(b"\0\1\2")
        assert len(ask(node, tmp_path / "b")) == 3
        table.unlink()
        assert len(ask(node, tmp_path / "c")) == 3
        assert "cannot be read" in str(httpx.get(url).json()["checks"]["worklist"]["refused"])
        table.write_text(HEAD + ROWS, "utf-8")
        assert httpx.get(url).json()["status"] == "ok"


def _xlsx() -> bytes:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(HEAD.strip().split(","))
    row = ["P-0417", "Okafor^Nadia", date(1988, 2, 17), "F", 2291, date(2026, 3, 4), time(14, 20)]
    sheet.append([*row, "CAMERA1", "XC", "Brânză^Ilinca", "Recall"])
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


TEXT = (
    HEAD + "P-0417,Okafor^Nadia,1988-02-17,F,2291,2026-03-04,14:20,CAMERA1,XC,Brenz^Jürg,Recall\n"
)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("visits.csv", TEXT.encode()),
        ("visits.csv", TEXT.encode("utf-8-sig")),
        ("visits.csv", TEXT.encode("cp1252")),
        ("visits.csv", TEXT.replace(",", ";").encode("cp1252").replace(b"\n", b"\r\n")),
        ("visits.csv", TEXT.replace(",", ";").replace("2026-03-04", "04.03.2026").encode()),
        ("visits.csv", TEXT.replace("14:20", "1420").replace("2026-03-04", "20260304").encode()),
        ("visits.txt", TEXT.replace(",", "\t").encode("utf-16")),
        ("visits.xlsx", _xlsx()),
    ],
)
def test_a_table_is_read_as_spreadsheets_save_it(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    table = read_visits(tmp_path / name)
    (visit,) = table.visits
    assert table.refused == ()
    assert (visit.patient_id, visit.birth_date, visit.date) == (
        "P-0417",
        "1988-02-17",
        "2026-03-04",
    )
    assert (visit.time, visit.accession) == ("14:20", "2291")
    assert visit.physician in ("Brenz^Jürg", "Brânză^Ilinca")


@pytest.mark.parametrize(
    ("written", "order", "read"),
    [
        ("3/4/2026", "", None),
        ("3/4/2026", "day", "2026-04-03"),
        ("3/4/2026", "month", "2026-03-04"),
        ("04.03.2026", "", "2026-03-04"),
        ("04.03.26", "", None),
        ("2026-02-30", "", None),
        ("tomorrow", "", None),
        ("46085", "", "2026-03-04"),
    ],
)
def test_a_date_is_read_by_the_stated_order_or_refused(
    tmp_path: Path, written: str, order: str, read: str | None
) -> None:
    path = tmp_path / "visits.csv"
    path.write_text(f"patient_id;name;date\nP-1;A^B;{written}\n")
    table = read_visits(path, order)
    assert [one.date for one in table.visits] == ([read] if read else [])
    assert bool(table.refused) is (read is None)


def test_a_table_without_a_needed_column_is_refused_when_the_node_starts(tmp_path: Path) -> None:
    path = tmp_path / "visits.csv"
    path.write_text("patient_id;date\nP-1;2026-03-04\n")
    with (
        pytest.raises(UsageError, match="name is missing"),
        serving(tmp_path / "archive", worklist=path),
    ):
        pass
