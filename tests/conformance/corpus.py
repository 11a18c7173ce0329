"""Photographs of every kind with everything that a sheet may say, for outside verifiers."""

from __future__ import annotations

from datetime import date, time, timedelta
from pathlib import Path

import piexif
from hypothesis import strategies as st
from object_samples import JPEG_KINDS, OTHER_KINDS, Made, exif_block, make, meanings, picture

from archiver.dentition.correction import Operator
from archiver.dentition.orientation import Direction
from archiver.dentition.sights import sight
from archiver.dentition.views import View
from archiver.objects.session import Circumstances, Crop, Patient, Photograph, Visit
from archiver.photo.turning import turned_size

SIZES = ((96, 64), (64, 96), (97, 61), (33, 17), (16, 16), (200, 120))


_SCRIPTS = (
    "abcdefghijklmnopqrstuvwxyzABCXYZ",
    "àáâãäåæçéèêëñòóôõöøüßÿŁłŠžİığ",
    "абвгдежзийкАБВҐЇ",
    "αβγδεζΑΒΓ",
    "王小明李华張偉渡辺さくらアリス김희중",
    "ابتثجحخدذرزسشصض",
    "אבגדהוזח",
    "กขคงจฉ",
    "𠮷😀",
    " -'.,;:/()&@#%0123456789",
)
_LETTERS = st.sampled_from(_SCRIPTS).flatmap(st.sampled_from)


def _short(text: str, octets: int = 64) -> str:
    """Cut to what dciodvfy takes: it counts octets where PS3.5 6.2 counts characters."""
    return text.encode()[:octets].decode(errors="ignore").strip()


WORDS = st.one_of(st.just(""), st.text(_LETTERS, max_size=64).map(_short))
_LONG_WORDS = st.one_of(
    st.just(""), st.text(_LETTERS | st.sampled_from("\n\t\\"), max_size=200).map(str.strip)
)
_PART = st.text(_LETTERS, max_size=12).map(str.strip)
# A sheet's names always have their "^" (see archiver.objects.sheet_keys).
NAMES = st.one_of(
    st.just(""),
    st.lists(_PART, min_size=2, max_size=5).map(lambda parts: _short("^".join(parts))),
).filter(lambda name: not name or "^" in name)
_DAYS = st.dates(date(1900, 1, 1), date(2100, 12, 31))


@st.composite
def patients(draw: st.DrawFn) -> Patient:
    return Patient(
        draw(st.text(_LETTERS, min_size=1, max_size=64).map(_short).filter(bool)),
        draw(NAMES),
        draw(WORDS),
        draw(st.none() | _DAYS),
        draw(st.sampled_from(["", "M", "F", "O"])),
    )


@st.composite
def visits(draw: st.DrawFn) -> Visit:
    seconds = draw(st.sampled_from([0, 0, -190, 3600, -86400 * 400]))
    moments = st.times().map(lambda t: time(t.hour, t.minute, t.second))
    study = draw(st.sampled_from(["", "1.2.840.99999.7.4171"]))
    return Visit(
        draw(_DAYS),
        draw(moments if study else st.none() | moments),
        _short(draw(st.text(_LETTERS, max_size=16)), 16),
        draw(WORDS),
        timedelta(seconds=seconds),
        study_uid=study,
    )


_MOMENTS = st.sampled_from(
    ["2026:03:04 14:21:07", "1999:12:31 23:59:59", "0000:00:00 00:00:00", "    :  :     :  :  ", ""]
)
_EXTRAS: dict[int, object] = {
    piexif.ExifIFD.ExposureProgram: 1,
    piexif.ExifIFD.ShutterSpeedValue: (6965784, 1000000),
    piexif.ExifIFD.ApertureValue: (8918863, 1000000),
    piexif.ExifIFD.BrightnessValue: (-3, 7),
    piexif.ExifIFD.ExposureBiasValue: (-1, 3),
    piexif.ExifIFD.MaxApertureValue: (3, 1),
    piexif.ExifIFD.SubjectDistance: (31, 100),
    piexif.ExifIFD.MeteringMode: 5,
    piexif.ExifIFD.LightSource: 4,
    piexif.ExifIFD.SensitivityType: 2,
    piexif.ExifIFD.RecommendedExposureIndex: 200,
    piexif.ExifIFD.SpectralSensitivity: "none",
    piexif.ExifIFD.SubjectLocation: (10, 11),
    piexif.ExifIFD.SensingMethod: 2,
    piexif.ExifIFD.FileSource: b"\x03",
    piexif.ExifIFD.SceneType: b"\x01",
    piexif.ExifIFD.CustomRendered: 0,
    piexif.ExifIFD.ExposureMode: 1,
    piexif.ExifIFD.WhiteBalance: 1,
    piexif.ExifIFD.DigitalZoomRatio: (11, 10),
    piexif.ExifIFD.FocalLengthIn35mmFilm: 150,
    piexif.ExifIFD.SceneCaptureType: 0,
    piexif.ExifIFD.GainControl: 0,
    piexif.ExifIFD.Contrast: 0,
    piexif.ExifIFD.Saturation: 2,
    piexif.ExifIFD.Sharpness: 1,
    piexif.ExifIFD.SubjectDistanceRange: 1,
    piexif.ExifIFD.CameraOwnerName: "Praxis Müller".encode(),
    piexif.ExifIFD.LensSpecification: ((100, 1), (100, 1), (28, 10), (28, 10)),
    piexif.ExifIFD.LensMake: "Quillon",
    piexif.ExifIFD.LensSerialNumber: "L-1",
    piexif.ExifIFD.FlashEnergy: (5, 3),
    piexif.ExifIFD.ExposureIndex: (200, 1),
    piexif.ExifIFD.OECF: b"\x01\x00\x01\x00a\x00" + b"\x01\x00\x00\x00\x02\x00\x00\x00",
    piexif.ExifIFD.CFAPattern: b"\x00\x02\x00\x02\x00\x01\x01\x02",
    piexif.ExifIFD.Flash: 0x5F,
}


@st.composite
def exif_blocks(draw: st.DrawFn) -> bytes:
    extra = draw(st.lists(st.sampled_from(sorted(_EXTRAS)), unique=True, max_size=len(_EXTRAS)))
    return exif_block(
        draw(st.integers(1, 8)),
        draw(_MOMENTS),
        draw(st.sampled_from(["+01:00", "-11:30", "Z", "   :  ", ""])),
        {tag: _EXTRAS[tag] for tag in extra},
    )


@st.composite
def _entries(draw: st.DrawFn, kind: str, size: tuple[int, int], orientation: int) -> Photograph:
    view = draw(st.sampled_from(View))
    teeth = draw(st.sampled_from(meanings(view)[:1] if draw(st.booleans()) else meanings(view)))
    axis = sight(view, teeth).looking
    tops = [None, *(d for d in Direction if d not in (axis, axis.opposite))]
    circumstances = Circumstances(*(draw(WORDS) for _ in Circumstances.__dataclass_fields__))
    entry = Photograph(
        Path("IMG_0101.JPG"),
        view,
        draw(st.booleans()) and not view.is_extraoral,
        teeth,
        draw(st.sampled_from(tops)),
        draw(st.sampled_from(Operator)),
        None,
        draw(NAMES),
        draw(_LONG_WORDS),
        circumstances,
    )
    if draw(st.booleans()):
        return entry
    width, height = turned_size(entry.plan(orientation).correction.value, *size)
    left, top = draw(st.integers(0, width - 9)), draw(st.integers(0, height - 9))
    crop = Crop(left, top, draw(st.integers(9, width - left)), draw(st.integers(9, height - top)))
    return Photograph(**{**vars(entry), "crop": crop})


@st.composite
def photographs(draw: st.DrawFn) -> Made:
    """The instances of a photograph of any kind, of which anything is said."""
    kind = draw(st.sampled_from(JPEG_KINDS) | st.sampled_from(OTHER_KINDS))
    size = draw(st.sampled_from(SIZES))
    block = draw(st.none() | exif_blocks())
    data = picture(kind, *size, block)
    carried = block is not None and kind not in ("bmp",)
    orientation = _orientation_of(block) if carried and block is not None else 1
    return make(
        draw(_entries(kind, size, orientation)),
        data,
        patient=draw(patients()),
        visit=draw(visits()),
        edges=draw(st.sampled_from(["trim", "lossless"])),
        number=draw(st.integers(1, 9999)),
    )


def _orientation_of(block: bytes) -> int:
    return int(piexif.load(block)["0th"][piexif.ImageIFD.Orientation])
