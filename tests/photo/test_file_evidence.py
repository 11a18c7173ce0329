"""What a file says against its being as the camera took it: thumbnails, editors, telephones."""

from __future__ import annotations

import io
import subprocess
from pathlib import Path

import numpy as np
import piexif
import pytest
from camera_files import (
    camera_exif,
    camera_jpeg,
    read,
    repainted,
    shot,
    thumbnail,
    without_jfif,
)
from further_pictures import FULL_HD, STEREO, UNDEFINED, VGA, heif, multi_picture
from PIL import Image

from archiver.photo import DoubtKind, file_doubts
from archiver.photo.doubts import PictureDoubt
from archiver.photo.editor_marks import editor_marks, library_quality
from archiver.photo.embedded_pictures import embedded_pictures
from archiver.photo.jpeg import frame_of
from archiver.photo.turning import turned

TURNS = range(2, 9)


def doubts(stream: bytes, name: str = "IMG_0001.JPG", *, steep: bool = False) -> list[DoubtKind]:
    return [one.kind for one in file_doubts(read(stream, name), looks_up_or_down=steep)]


def embedded(stream: bytes, name: str = "IMG_0001.JPG") -> PictureDoubt:
    found = [one for one in file_doubts(read(stream, name)) if one.kind is DoubtKind.EMBEDDED]
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_file_as_the_camera_made_it_is_not_doubted(orientation: int) -> None:
    _, stream = shot(orientation=orientation)
    mirrored = [DoubtKind.SELFIE] if orientation in (2, 4, 5, 7) else []
    assert doubts(stream) == mirrored


@pytest.mark.parametrize("name", ["patient_0.frontal", "patient_1.upper_occlusal"])
@pytest.mark.parametrize("turn", TURNS)
def test_a_thumbnail_tells_how_the_picture_was_turned_since(name: str, turn: int) -> None:
    picture, stream = shot(name)
    exif = piexif.dump(piexif.load(stream))
    found = embedded(repainted(picture, turn, exif))
    assert found.turn == turn and found.evidence["turn"] == turn
    assert found.evidence["agreement"] > 0.8 > found.evidence["agreement_as_it_is"]
    assert str(found.text).startswith("the camera's own thumbnail shows it otherwise")


@pytest.mark.parametrize("turn", [2, 3, 4])
@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_a_flip_is_told_as_a_viewer_shows_it_whatever_the_cameras_orientation(
    turn: int, orientation: int
) -> None:
    picture, stream = shot(orientation=orientation)
    seen = turned(turned(np.asarray(picture), orientation), turn)
    back = {3: 3, 6: 8, 8: 6}[orientation]
    stored = Image.fromarray(np.ascontiguousarray(turned(seen, back)))
    exif = piexif.dump(piexif.load(stream))
    assert embedded(camera_jpeg(stored, exif)).turn == turn


def test_a_lossless_flip_is_told_by_the_thumbnail(tmp_path: Path) -> None:
    source, flipped = tmp_path / "a.jpg", tmp_path / "b.jpg"
    source.write_bytes(shot()[1])
    command = ["jpegtran", "-copy", "all", "-flip", "horizontal", "-outfile", str(flipped)]
    subprocess.run([*command, str(source)], check=True)
    assert embedded(flipped.read_bytes()).turn == 2


def test_a_thumbnail_of_another_picture_is_told() -> None:
    picture, _ = shot()
    other, _ = shot("patient_1.left_buccal")
    stream = camera_jpeg(picture, camera_exif(picture, thumbnail(other)))
    found = embedded(stream)
    assert found.turn is None and "shows another picture" in str(found.text)


def test_a_picture_that_shows_nothing_is_not_compared() -> None:
    black = Image.new("RGB", (1200, 800))
    assert doubts(camera_jpeg(black, camera_exif(black, thumbnail(black)))) == []


@pytest.mark.parametrize("spoilt", [b"\xff\xd8\xff", b"\xff\xd8\xff\xe0no picture", b"\0\0"])
def test_a_damaged_thumbnail_costs_nothing_but_itself(spoilt: bytes) -> None:
    picture, stream = shot()
    small = thumbnail(picture)
    assert doubts(stream.replace(small, spoilt.ljust(len(small), b"\0"))) == []


def test_a_preview_in_the_makers_note_is_looked_at() -> None:
    picture, _ = shot()
    note = b"Lumora\0" + thumbnail(picture, (320, 240), bars=False)
    exif = camera_exif(picture, None, exif={37500: note})
    assert doubts(camera_jpeg(picture, exif)) == []
    assert embedded(repainted(picture, 2, exif)).evidence["picture"] == "maker note"


@pytest.mark.parametrize("kind", [VGA, FULL_HD, STEREO, UNDEFINED])
def test_further_frames_of_a_multi_picture_file_are_looked_at(kind: int) -> None:
    picture, _ = shot()
    second = thumbnail(picture, (640, 480), bars=False)
    for seen, told in ((picture, []), (flipped(picture), [2])):
        stream = multi_picture(camera_jpeg(seen, camera_exif(seen, None)), second, kind)
        found = file_doubts(read(stream))
        assert [one.turn for one in found if one.kind is DoubtKind.EMBEDDED] == told


def test_a_preview_behind_the_picture_is_looked_at() -> None:
    picture, _ = shot()
    behind = b"maker's own" + thumbnail(picture, (640, 480), bars=False)
    for seen, told in ((picture, []), (flipped(picture), [2])):
        stream = camera_jpeg(seen, camera_exif(seen, None)) + behind
        found = file_doubts(read(stream))
        assert [one.turn for one in found if one.kind is DoubtKind.EMBEDDED] == told


def test_millions_of_marks_behind_a_picture_cost_little(monkeypatch: pytest.MonkeyPatch) -> None:
    looked: list[int] = []

    def counted(stream: bytes) -> object:
        looked.append(len(stream))
        return frame_of(stream)

    monkeypatch.setattr("archiver.photo.embedded_pictures.frame_of", counted)
    picture, _ = shot()
    photo = read(camera_jpeg(picture, camera_exif(picture, None)) + b"\xff\xd8\xff" * 300_000)
    assert list(embedded_pictures(photo)) == []
    assert 0 < sum(looked) < 64 * (1 << 18) + 1


def test_a_thumbnail_of_heif_is_looked_at() -> None:
    picture, _ = shot()
    small = picture.resize((600, 450))
    exif = camera_exif(small, None)
    for seen in (small, flipped(small)):
        assert doubts(heif(seen, exif=exif), "IMG_1.HEIC") == []
    # A program that writes the picture anew and keeps the thumbnail item.
    for seen, other in ((small, flipped(small)), (flipped(small), small)):
        found = embedded(heif(seen, other, exif), "IMG_1.HEIC")
        assert (found.turn, found.evidence["picture"]) == (2, "HEIF thumbnail")
    # One that keeps EXIF with its thumbnail.
    tags = {**piexif.load(exif), "1st": {259: 6}, "thumbnail": thumbnail(small)}
    found = embedded(heif(flipped(small), exif=piexif.dump(tags)), "IMG_1.HEIC")
    assert (found.turn, found.evidence["picture"]) == (2, "thumbnail")


def flipped(picture: Image.Image) -> Image.Image:
    return picture.transpose(Image.Transpose.FLIP_LEFT_RIGHT)


def tagged(stored: Image.Image, small: Image.Image, orientation: int, own: int | None) -> bytes:
    """A file whose thumbnail has an orientation of its own, or none."""
    tags = piexif.load(camera_exif(stored, thumbnail(small), orientation))
    if own is not None:
        tags["1st"][274] = own
    return camera_jpeg(stored, piexif.dump(tags))


def test_an_orientation_changed_since_is_told_by_that_of_the_thumbnail() -> None:
    picture, _ = shot()
    assert doubts(tagged(picture, picture, 6, 6)) == []
    assert embedded(tagged(picture, picture, 8, 6)).turn == 3
    # Whoever turned the pixels upright and took the tag away has changed nothing that is shown.
    upright = picture.transpose(Image.Transpose.ROTATE_270)
    assert doubts(tagged(upright, picture, 1, 6)) == []


def test_a_thumbnail_that_is_upright_already_is_the_cameras() -> None:
    picture, _ = shot()
    upright = picture.transpose(Image.Transpose.ROTATE_270)
    assert doubts(tagged(picture, upright, 6, None)) == []
    # No sensor is higher than wide: that picture was turned.
    assert (
        embedded(tagged(picture.transpose(Image.Transpose.ROTATE_90), picture, 6, None)).turn == 8
    )


def test_blocks_that_a_lossless_flip_left_at_the_edge_hide_nothing(tmp_path: Path) -> None:
    picture, _ = shot()
    odd = picture.resize((712, 534))
    source, turned_one = tmp_path / "a.jpg", tmp_path / "b.jpg"
    source.write_bytes(camera_jpeg(odd, camera_exif(odd, thumbnail(odd)), "4:2:0"))
    command = ["jpegtran", "-copy", "all", "-rotate", "180", "-outfile", str(turned_one)]
    subprocess.run([*command, str(source)], check=True)
    assert embedded(turned_one.read_bytes()).turn == 3


MARKS = {
    "software": {"zeroth": {305: b"GIMP 2.10"}},
    "processing_software": {"zeroth": {11: b"retouching tool"}},
    "changed_later": {"zeroth": {306: b"2026:03:05 09:00:00"}},
    "size": {"exif": {40962: 640, 40963: 480}},
    "no_exposure": {"exif": {36867: b""}},
}


@pytest.mark.parametrize("mark", MARKS)
def test_what_an_editor_writes_into_exif_is_a_mark(mark: str) -> None:
    picture, _ = shot()
    exif = camera_exif(picture, thumbnail(picture), **MARKS[mark])
    assert [one.name for one in editor_marks(read(camera_jpeg(picture, exif)))] == [mark]


def test_a_thumbnail_that_a_library_made_is_a_mark_and_reassures_nobody(tmp_path: Path) -> None:
    picture, stream = shot()
    small = tmp_path / "small.jpg"
    picture.resize((160, 120)).save(small)
    path = tmp_path / "a.jpg"
    path.write_bytes(stream)
    written = [f"-ThumbnailImage<={small}", "-ModifyDate=2026:03:05 09:00:00"]
    subprocess.run(["exiftool", "-q", "-overwrite_original", *written, str(path)], check=True)
    names = {one.name for one in editor_marks(read(path.read_bytes()))}
    assert names == {"thumbnail_anew", "changed_later"}
    assert doubts(path.read_bytes()) == [DoubtKind.EDITOR]
    assert doubts(stream) == []


def test_the_cameras_own_software_and_tables_are_no_mark() -> None:
    picture, _ = shot()
    exif = camera_exif(picture, thumbnail(picture), zeroth={305: b"Firmware 1.4"})
    assert editor_marks(read(camera_jpeg(picture, exif))) == ()


def test_a_picture_without_any_data_of_a_camera_is_doubted() -> None:
    picture, _ = shot()
    assert doubts(repainted(picture, 1, None)) == [DoubtKind.EDITOR]
    assert doubts(repainted(picture, 2, None)) == [DoubtKind.EDITOR]


def test_a_program_that_keeps_exif_is_known_by_its_stream_unless_the_thumbnail_agrees() -> None:
    picture, stream = shot()
    tags = piexif.load(stream)
    saved = repainted(picture, 1, piexif.dump(tags), subsampling="4:4:4")
    names = {one.name for one in editor_marks(read(saved))}
    assert names == {"jfif", "library_tables", "sampling"}
    bare = piexif.dump({**tags, "thumbnail": None, "1st": {}})
    assert doubts(repainted(picture, 1, bare)) == [DoubtKind.EDITOR]
    assert doubts(repainted(picture, 1, piexif.dump(tags))) == []


@pytest.mark.parametrize(
    ("packet", "mark"),
    [
        (b'<rdf:li stEvt:action="saved" stEvt:when="2026"/>', "history"),
        (b'<rdf:Description xmp:CreatorTool="GIMP 2.10"/>', "creator_tool"),
        (b'<rdf:Description xmp:Rating="5"/>', None),
    ],
)
def test_a_history_of_editing_in_xmp_is_a_mark(packet: bytes, mark: str | None) -> None:
    _, stream = shot()
    content = b"http://ns.adobe.com/xap/1.0/\0<x:xmpmeta>" + packet + b"</x:xmpmeta>"
    segment = b"\xff\xe1" + (len(content) + 2).to_bytes(2, "big") + content
    at = 4 + int.from_bytes(stream[4:6], "big")
    names = [one.name for one in editor_marks(read(stream[:at] + segment + stream[at:]))]
    assert names == ([mark] if mark else [])


@pytest.mark.parametrize("quality", [1, 30, 50, 75, 92, 99])
def test_the_librarys_tables_are_known_at_every_quality(quality: int) -> None:
    out = io.BytesIO()
    Image.new("RGB", (16, 16)).save(out, "JPEG", quality=quality)
    stream = out.getvalue()
    found = {one.name: one for one in editor_marks(read(stream))}
    assert str(quality) in str(found["library_tables"].text)
    assert without_jfif(stream)[:2] == b"\xff\xd8"


def test_other_tables_are_no_librarys() -> None:
    assert library_quality([[8] * 64, [9] * 64]) is None
    assert library_quality([]) is None


def test_a_front_camera_is_told_by_its_lens() -> None:
    picture, _ = shot()
    lens = {42036: b"L1 front camera 2.7mm f/2.2"}
    exif = camera_exif(picture, thumbnail(picture), exif=lens)
    found = file_doubts(read(camera_jpeg(picture, exif)))
    assert [one.kind for one in found] == [DoubtKind.SELFIE]
    assert found[0].evidence["lens"] == "L1 front camera 2.7mm f/2.2"


def test_a_lens_whose_name_begins_like_a_front_camera_is_none() -> None:
    picture, _ = shot()
    exif = camera_exif(picture, thumbnail(picture), exif={42036: b"Frontline 60mm Macro"})
    assert doubts(camera_jpeg(picture, exif)) == []


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_an_orientation_is_doubted_where_the_camera_looked_up_or_down(orientation: int) -> None:
    _, stream = shot(orientation=orientation)
    assert doubts(stream, steep=False) == []
    assert doubts(stream, steep=True) == ([DoubtKind.ORIENTATION] if orientation > 1 else [])


@pytest.mark.parametrize(("degrees", "told"), [(-85, True), (70, True), (10, False)])
def test_a_camera_that_tells_its_elevation_is_believed(degrees: int, told: bool) -> None:
    picture, _ = shot()
    exif = camera_exif(picture, None, 6, exif={37893: (degrees, 1)})
    for steep in (True, False):
        kinds = doubts(camera_jpeg(picture, exif), steep=steep)
        assert (DoubtKind.ORIENTATION in kinds) is told
