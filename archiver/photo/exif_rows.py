"""The table that carries EXIF into attributes of DICOM, a row a tag.

Source of the correspondence: PS3.17 Annex NNNN and the modules VL Photographic Equipment and
VL Photographic Acquisition (PS3.3 C.8.12), whose attributes bear the names of the EXIF tags.
Source of tags, types, codes and "unknown" values: EXIF 2.32 (CIPA DC-008). Limits of what is
believed (an aperture of f/0.01 is no aperture) are common practice.

Left out on purpose: everything of location; the maker's note and Device Setting Description
(opaque bytes that may hold anything, location too); White Point and Primary Chromaticities
(two and six numbers in EXIF, one and three in the dictionary); comments, titles and authors,
which are free text that may name the patient.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

from archiver.photo.camera_file import AttributeValue
from archiver.photo.ifd import TagValue
from archiver.wording import Text

Converter: TypeAlias = Callable[[TagValue, str], "AttributeValue | None"]
Where: TypeAlias = Literal["main", "exif", "interop"]


_NOT_KNOWN = (0xFFFFFFFF, -1)  # the same bits, unsigned and signed


class Unbelievable(ValueError):
    """A value that cannot be meant.

    Parameters
    ----------
    why
        What of it cannot be.
    """

    def __init__(self, why: Text) -> None:
        super().__init__(why)
        self.why = why


@dataclass(frozen=True)
class ExifRow:
    """One row: where the tag stands, its number, the keyword and what turns one into the other.

    The converter takes the raw value and the byte order (``<`` or ``>``, for nested binary
    values); it returns None where EXIF says "unknown" and raises `Unbelievable`.
    """

    where: Where
    tag: int
    keyword: str
    convert: Converter


PLACES_IN_PIXELS = frozenset({"SubjectArea", "SubjectLocation"})
"""Keywords that hold positions in the stored picture: wrong once it is turned or cropped."""


def decimal(number: float) -> str:
    """Write a number as a decimal string of at most 16 characters (PS3.5 6.2, VR DS)."""
    if number == int(number) and abs(number) < 1e15:
        return str(int(number))
    for digits in range(15, 0, -1):
        text = f"{number:.{digits}g}"
        if len(text) <= 16:
            return text
    raise Unbelievable(Text("photo.exif_value.no_decimal", number=number))


def words(raw: bytes) -> str | None:
    """Read text: up to the first NUL, UTF-8 or else Latin-1, without control characters."""
    stem = raw.split(b"\0", 1)[0]
    try:
        text = stem.decode("utf-8")
    except UnicodeDecodeError:
        text = stem.decode("latin-1")
    text = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(text.split()) or None


def _rationals(value: TagValue) -> tuple[tuple[int, int], ...]:
    if isinstance(value, tuple) and value:
        if all(isinstance(v, tuple) for v in value):
            return tuple(v for v in value if isinstance(v, tuple))
        # Some writers put whole numbers where a rational belongs.
        if all(isinstance(v, int) for v in value):
            return tuple((v, 1) for v in value if isinstance(v, int))
    raise Unbelievable(Text("photo.exif_value.no_fraction"))


def _whole(value: TagValue) -> tuple[int, ...]:
    if isinstance(value, tuple) and value:
        numbers = tuple(v for v in value if isinstance(v, int))
        if len(numbers) == len(value):
            return numbers
    raise Unbelievable(Text("photo.exif_value.no_whole_number"))


def _fraction(pair: tuple[int, int]) -> float:
    top, bottom = pair
    if bottom == 0:
        raise Unbelievable(Text("photo.exif_value.fraction", top=top, bottom=bottom))
    return top / bottom


def fraction(low: float, high: float, *, unknown: tuple[int, ...] = ()) -> Converter:
    """Make a converter of one fraction to DS, believed between `low` and `high`.

    `unknown` lists numerators by which EXIF says that the value is not known; a denominator
    of FFFFFFFF says so everywhere (EXIF 2.32, tags 37888 to 37893).
    """

    def convert(value: TagValue, order: str) -> AttributeValue | None:
        pair = _rationals(value)[0]
        if pair[0] in unknown or pair[1] in _NOT_KNOWN or pair == (0, 0):
            return None
        number = _fraction(pair)
        if not low <= number <= high:
            raise Unbelievable(
                Text(
                    "photo.exif_value.outside",
                    number=f"{number:g}",
                    low=f"{low:g}",
                    high=f"{high:g}",
                )
            )
        return decimal(number)

    return convert


def fractions(count: tuple[int, int]) -> Converter:
    """Make a converter of several fractions to DS."""

    def convert(value: TagValue, order: str) -> AttributeValue | None:
        pairs = _rationals(value)
        if not count[0] <= len(pairs) <= count[1]:
            raise Unbelievable(Text("photo.exif_value.count", n=len(pairs)))
        if (0, 0) in pairs:
            return None  # EXIF 2.32, Lens Specification: 0/0 is "unknown"
        texts = tuple(decimal(_fraction(pair)) for pair in pairs)
        return texts if len(texts) > 1 else texts[0]

    return convert


def code(*allowed: int) -> Converter:
    """Make a converter of one code to US; a code outside EXIF's own list is left out."""

    def convert(value: TagValue, order: str) -> AttributeValue | None:
        # Types byte and undefined hold small codes too (File Source, Scene Type).
        number = value[0] if isinstance(value, bytes) and value else _whole(value)[0]
        if number not in allowed:
            raise Unbelievable(Text("photo.exif_value.code", number=number))
        return int(number)

    return convert


def integer(low: int, high: int, *, unknown: tuple[int, ...] = ()) -> Converter:
    """Make a converter of one whole number to IS."""

    def convert(value: TagValue, order: str) -> AttributeValue | None:
        number = _whole(value)[0]
        if number in unknown:
            return None
        if not low <= number <= high:
            raise Unbelievable(Text("photo.exif_value.outside", number=number, low=low, high=high))
        return number

    return convert


def integers(low: int, high: int) -> Converter:
    """Make a converter of `low` to `high` whole numbers to IS."""

    def convert(value: TagValue, order: str) -> AttributeValue | None:
        numbers = _whole(value)
        if not low <= len(numbers) <= high:
            raise Unbelievable(Text("photo.exif_value.count", n=len(numbers)))
        return numbers

    return convert


def text(value: TagValue, order: str) -> AttributeValue | None:
    """Convert text to UT."""
    if not isinstance(value, bytes):
        raise Unbelievable(Text("photo.exif_value.no_text"))
    return words(value)


def version(value: TagValue, order: str) -> AttributeValue | None:
    """Convert the four digits of a version to UT."""
    if not isinstance(value, bytes) or not value[:4].isdigit() or len(value) < 4:
        raise Unbelievable(Text("photo.exif_value.no_version"))
    return value[:4].decode("ascii")


def battery(value: TagValue, order: str) -> AttributeValue | None:
    """Convert the battery's level, a fraction or a text, to UT."""
    return text(value, order) if isinstance(value, bytes) else fraction(0, 1000)(value, order)


def interoperability(value: TagValue, order: str) -> AttributeValue | None:
    """Convert the rule of interoperability (R98, R03, THM) to CS."""
    known = text(value, order)
    if known not in ("R98", "R03", "THM"):
        raise Unbelievable(Text("photo.exif_value.rule"))
    return known


def octets(value: TagValue, order: str) -> AttributeValue | None:
    """Carry a version of four bytes unchanged to OB."""
    if not isinstance(value, bytes) or len(value) != 4:
        raise Unbelievable(Text("photo.exif_value.not_four_bytes"))
    return value


def flash(shift: int, mask: int, *allowed: int) -> Converter:
    """Make a converter of one field of the Flash tag: bits from `shift` up, under `mask`.

    Sources: EXIF 2.32, tag 37385: bit 0 fired, bits 1-2 return, 3-4 mode, 5 no flash
    function, 6 red-eye reduction.
    """

    def convert(value: TagValue, order: str) -> AttributeValue | None:
        number = _whole(value)[0]
        if number > 0x7F:
            raise Unbelievable(Text("photo.exif_value.too_many_bits", number=number))
        field = number >> shift & mask
        if field not in allowed:
            raise Unbelievable(Text("photo.exif_value.reserved", code=field, bit=shift))
        return field

    return convert


def _table(value: TagValue, order: str) -> tuple[int, int, tuple[str, ...], tuple[str, ...]]:
    """Read the layout that OECF and spatial frequency response share (ISO 12232, 12233)."""
    if not isinstance(value, bytes) or len(value) < 4:
        raise Unbelievable(Text("photo.exif_value.no_table"))
    columns, rows = struct.unpack_from(order + "HH", value)
    if not 0 < rows * columns <= 1024:
        raise Unbelievable(Text("photo.exif_value.table_size", rows=rows, columns=columns))
    *names, cells = value[4:].split(b"\0", columns)
    if len(names) != columns or len(cells) < 8 * rows * columns:
        raise Unbelievable(Text("photo.exif_value.short_table"))
    flat = struct.unpack_from(f"{order}{2 * rows * columns}i", cells)
    pairs = zip(flat[::2], flat[1::2], strict=True)
    texts = tuple(words(name) or "" for name in names)
    return rows, columns, texts, tuple(decimal(_fraction(pair)) for pair in pairs)


def table(part: int) -> Converter:
    """Make a converter of one part of such a table: 0 rows, 1 columns, 2 names, 3 values."""

    def convert(value: TagValue, order: str) -> AttributeValue | None:
        return _table(value, order)[part]

    return convert


def colour_filter(part: int) -> Converter:
    """Make a converter of the colour filter array: 0 rows, 1 columns, 2 values."""

    def convert(value: TagValue, order: str) -> AttributeValue | None:
        if not isinstance(value, bytes) or len(value) < 5:
            raise Unbelievable(Text("photo.exif_value.no_pattern"))
        # The two numbers inside come in the block's byte order or, from some cameras, in the
        # other one (common practice); the one that fits the length is meant.
        for way in (order, "<" if order == ">" else ">"):
            columns, rows = struct.unpack_from(way + "HH", value)
            if 0 < rows * columns == len(value) - 4 <= 256:
                return (rows, columns, tuple(str(cell) for cell in value[4:]))[part]
        raise Unbelievable(Text("photo.exif_value.pattern_size"))

    return convert


_LIGHTS = (0, 1, 2, 3, 4, *range(9, 16), *range(17, 25), 255)

ROWS: tuple[ExifRow, ...] = (
    ExifRow("main", 33423, "BatteryLevel", battery),
    ExifRow("exif", 33423, "BatteryLevel", battery),
    ExifRow("exif", 33434, "ExposureTimeInSeconds", fraction(1e-7, 36000)),
    ExifRow("exif", 33437, "FNumber", fraction(0.3, 512)),
    ExifRow("exif", 34856, "OECFRows", table(0)),
    ExifRow("exif", 34856, "OECFColumns", table(1)),
    ExifRow("exif", 34856, "OECFColumnNames", table(2)),
    ExifRow("exif", 34856, "OECFValues", table(3)),
    ExifRow("exif", 41484, "SpatialFrequencyResponseRows", table(0)),
    ExifRow("exif", 41484, "SpatialFrequencyResponseColumns", table(1)),
    ExifRow("exif", 41484, "SpatialFrequencyResponseColumnNames", table(2)),
    ExifRow("exif", 41484, "SpatialFrequencyResponseValues", table(3)),
    ExifRow("exif", 41730, "ColorFilterArrayPatternRows", colour_filter(0)),
    ExifRow("exif", 41730, "ColorFilterArrayPatternColumns", colour_filter(1)),
    ExifRow("exif", 41730, "ColorFilterArrayPatternValues", colour_filter(2)),
    ExifRow("exif", 37385, "FlashFiringStatus", flash(0, 1, 0, 1)),
    ExifRow("exif", 37385, "FlashReturnStatus", flash(1, 3, 0, 2, 3)),
    ExifRow("exif", 37385, "FlashMode", flash(3, 3, 0, 1, 2, 3)),
    ExifRow("exif", 37385, "FlashFunctionPresent", flash(5, 1, 0, 1)),
    ExifRow("exif", 37385, "FlashRedEyeMode", flash(6, 1, 0, 1)),
    ExifRow("exif", 34850, "ExposureProgram", code(*range(9))),
    ExifRow("exif", 34852, "SpectralSensitivity", text),
    # 65535 sends the reader to the other sensitivities (EXIF 2.32, tag 34855).
    ExifRow("exif", 34855, "PhotographicSensitivity", integer(1, 65534, unknown=(0, 65535))),
    ExifRow("main", 34859, "SelfTimerMode", integer(0, 3600)),
    ExifRow("exif", 34859, "SelfTimerMode", integer(0, 3600)),
    ExifRow("exif", 34864, "SensitivityType", code(*range(8))),
    ExifRow("exif", 34865, "StandardOutputSensitivity", integer(1, 10**8, unknown=(0,))),
    ExifRow("exif", 34866, "RecommendedExposureIndex", integer(1, 10**8, unknown=(0,))),
    ExifRow("exif", 34867, "ISOSpeed", integer(1, 10**8, unknown=(0,))),
    ExifRow("exif", 34868, "ISOSpeedLatitudeyyy", integer(1, 10**8, unknown=(0,))),
    ExifRow("exif", 34869, "ISOSpeedLatitudezzz", integer(1, 10**8, unknown=(0,))),
    ExifRow("exif", 36864, "EXIFVersion", version),
    ExifRow("exif", 37377, "ShutterSpeedValue", fraction(-20, 30)),
    ExifRow("exif", 37378, "ApertureValue", fraction(-4, 20)),
    ExifRow("exif", 37379, "BrightnessValue", fraction(-100, 100, unknown=_NOT_KNOWN)),
    ExifRow("exif", 37380, "ExposureBiasValue", fraction(-100, 100)),
    ExifRow("exif", 37381, "MaxApertureValue", fraction(-4, 20)),
    # Numerator 0 is "unknown", FFFFFFFF "infinity" (EXIF 2.32, tag 37382).
    ExifRow("exif", 37382, "SubjectDistance", fraction(0, 1e6, unknown=(0, 0xFFFFFFFF))),
    ExifRow("exif", 37383, "MeteringMode", code(0, 1, 2, 3, 4, 5, 6, 255)),
    ExifRow("exif", 37384, "LightSource", code(*_LIGHTS)),
    ExifRow("exif", 37386, "FocalLength", fraction(0.1, 10000, unknown=(0,))),
    ExifRow("exif", 37396, "SubjectArea", integers(2, 4)),
    ExifRow("exif", 37888, "Temperature", fraction(-100, 200)),
    ExifRow("exif", 37889, "Humidity", fraction(0, 100)),
    ExifRow("exif", 37890, "Pressure", fraction(0, 20000)),
    ExifRow("exif", 37891, "WaterDepth", fraction(-12000, 12000)),
    ExifRow("exif", 37892, "Acceleration", fraction(0, 1e7)),
    ExifRow("exif", 37893, "CameraElevationAngle", fraction(-180, 180)),
    ExifRow("exif", 41483, "FlashEnergy", fractions((1, 2))),
    ExifRow("exif", 41492, "SubjectLocation", integers(2, 2)),
    ExifRow("exif", 41493, "PhotographicExposureIndex", fraction(0.01, 1e8)),
    ExifRow("exif", 41495, "SensingMethod", code(1, 2, 3, 4, 5, 7, 8)),
    ExifRow("exif", 41728, "FileSource", code(0, 1, 2, 3)),
    ExifRow("exif", 41729, "SceneType", code(1)),
    ExifRow("exif", 41985, "CustomRendered", code(0, 1)),
    ExifRow("exif", 41986, "ExposureMode", code(0, 1, 2)),
    ExifRow("exif", 41987, "WhiteBalance", code(0, 1)),
    # Numerator 0: digital zoom was not used (EXIF 2.32, tag 41988).
    ExifRow("exif", 41988, "DigitalZoomRatio", fraction(0.1, 1000, unknown=(0,))),
    ExifRow("exif", 41989, "FocalLengthIn35mmFilm", integer(1, 65535, unknown=(0,))),
    ExifRow("exif", 41990, "SceneCaptureType", code(0, 1, 2, 3)),
    ExifRow("exif", 41991, "GainControl", code(0, 1, 2, 3, 4)),
    ExifRow("exif", 41992, "Contrast", code(0, 1, 2)),
    ExifRow("exif", 41993, "Saturation", code(0, 1, 2)),
    ExifRow("exif", 41994, "Sharpness", code(0, 1, 2)),
    ExifRow("exif", 41996, "SubjectDistanceRange", code(0, 1, 2, 3)),
    ExifRow("exif", 42032, "CameraOwnerName", text),
    ExifRow("exif", 42034, "LensSpecification", fractions((4, 4))),
    ExifRow("exif", 42035, "LensMake", text),
    ExifRow("exif", 42036, "LensModel", text),
    ExifRow("exif", 42037, "LensSerialNumber", text),
    ExifRow("interop", 1, "InteroperabilityIndex", interoperability),
    ExifRow("interop", 2, "InteroperabilityVersion", octets),
)
