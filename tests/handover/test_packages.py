"""Packages: the archive's pixels, whole or not there, refused or stamped, and on the record."""

from __future__ import annotations

import hashlib
import io
import json
import re
import subprocess
import zipfile
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from handover_samples import (
    NOW,
    PATIENT,
    WHO,
    agreed,
    camera_file,
    opened,
    order,
    photo,
    take,
)
from outside_verifiers import objections, reject
from PIL import Image
from pydicom import dcmread
from pydicom.encaps import generate_frames

from archiver.archive.query import Query, Record
from archiver.archive.statements.consents import WITHDRAWN, note
from archiver.archive.statements.handover_register import handovers, of_case, of_instances
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming
from archiver.archive.store.journal_lines import read_lines, verify_chain
from archiver.errors import ArchiveError, ArchiverError, InputError
from archiver.handover.case import Case
from archiver.handover.masks import mask_code, masked_preview
from archiver.handover.order import preview_package
from archiver.handover.package import Package, hand_over
from archiver.objects import concepts, key_objects, part10
from archiver.objects.description import describe
from archiver.objects.purposes import Purpose
from archiver.objects.uids import DerivedUids
from archiver.photo.jpeg_stripping import without_metadata
from archiver.priors.findings import FAILED, SideFinding
from archiver.priors.findings import keep_findings as keep


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """Two mirror pictures, one of them unconfirmed, and a smile."""
    archive = opened(tmp_path)
    for number in (1, 2, 3):
        camera_file(tmp_path / f"{number}.JPG", number, columns=256, rows=192)
    take(
        archive,
        tmp_path,
        [
            photo("1.JPG"),
            photo("2.JPG", tooth=26, confirmed=False),
            photo("3.JPG", tooth=0, view="smile", mirror=False),
        ],
    )
    agreed(archive)
    return archive


def derived(archive: Archive, tooth: str) -> Record:
    (found,) = (
        r for r in archive.query(Query(patient_id=PATIENT, role="derived")) if r.teeth == (tooth,)
    )
    return found


def decoded(record: Record) -> np.ndarray:
    """The archive's pixels, by the same decoder for all: decoders differ by a level or two."""
    frame = next(generate_frames(dcmread(record.path).PixelData, number_of_frames=1))
    return np.asarray(Image.open(io.BytesIO(frame)))


def refusal(archive: Archive, folder: Path, **words: object) -> str:
    with pytest.raises(ArchiverError) as caught:
        hand_over(archive, order(folder, **words), NOW)
    assert not (folder / "package").exists()
    assert not list(folder.glob(".package.part*"))
    return str(caught.value)


def sound(archive: Archive, folder: Path, **words: object) -> Package:
    return hand_over(archive, order(folder, without_doubtful=True, **words), NOW)


# --- pictures -----------------------------------------------------------------------------------


def test_a_jpeg_has_the_archives_scan_data_and_decodes_to_its_pixels(
    archive: Archive, tmp_path: Path
) -> None:
    made = sound(archive, tmp_path)
    kept = dcmread(derived(archive, "25").path)
    data = (made.target / "1187-01.jpg").read_bytes()
    frame = next(generate_frames(kept.PixelData, number_of_frames=1))
    assert (
        data[data.index(b"\xff\xda") :]
        == without_metadata(frame)[without_metadata(frame).index(b"\xff\xda") :]
    )
    by_pillow = np.asarray(Image.open(io.BytesIO(data)))
    assert np.array_equal(by_pillow, np.asarray(Image.open(io.BytesIO(frame))))
    twin = dcmread(made.target / "1187-01.dcm")
    assert np.array_equal(twin.pixel_array, kept.pixel_array)
    djpeg = subprocess.run(["djpeg", "-pnm"], input=data, capture_output=True, check=True)
    again = subprocess.run(["djpeg", "-pnm"], input=frame, capture_output=True, check=True)
    assert djpeg.stdout == again.stdout


@pytest.mark.parametrize("png", [False, True])
def test_the_profile_is_the_archives_byte_for_byte(
    archive: Archive, tmp_path: Path, png: bool
) -> None:
    made = sound(archive, tmp_path, png=png)
    profile = dcmread(derived(archive, "25").path).ICCProfile
    with Image.open(made.target / f"1187-01.{'png' if png else 'jpg'}") as picture:
        assert picture.info["icc_profile"] == profile
    assert dcmread(made.target / "1187-01.dcm").ICCProfile == profile


def test_a_profile_of_several_segments_comes_whole(archive: Archive, tmp_path: Path) -> None:
    from archiver.handover.frames import OutgoingFrame, jpeg_parts
    from archiver.photo.encoding import EncodedPixels

    (tmp_path / "plain.jpg").write_bytes(camera_file(tmp_path / "p.JPG").read_bytes())
    stream = without_metadata((tmp_path / "plain.jpg").read_bytes())
    pixels = EncodedPixels(stream, "1.2.840.10008.1.2.4.50", "YBR_FULL_422", 3, 160, 240)
    profile = np.random.default_rng(1).bytes(150_000)
    data = b"".join(jpeg_parts(OutgoingFrame(pixels, profile)))
    assert Image.open(io.BytesIO(data)).info["icc_profile"] == profile


def test_png_pictures_have_the_same_pixels(archive: Archive, tmp_path: Path) -> None:
    made = sound(archive, tmp_path, png=True)
    ours = np.asarray(Image.open(made.target / "1187-01.png"))
    assert np.array_equal(ours, decoded(derived(archive, "25")))


# --- the package --------------------------------------------------------------------------------


def test_the_manifest_and_the_list_of_digests_hold(archive: Archive, tmp_path: Path) -> None:
    made = sound(archive, tmp_path)
    done = subprocess.run(
        ["sha256sum", "-c", "--strict", "1187.sha256"], cwd=made.target, capture_output=True
    )
    assert done.returncode == 0
    manifest = json.loads((made.target / "1187-manifest.json").read_text("utf-8"))
    names = {p.name for p in made.target.iterdir()}
    assert {f["name"] for f in manifest["files"]} == names - {"1187-manifest.json", "1187.sha256"}
    for file in manifest["files"]:
        data = (made.target / file["name"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == file["sha256"] and len(data) == file["bytes"]
    (one,) = manifest["pictures"]
    assert one["teeth_iso_3950"] == ["25"] and one["teeth_universal"] == ["13"]
    assert one["patient_orientation"] == ["L", "P"] and one["mirror"] == "corrected"
    assert one["arches"] == ["upper"]


def test_the_same_order_gives_the_same_bytes(archive: Archive, tmp_path: Path) -> None:
    one, other = (sound(archive, tmp_path, target=tmp_path / name) for name in ("a", "b"))
    assert one.files == other.files


def test_a_zip_file_holds_the_same_files_without_any_time(archive: Archive, tmp_path: Path) -> None:
    folder = sound(archive, tmp_path)
    packed = sound(archive, tmp_path, target=tmp_path / "p.zip", zipped=True)
    with zipfile.ZipFile(packed.target) as archive_file:
        assert archive_file.testzip() is None
        for entry in archive_file.infolist():
            assert entry.date_time == (1980, 1, 1, 0, 0, 0) and not entry.extra
            assert archive_file.read(entry) == (folder.target / entry.filename).read_bytes()
        assert len(archive_file.namelist()) == len(folder.files)
    assert not list(tmp_path.glob(".p.zip*"))


def test_what_is_there_already_is_not_touched(archive: Archive, tmp_path: Path) -> None:
    (tmp_path / "package").mkdir()
    (tmp_path / "package/other").write_text("x")
    with pytest.raises(InputError, match="there is already a file or folder"):
        sound(archive, tmp_path)
    assert [p.name for p in (tmp_path / "package").iterdir()] == ["other"]


def test_a_full_disk_leaves_nothing_behind(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("archiver.handover.sink.write_whole", refuse)
    told = refusal(archive, tmp_path, without_doubtful=True)
    assert told.startswith(f"{tmp_path}/package: the disk is full: the package was not made")
    assert handovers(archive.layout.root) == []


@pytest.mark.parametrize("zipped", [False, True], ids=["folder", "zip"])
def test_a_disk_that_fails_while_it_is_flushed_leaves_nothing_and_no_entry_in_the_register(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, zipped: bool
) -> None:
    def failing(handle: int) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as broken:
        broken.setattr("os.fsync", failing)
        told = refusal(archive, tmp_path, without_doubtful=True, zipped=zipped)
    assert "the package was not made" in told
    assert handovers(archive.layout.root) == []
    assert not list(tmp_path.glob(".package*")) and not (tmp_path / "package").exists()


def test_what_a_killed_run_left_is_removed(archive: Archive, tmp_path: Path) -> None:
    (tmp_path / ".package.part-abc").mkdir()
    (tmp_path / ".package.part-abc/1187-01.jpg").write_bytes(b"x")
    sound(archive, tmp_path)
    assert not list(tmp_path.glob(".package*"))


# --- consent ------------------------------------------------------------------------------------


def test_without_consent_nothing_is_made(tmp_path: Path) -> None:
    archive = opened(tmp_path)
    camera_file(tmp_path / "1.JPG")
    take(archive, tmp_path, [photo("1.JPG")])
    told = refusal(archive, tmp_path)
    assert told.startswith("the patient's consent for the purpose laboratory is not on record")
    agreed(archive, Purpose.TEACHING)
    assert "laboratory is not on record" in refusal(archive, tmp_path)
    note(archive, WHO, Purpose.LABORATORY, by="Haugen^Liv", now=NOW, until=date(2026, 11, 24))
    assert "ended on 2026-11-24" in refusal(archive, tmp_path)
    agreed(archive, Purpose.LABORATORY)
    assert sound(archive, tmp_path).target.is_dir()


def test_a_withdrawal_holds_for_later_packages(archive: Archive, tmp_path: Path) -> None:
    sound(archive, tmp_path, target=tmp_path / "earlier")
    note(archive, WHO, Purpose.LABORATORY, by="Haugen^Liv", now=NOW, state=WITHDRAWN)
    assert "was withdrawn" in refusal(archive, tmp_path, without_doubtful=True)
    assert (tmp_path / "earlier").is_dir()


# --- doubtful pictures --------------------------------------------------------------------------


def test_an_unconfirmed_picture_is_refused_or_stamped_when_somebody_insists(
    archive: Archive, tmp_path: Path
) -> None:
    told = refusal(archive, tmp_path)
    assert told.count("\n") == 0 and told.startswith("picture 2: no person has confirmed its side")
    made = hand_over(archive, order(tmp_path, insisted_by="Haugen^Liv"), NOW)
    assert (made.target / "1187-01.jpg").exists()
    stamped = np.asarray(Image.open(made.target / "1187-02.png"))
    kept = decoded(derived(archive, "26"))
    assert np.array_equal(stamped[: len(kept)], kept)
    margin = stamped[len(kept) :]
    assert margin.shape[0] >= 12 and margin.min() == 0 and margin.max() == 255
    twin = dcmread(made.target / "1187-02.dcm")
    assert np.array_equal(twin.pixel_array, stamped)
    assert twin.ImageComments.startswith("SIDE NOT CONFIRMED.")
    assert not describe(twin).confirmed
    notes = [line.entry.note for line in read_lines(archive.layout.journal) if line.entry]
    assert any("insisted on by Haugen^Liv" in n for n in notes)
    assert handovers(archive.layout.root)[0].insisted_by == "Haugen^Liv"


def test_who_insists_on_sound_pictures_is_not_on_record(archive: Archive, tmp_path: Path) -> None:
    uid = derived(archive, "25").sop_instance_uid
    hand_over(archive, order(tmp_path, uids=frozenset({uid}), insisted_by="Haugen^Liv"), NOW)
    assert handovers(archive.layout.root)[0].insisted_by == ""


def test_a_picture_whose_comparison_failed_is_refused(archive: Archive, tmp_path: Path) -> None:
    uid = derived(archive, "25").sop_instance_uid
    keep(archive.layout.root, [SideFinding(uid, FAILED, "")], time=NOW, by="test")
    told = refusal(archive, tmp_path, uids=frozenset({uid}))
    assert "found one of them the wrong way round" in told


def test_a_mirror_picture_that_was_never_corrected_is_refused_as_reversed(
    archive: Archive, tmp_path: Path
) -> None:
    (record,) = (
        r
        for r in archive.query(Query(patient_id=PATIENT, role="original", mirror="uncorrected"))
        if r.teeth == ("25",)
    )
    told = refusal(archive, tmp_path, uids=frozenset({record.sop_instance_uid}))
    assert "still mirror-reversed" in told


def test_an_orientation_that_contradicts_the_view_is_refused(
    archive: Archive, tmp_path: Path
) -> None:
    ds = dcmread(derived(archive, "25").path)
    cases = ((["R", "P"], "mirror-reversed"), (["A", "F"], "together"), ([], "together"))
    for number, (value, words) in enumerate(cases, 1):
        ds.PatientOrientation = value
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = f"1.2.3.4.5.{number}"
        out = io.BytesIO()
        ds.save_as(out, enforce_file_format=True)
        (stored,) = archive.put([Incoming(describe(ds), [out.getvalue()], None)])
        told = refusal(archive, tmp_path, uids=frozenset({stored.sop_instance_uid}))
        assert words in told


def test_a_rejected_instance_never_goes_out(archive: Archive, tmp_path: Path) -> None:
    record = derived(archive, "25")
    ds = dcmread(record.path)
    reject = key_objects.Note(
        concepts.REJECTED_FOR_SAFETY, (key_objects.referenced(ds),), "wrong side"
    )
    made = key_objects.build(reject, ds, created=NOW, uids=DerivedUids())
    archive.put([Incoming(describe(made), [part10.whole(made)], may_reject=True)])
    told = refusal(archive, tmp_path, uids=frozenset({record.sop_instance_uid}))
    assert "is not a valid picture of this patient" in told
    package = hand_over(archive, order(tmp_path, insisted_by="Haugen^Liv"), NOW)
    uids = {c.record.sop_instance_uid for c in package.chosen.pictures}
    assert record.sop_instance_uid not in uids


# --- faces --------------------------------------------------------------------------------------


def test_a_face_needs_an_explicit_say_so(archive: Archive, tmp_path: Path) -> None:
    made = sound(archive, tmp_path)
    assert [c.shows_face for c in made.chosen.pictures] == [False]
    assert any("it shows a face; --with-faces" in str(line) for line in made.left_out)
    with_it = hand_over(
        archive,
        order(tmp_path, target=tmp_path / "b", with_faces=True, insisted_by="Haugen^Liv"),
        NOW,
    )
    assert sum(c.shows_face for c in with_it.chosen.pictures) == 1


@pytest.mark.parametrize("view", ["close-up smile", "close-up"])
def test_a_close_up_that_may_show_the_lips_does_not_leave_unmasked(
    tmp_path: Path, view: str
) -> None:
    with opened(tmp_path) as archive:
        camera_file(tmp_path / "1.JPG", 1, columns=256, rows=192)
        take(archive, tmp_path, [photo("1.JPG", tooth=0, view=view, mirror=False)])
        agreed(archive)
        publication = {"purpose": Purpose.PUBLICATION}
        assert "it shows a face; --with-faces" in refusal(archive, tmp_path, **publication)
        words = {**publication, "with_faces": True}
        assert "it shows a face: for publication it must be masked" in refusal(
            archive, tmp_path, **words
        )


def test_for_teaching_a_face_must_be_masked_and_the_object_says_that_it_was(
    archive: Archive, tmp_path: Path
) -> None:
    words = {"purpose": Purpose.TEACHING, "with_faces": True, "without_doubtful": True}
    told = refusal(archive, tmp_path, **words)
    assert "it shows a face: for teaching it must be masked" in told
    small = {"masks": {2: [(0, 0, 9, 9), (0, 0, 8, 8)]}}
    assert "its masks cover 0." in refusal(archive, tmp_path, **words, **small)
    boxes = [(16, 8, 100, 40)]
    unseen = refusal(archive, tmp_path, **words, masks={2: boxes})
    assert "nobody has looked at the masked picture" in unseen
    (code,) = re.findall(r"--seen (\S+)", unseen)
    words |= {"masks_seen": frozenset({code})}
    assert "who has looked" in refusal(archive, tmp_path, **words, masks={2: boxes})
    words |= {"masks_seen_by": "Haugen^Liv"}
    moved = refusal(archive, tmp_path, **words, masks={2: [(17, 8, 100, 40)]})
    assert "nobody has looked" in moved and code not in moved
    (two,) = [
        o for o in preview_package(archive, order(tmp_path, **words)).pictures if o.number == 2
    ]
    seen = np.asarray(Image.open(io.BytesIO(masked_preview(two, boxes))))
    assert (seen[8:48, 16:116] == 128).all() and mask_code(two, boxes) == code
    made = hand_over(archive, order(tmp_path, **words, masks={2: boxes}), NOW)
    assert handovers(archive.layout.root)[-1].masks_seen_by == "Haugen^Liv"
    twin = dcmread(made.target / "1187-02.dcm")
    assert twin.RecognizableVisualFeatures == "NO"
    assert "113102" in [i.CodeValue for i in twin.DeidentificationMethodCodeSequence]
    pixels = twin.pixel_array
    assert (pixels[8:48, 16:116] == 128).all()
    kept = decoded(made.chosen.pictures[1].record)
    outside = np.ones(kept.shape[:2], bool)
    outside[8:48, 16:116] = False
    assert np.array_equal(pixels[outside], kept[outside])
    assert np.array_equal(np.asarray(Image.open(made.target / "1187-02.png")), pixels)


def test_burned_in_words_must_be_covered(archive: Archive, tmp_path: Path) -> None:
    ds = dcmread(derived(archive, "25").path)
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = "1.2.3.4.6"
    ds.BurnedInAnnotation = "YES"
    out = io.BytesIO()
    ds.save_as(out, enforce_file_format=True)
    archive.put([Incoming(describe(ds), [out.getvalue()], None)])
    only = {"uids": frozenset({"1.2.3.4.6"})}
    assert "its pixels contain identifying text" in refusal(archive, tmp_path, **only)
    made = hand_over(archive, order(tmp_path, **only, masks={1: [(0, 0, 50, 20)]}), NOW)
    twin = dcmread(made.target / "1187-01.dcm")
    assert twin.BurnedInAnnotation == "NO"
    assert "113101" in [i.CodeValue for i in twin.DeidentificationMethodCodeSequence]


# --- the record ---------------------------------------------------------------------------------


def test_what_went_out_is_in_register_journal_and_a_selection_note(
    archive: Archive, tmp_path: Path
) -> None:
    made = sound(archive, tmp_path)
    uid = made.chosen.pictures[0].record.sop_instance_uid
    root = archive.layout.root
    (package,) = of_instances(root, [uid])
    assert (package.case, package.purpose, package.to, package.folder, package.uids) == (
        "1187", "laboratory", "North laboratory", "package", (uid,),
    )  # fmt: skip
    assert package.sha256 == made.files["1187-manifest.json"][0]
    assert of_instances(root, ["1.2"]) == [] and of_case(root, "1187") == [package]
    assert verify_chain(archive.layout.journal) == []
    entries = [line.entry for line in read_lines(archive.layout.journal) if line.entry]
    told = [e for e in entries if e.action == "handed-over"]
    assert [e.sop for e in told] == ["", uid]
    assert told[0].digest == package.sha256 and told[0].note.startswith("case 1187, laboratory")
    lines = archive.layout.journal.read_text() + (root / "handovers.jsonl").read_text()
    for word in ("Okafor", "Nadia", PATIENT, "RIVERBEND", "ACC-77123"):
        assert word not in lines
    (note_record,) = archive.query(Query(patient_id=PATIENT, modality="KO"))
    document = dcmread(note_record.path)
    assert document.ConceptNameCodeSequence[0].CodeMeaning == "For Therapy"
    values = [str(e.value) for e in document.iterall()]
    assert uid in values and any("case 1187, to North laboratory" in v for v in values)


def test_a_case_number_is_one_patients(archive: Archive, tmp_path: Path) -> None:
    sound(archive, tmp_path, target=tmp_path / "first")
    ds = dcmread(derived(archive, "25").path)
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = "1.2.3.4.7"
    ds.PatientID, ds.PatientName, ds.StudyInstanceUID = "P-0500", "Roe^Jo", "1.2.3.4.8"
    out = io.BytesIO()
    ds.save_as(out, enforce_file_format=True)
    archive.put([Incoming(describe(ds), [out.getvalue()], None)])
    note(archive, ("P-0500", "RIVERBEND"), Purpose.LABORATORY, by="Haugen^Liv", now=NOW)
    told = refusal(archive, tmp_path, query=Query(patient_id="P-0500"))
    assert "the case number 1187 is another patient's" in told


@pytest.mark.parametrize("number", ["", "a b", "../up", ".hidden", "x" * 17, "år"])
def test_a_case_number_fits_the_name_of_a_file(number: str) -> None:
    with pytest.raises(ArchiverError, match="case number"):
        Case.of(number, WHO, b"s" * 32)


def test_a_picture_that_cannot_be_read_stops_the_package(archive: Archive, tmp_path: Path) -> None:
    record = derived(archive, "25")
    path = Path(record.path)
    data = path.read_bytes()
    path.chmod(0o644)
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises((InputError, ArchiveError)):
        hand_over(archive, order(tmp_path, without_doubtful=True), NOW)
    assert not (tmp_path / "package").exists()
    assert handovers(archive.layout.root) == []


def test_marks_and_masks_of_pictures_that_there_are_not_are_told(
    archive: Archive, tmp_path: Path
) -> None:
    told = refusal(archive, tmp_path, without_doubtful=True, marks={7: [(0, 0, 8, 8)]})
    assert told == "there is no picture 7; expected 1 to 1"


def test_no_outside_verifier_objects_to_a_stamped_and_a_masked_object(
    archive: Archive, tmp_path: Path
) -> None:
    words = {"with_faces": True, "insisted_by": "Haugen^Liv", "masks": {3: [(16, 8, 100, 40)]}}
    made = hand_over(archive, order(tmp_path, **words), NOW)
    assert [one.number for one in made.chosen.pictures if one.shows_face] == [3]
    for number in (1, 2, 3):
        path = made.target / f"1187-{number:02}.dcm"
        assert [*objections(path), *reject(path)] == []
        ds = dcmread(path)
        assert (ds.ImageType[0] == "DERIVED") and ds.LossyImageCompression == "01"


@pytest.mark.parametrize("words", ["x" * 65, "North\nlaboratory", "North\x00"])
def test_an_addressee_fits_a_line(archive: Archive, tmp_path: Path, words: str) -> None:
    assert "up to 64 characters" in refusal(archive, tmp_path, to=words, without_doubtful=True)
    told = refusal(archive, tmp_path, insisted_by=words)
    assert "the name of the person who insists" in told
