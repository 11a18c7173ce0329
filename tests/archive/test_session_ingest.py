"""What becomes of each photograph of a session that is taken into an archive."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from amending_samples import LIV, NADIA, NOW, VISIT, camera_file, entry
from PIL import Image
from pydicom import dcmread

from archiver.archive.index_rebuild import rebuild
from archiver.archive.ingest import session_ingest
from archiver.archive.ingest.memory_budget import need
from archiver.archive.ingest.session_ingest import IngestSettings, take_in
from archiver.archive.ingest.wrapped_photograph import WrappedPhotograph
from archiver.archive.query import Query
from archiver.archive.store import Outcome
from archiver.archive.store.archive import Archive
from archiver.errors import InputError
from archiver.objects.session import Patient, Photograph, Session, Visit
from archiver.photo import read_camera_file
from archiver.vision import QualityLimits
from tests.benchmarks.bench_quality import fogged
from tests.benchmarks.real_photographs import TEN
from tests.cli.sessions import picture

SETTINGS = IngestSettings(now=lambda: NOW)
LOOKING = IngestSettings(now=lambda: NOW, quality=QualityLimits())


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.open(tmp_path / "archive", clock=lambda: NOW) as opened:
        yield opened


def taken(
    archive: Archive,
    *photographs: Photograph,
    patient: Patient = NADIA,
    visit: Visit = VISIT,
    settings: IngestSettings = SETTINGS,
) -> list[WrappedPhotograph]:
    session = Session(patient, visit, photographs, photographs[0].file)
    return list(take_in(session, archive, settings))


def at(folder: Path, moment: datetime) -> Path:
    """A camera file with a time of capture."""
    folder.mkdir(exist_ok=True)
    shot = picture(1)
    marks = shot.getexif()
    marks[306] = marks.get_ifd(0x8769)[36867] = f"{moment:%Y:%m:%d %H:%M:%S}"
    shot.save(folder / "IMG.JPG", "JPEG", exif=marks)
    return folder / "IMG.JPG"


def codes(one: WrappedPhotograph) -> set[str]:
    return {problem.code.rpartition(".")[2] for problem in one.warnings}


def test_a_photograph_without_enough_memory_is_refused_and_the_others_go_on(
    tmp_path: Path, archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = [camera_file(tmp_path / "card", seed) for seed in (1, 2)]
    original = session_ingest.encode_both

    def encode(photo: Any, *rest: Any, **more: Any) -> Any:
        if photo.name == files[0].name:
            raise MemoryError
        return original(photo, *rest, **more)

    monkeypatch.setattr(session_ingest, "encode_both", encode)
    first, second = taken(archive, entry(files[0]), entry(files[1]))
    assert (first.status, second.status) == (Outcome.REFUSED, Outcome.NEW)
    assert first.instances == () and len(second.instances) == 2
    (problem,) = first.problems
    assert problem.code.endswith("too_little_memory") and problem.place.file == files[0].name


@pytest.mark.parametrize(
    ("days", "told"), [(-2, True), (-1, False), (0, False), (1, False), (2, True)]
)
def test_a_clock_that_is_days_from_the_visit_is_told(
    tmp_path: Path, archive: Archive, days: int, told: bool
) -> None:
    file = at(tmp_path / "card", datetime(2026, 3, 4, 23, 30) + timedelta(days=days))
    (one,) = taken(archive, entry(file))
    assert ("clock_far_off" in codes(one)) is told and "no_time" not in codes(one)
    if told:
        (warning,) = (p for p in one.warnings if p.code.endswith("clock_far_off"))
        assert warning.values["days"] == 2 and warning.values["day"] == "2026-03-04"


def test_a_clock_that_the_visit_corrects_is_not_far_off(tmp_path: Path, archive: Archive) -> None:
    file = at(tmp_path / "card", datetime(2025, 3, 4, 10, 0))
    visit = Visit(date(2026, 3, 4), clock_offset=timedelta(days=365))
    (one,) = taken(archive, entry(file), visit=visit)
    assert "clock_far_off" not in codes(one)
    assert dcmread(one.instances[0].path).AcquisitionDateTime.startswith("20260304100000")


def test_a_file_without_a_time_is_told(tmp_path: Path, archive: Archive) -> None:
    (one,) = taken(archive, entry(camera_file(tmp_path / "card")))
    assert one.status is Outcome.NEW and "no_time" in codes(one)


def test_an_instance_that_was_lost_is_made_again_beside_its_twin(
    tmp_path: Path, archive: Archive
) -> None:
    """A run that was killed between two instances leaves one; the next run completes them."""
    one = entry(camera_file(tmp_path / "card"))
    (first,) = taken(archive, one)
    roles = {kept.role: kept for kept in first.instances}
    assert set(roles) == {"original", "derived"}
    archive.close()
    kept = Path(roles["original"].path).read_bytes()
    Path(roles["derived"].path).unlink()
    rebuild(tmp_path / "archive", clock=lambda: NOW)
    with Archive.open(tmp_path / "archive", clock=lambda: NOW) as again:
        assert len(again) == 1
        (second,) = taken(again, one)
        assert second.status is Outcome.NEW and second.instances == first.instances
        assert len(again) == 2
    assert Path(roles["original"].path).read_bytes() == kept


def test_a_photograph_that_is_there_is_told_with_its_instances(
    tmp_path: Path, archive: Archive
) -> None:
    one = entry(camera_file(tmp_path / "card"))
    (first,) = taken(archive, one)
    (second,) = taken(archive, one)
    assert second.status is Outcome.SAME and second.instances == first.instances
    assert not codes(second) & {"other_meaning", "amended_since"}


def test_another_meaning_of_a_picture_is_told_and_both_are_kept(
    tmp_path: Path, archive: Archive
) -> None:
    file = camera_file(tmp_path / "card")
    (first,) = taken(archive, entry(file))
    (second,) = taken(archive, entry(file, teeth="26"))
    assert second.status is Outcome.NEW and "other_meaning" in codes(second)
    (warning,) = (p for p in second.warnings if p.code.endswith("other_meaning"))
    assert warning.values["sop_instance_uid"] in {k.sop_instance_uid for k in first.instances}
    assert len(archive) == 4


@pytest.mark.parametrize("issuer", ["RIVERBEND", "HILLSIDE"])
def test_a_picture_of_another_patient_is_refused(
    tmp_path: Path, archive: Archive, issuer: str
) -> None:
    """The same identifier of another issuer is another patient."""
    file = camera_file(tmp_path / "card")
    taken(archive, entry(file))
    other = Patient(NADIA.id if issuer != NADIA.issuer else LIV.id, NADIA.name, issuer)
    (one,) = taken(archive, entry(file), patient=other)
    assert one.status is Outcome.REFUSED and len(archive) == 2
    assert [p.code.rpartition(".")[2] for p in one.problems] == ["other_patient"]


def test_a_mirror_picture_that_the_camera_turned_back_has_its_corrected_instance(
    tmp_path: Path, archive: Archive
) -> None:
    """EXIF says that it is flipped: with the mirror that makes it true as it is stored."""
    direct = entry(camera_file(tmp_path / "card"), view="buccal").plan(1)
    turn = direct.correction.value
    file = camera_file(tmp_path / "card", exif=turn)
    one = entry(file, view="buccal")
    assert one.plan(turn).correction.value == 1
    (made,) = taken(archive, one)
    assert [kept.role for kept in made.instances] == ["original", "derived"]


def real(folder: Path, name: str, spoil: Callable[[np.ndarray], np.ndarray] | None = None) -> Path:
    """A real photograph as a file, spoilt where that is wished."""
    folder.mkdir(exist_ok=True)
    with Image.open(TEN / f"{name}.jpeg") as shot:
        pixels = np.asarray(shot.convert("RGB"))
    path = folder / f"{name}{spoil.__name__ if spoil else ''}.jpg"
    Image.fromarray(spoil(pixels) if spoil else pixels).save(path, "JPEG", quality=90)
    return path


def test_figures_are_those_of_the_part_that_is_shown(tmp_path: Path, archive: Archive) -> None:
    file = real(tmp_path / "card", "patient_1.frontal")
    cropped = entry(file, crop=(224, 160, 560, 400))
    whole, part = taken(archive, entry(file), cropped, settings=LOOKING)
    assert whole.figures is not None and part.figures is not None
    assert whole.figures.numbers != part.figures.numbers
    sizes = {
        (r.role, r.columns, r.rows)
        for r in archive.query(Query())
        if r.sop_instance_uid in {k.sop_instance_uid for k in part.instances}
    }
    assert sizes == {("original", 960, 720), ("derived", 560, 400)}


def test_what_is_wanting_in_the_teeth_is_told_and_blocks_nothing(
    tmp_path: Path, archive: Archive
) -> None:
    front = {"view": "frontal", "teeth": "", "mirror": False}
    file = real(tmp_path / "card", "patient_1.frontal", fogged)
    (one,) = taken(archive, entry(file, **front), settings=LOOKING)

    assert one.status is Outcome.NEW
    assert {"fog"} <= codes(one)


def test_where_nobody_asks_no_picture_is_decoded(
    tmp_path: Path, archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise AssertionError("decoded")

    monkeypatch.setattr("archiver.photo.encoding._decode", refuse)
    monkeypatch.setattr("archiver.archive.ingest.picture_quality.reduced", refuse)
    file = real(tmp_path / "card", "patient_1.frontal", fogged)
    (one,) = taken(archive, entry(file, view="frontal", teeth="", mirror=True))
    assert one.status is Outcome.NEW and len(one.instances) == 2
    assert one.figures is None and not codes(one) & {"fog", "no_teeth"}


def test_a_view_that_does_not_look_like_it_is_asked_about_and_kept(
    tmp_path: Path, archive: Archive
) -> None:
    arch = real(tmp_path / "card", "patient_1.upper_occlusal")
    for view, asked in (("frontal", True), ("upper occlusal arch", False)):
        given = entry(arch, view=view, teeth="", mirror=False)
        (one,) = taken(archive, given, settings=LOOKING)
        assert one.status is Outcome.NEW and ("other" in codes(one)) is asked


def test_where_no_teeth_are_found_a_picture_of_teeth_says_so_and_a_face_does_not(
    tmp_path: Path, archive: Archive
) -> None:
    grey = real(tmp_path / "card", "patient_0.frontal", lambda p: np.full_like(p, 90))
    teeth = entry(grey, view="frontal", teeth="", mirror=False)
    face = entry(grey, view="face", teeth="", mirror=False)
    for given, expected in ((teeth, True), (face, False)):
        (one,) = taken(archive, given, settings=LOOKING)
        assert one.figures is None and ("no_teeth" in codes(one)) is expected


def test_photographs_come_in_the_order_of_the_sheet_however_many_work(
    tmp_path: Path, archive: Archive
) -> None:
    entries = [entry(camera_file(tmp_path / "card", seed)) for seed in range(5)]
    settings = IngestSettings(now=lambda: NOW, workers=3)
    made = taken(archive, *entries, settings=settings)
    assert [one.number for one in made] == [1, 2, 3, 4, 5]
    assert [one.photograph for one in made] == entries
    assert {one.status for one in made} == {Outcome.NEW}


def test_without_a_worker_or_an_offset_there_are_no_settings() -> None:
    with pytest.raises(InputError, match="0 workers"):
        IngestSettings(now=lambda: NOW, workers=0)
    with pytest.raises(InputError):
        IngestSettings(now=lambda: datetime(2026, 3, 4))
    assert IngestSettings(now=lambda: NOW, workers=1).workers == 1


@pytest.mark.parametrize(
    ("kind", "second", "bytes_a_pixel"), [("JPEG", False, 4), ("JPEG", True, 8), ("PNG", False, 12)]
)
def test_what_a_photograph_takes_follows_from_its_pixels(
    tmp_path: Path, kind: str, second: bool, bytes_a_pixel: int
) -> None:
    """Of a JPEG its coefficients, two bytes each: here two a pixel, as 4:2:2 has them."""
    photo = read_camera_file(camera_file(tmp_path, kind=kind), now=NOW)
    assert need(photo, second_array=second) == bytes_a_pixel * 240 * 160


def test_a_run_that_is_ended_keeps_what_it_told(tmp_path: Path, archive: Archive) -> None:
    entries = tuple(entry(camera_file(tmp_path / "card", seed)) for seed in range(4))
    run = take_in(Session(NADIA, VISIT, entries, entries[0].file), archive, SETTINGS)
    first = next(run)
    run.close()
    assert first.status is Outcome.NEW and len(archive) == 2
    assert not [t for t in threading.enumerate() if t.name.startswith("photograph")]
