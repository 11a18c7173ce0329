"""Pixel description and pixel data: do they agree with each other and with the encoding?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from pydicom._uid_dict import UID_dictionary

from archiver.standard.codestreams import Bytes, Stream, StreamError, kind_of, read_stream
from archiver.standard.elements import PIXEL_DATA, Element, Fragment, Item
from archiver.standard.offset_tables import check_offsets
from archiver.standard.report import ObjectFindings
from archiver.standard.requirements import PHOTOGRAPHIC
from archiver.standard.tables import load_toml
from archiver.wording import Text

_SAMPLES = {
    "MONOCHROME1": 1,
    "MONOCHROME2": 1,
    "PALETTE COLOR": 1,
    "RGB": 3,
    "YBR_FULL": 3,
    "YBR_FULL_422": 3,
    "YBR_PARTIAL_422": 3,
    "YBR_PARTIAL_420": 3,
    "YBR_RCT": 3,
    "YBR_ICT": 3,
    "XYB": 3,
}


@dataclass(frozen=True)
class Syntax:
    """A transfer syntax as ``encodings.toml`` has it."""

    uid: str
    name: str
    codec: str
    lossy: str
    processes: tuple[int, ...]
    colour: tuple[str, ...]
    any: tuple[str, ...]
    method: str
    retired: bool

    @property
    def is_native(self) -> bool:
        """Whether pixel data stand uncompressed and unfragmented in their element."""
        return self.codec == "native"


@dataclass(frozen=True)
class CompressedFrame:
    """The pixel data, as far as the rules about compression history need them.

    ``stream`` is ``None`` where pixels are native or the stream could not be read; ``length`` is
    the number of bytes of all frames, ``None`` where nothing is known.
    """

    syntax: Syntax | None
    stream: Stream | None
    length: int | None


@cache
def syntax_of(uid: str) -> Syntax | None:
    """Return a transfer syntax, ``None`` for one that the table does not have."""
    row: dict[str, Any] | None = load_toml("encodings").get(uid)
    if row is None:
        return None
    colour = tuple(row["colour"])
    return Syntax(
        uid,
        row["name"],
        row["codec"],
        row["lossy"],
        tuple(row.get("processes", ())),
        colour,
        tuple(row.get("any", colour)),
        row.get("method", ""),
        row.get("retired", False),
    )


def check_pixels(
    dataset: Item, syntax_uid: str, data: Bytes, report: ObjectFindings
) -> CompressedFrame:
    """Check pixel description and pixel data.

    Parameters
    ----------
    dataset
        The dataset.
    syntax_uid
        Transfer syntax of the file.
    data
        The bytes that the fragments' offsets refer to.
    """
    syntax = syntax_of(syntax_uid)
    if syntax_uid and syntax is None and not _is_standard(syntax_uid):
        _add_syntax(report, "transfer-syntax-unknown", syntax_uid)
    elif syntax is not None and syntax.retired:
        _add_syntax(report, "transfer-syntax-retired", syntax.name)
    element = dataset.elements.get(PIXEL_DATA)
    if "SamplesPerPixel" in dataset:
        _check_description(dataset, syntax, report)
    if element is None:
        return CompressedFrame(syntax, None, None)
    if element.fragments is None:
        return _check_native(element, dataset, syntax, report)
    return _check_encapsulated(element, dataset, syntax, data, report)


def _is_standard(uid: str) -> bool:
    """Whether the standard knows a transfer syntax that our table does not compare with."""
    return UID_dictionary.get(uid, ("", ""))[1] == "Transfer Syntax"


def _add_syntax(report: ObjectFindings, rule: str, found: str) -> None:
    report.add_at(rule, "", 0x00020010, found=f"'{found}'")


def _check_description(dataset: Item, syntax: Syntax | None, report: ObjectFindings) -> None:
    samples = dataset.number("SamplesPerPixel")
    photometric = dataset.text("PhotometricInterpretation")
    wanted = _SAMPLES.get(photometric)
    if wanted is not None and samples is not None and samples != wanted:
        report.add_at(
            "samples-contradict-photometric",
            "",
            0x00280002,
            found=Text(
                "standard.pixel_rules.samples_with_photometric",
                samples=samples,
                photometric=photometric,
            ),
            expected=f"{wanted}",
        )
    stored, allocated = dataset.number("BitsStored"), dataset.number("BitsAllocated")
    high = dataset.number("HighBit")
    if stored is not None and allocated is not None and not 0 < stored <= allocated:
        report.add_at(
            "bits",
            "",
            0x00280101,
            found=Text("standard.pixel_rules.bits", stored=stored, allocated=allocated),
        )
    if stored is not None and high is not None and high != stored - 1:
        report.add_at("bits", "", 0x00280102, found=str(high), expected=f"{stored - 1}")
    for keyword, tag in (("Rows", 0x00280010), ("Columns", 0x00280011)):
        if dataset.number(keyword) == 0:
            report.add_at(
                "frame-size", "", tag, found="0", expected=Text("standard.pixel_rules.at_least_1")
            )
    frames = dataset.numbers("NumberOfFrames")
    if frames and (frames[0] < 1 or (frames[0] > 1 and _is_photograph(dataset))):
        report.add_at("frame-count", "", 0x00280008, found=f"{frames[0]:g}", expected="1")
    if syntax is not None and wanted == 3:
        _check_photometric(dataset, photometric, syntax, report)


def _is_photograph(dataset: Item) -> bool:
    return dataset.text("SOPClassUID") == PHOTOGRAPHIC


def _check_photometric(
    dataset: Item, photometric: str, syntax: Syntax, report: ObjectFindings
) -> None:
    allowed = syntax.colour if _is_photograph(dataset) else syntax.any
    if syntax.is_native and not _is_photograph(dataset):
        return
    if photometric not in allowed:
        report.add_at(
            "photometric-contradicts-syntax",
            "",
            0x00280004,
            found=Text(
                "standard.pixel_rules.photometric_in_name",
                photometric=photometric,
                name=syntax.name,
            ),
            expected=Text("standard.report.one_of", terms=tuple(allowed)),
        )


def _check_native(
    element: Element, dataset: Item, syntax: Syntax | None, report: ObjectFindings
) -> CompressedFrame:
    length = len(element.value)
    if syntax is not None and not syntax.is_native:
        report.add_at(
            "pixel-data-not-encapsulated",
            "",
            PIXEL_DATA,
            found=Text("standard.pixel_rules.native_data", name=syntax.name),
        )
        return CompressedFrame(syntax, None, None)
    rows, columns = dataset.number("Rows"), dataset.number("Columns")
    samples, allocated = dataset.number("SamplesPerPixel"), dataset.number("BitsAllocated")
    if None in (rows, columns, samples, allocated):
        return CompressedFrame(syntax, None, length)
    if allocated == 16 and element.vr == "OB":
        report.add_at(
            "pixel-data-vr",
            "",
            PIXEL_DATA,
            found=Text("standard.pixel_rules.ob_16_bits"),
            expected="OW",
        )
    frames = dataset.number("NumberOfFrames") or 1
    bits = (rows or 0) * (columns or 0) * (samples or 0) * (allocated or 0) * max(frames, 1)
    if dataset.text("PhotometricInterpretation") == "YBR_FULL_422":
        bits = bits * 2 // 3
        if (columns or 0) % 2:
            report.add_at("columns-odd", "", 0x00280011, found=f"{columns}")
    wanted = (bits + 7) // 8
    if length != wanted + wanted % 2:
        report.add_at(
            "pixel-data-length",
            "",
            PIXEL_DATA,
            found=Text("standard.pixel_rules.bytes", length=length),
            expected=Text("standard.pixel_rules.rows_columns_samples", wanted=wanted + wanted % 2),
        )
    return CompressedFrame(syntax, None, length)


def _check_encapsulated(
    element: Element, dataset: Item, syntax: Syntax | None, data: Bytes, report: ObjectFindings
) -> CompressedFrame:
    fragments = (element.fragments or ())[1:]
    if syntax is not None and syntax.is_native:
        report.add_at(
            "pixel-data-encapsulated",
            "",
            PIXEL_DATA,
            found=Text("standard.pixel_rules.fragments", name=syntax.name),
        )
        return CompressedFrame(syntax, None, None)
    if element.vr != "OB":
        report.add_at("pixel-data-vr", "", PIXEL_DATA, found=element.vr, expected="OB")
    for number, fragment in enumerate(fragments, start=1):
        if fragment.length & 1:
            report.add_at(
                "fragment-odd",
                "",
                PIXEL_DATA,
                found=Text(
                    "standard.pixel_rules.bytes_fragment", length=fragment.length, number=number
                ),
            )
    check_offsets(element, dataset, data, report)
    if not fragments:
        report.add_at(
            "fragments-missing", "", PIXEL_DATA, found=Text("standard.pixel_rules.no_fragment")
        )
        return CompressedFrame(syntax, None, None)
    frames = dataset.number("NumberOfFrames") or 1
    total = sum(f.length for f in fragments)
    if frames > len(fragments) and (syntax is None or syntax.codec != "video"):
        found = Text(
            "standard.pixel_rules.fragments_frames", fragments=len(fragments), frames=frames
        )
        report.add_at(
            "frame-count",
            "",
            PIXEL_DATA,
            found=found,
            expected=Text("standard.pixel_rules.one_frame_at"),
        )
    if syntax is None:
        return CompressedFrame(None, None, total)
    stream = _first_stream(fragments, frames, data)
    return CompressedFrame(syntax, _check_stream(stream, dataset, syntax, report), total)


def _first_stream(fragments: Sequence[Fragment], frames: int, data: Bytes) -> Bytes:
    """Return the stream of the first frame; a single frame may have several fragments."""
    pieces = [data[one.offset : one.offset + one.length] for one in fragments]
    if frames == 1 and len(pieces) > 1:
        return b"".join(map(bytes, pieces))
    return pieces[0]


def _check_stream(
    stream: Bytes, dataset: Item, syntax: Syntax, report: ObjectFindings
) -> Stream | None:
    try:
        told = read_stream(syntax.codec, stream)
    except StreamError as error:
        kind = kind_of(stream)
        if kind and kind != syntax.codec:
            report.add_at(
                "stream-contradicts-syntax",
                "",
                PIXEL_DATA,
                found=Text("standard.pixel_rules.kind_in_name", kind=kind, name=syntax.name),
            )
        else:
            report.add_at("stream-unreadable", "", PIXEL_DATA, found=error.args[0])
        return None
    if told.process and told.process not in syntax.processes:
        report.add_at(
            "stream-contradicts-syntax",
            "",
            PIXEL_DATA,
            found=Text(
                "standard.pixel_rules.frame_header_ff",
                process=f"{told.process:02X}",
                name=syntax.name,
            ),
            expected=Text(
                "standard.report.one_of", terms=tuple(f"FF{p:02X}" for p in syntax.processes)
            ),
        )
    _compare(told, dataset, report)
    _check_ends(told, stream, report)
    _check_jpeg(told, syntax, report)
    return told


def _compare(told: Stream, dataset: Item, report: ObjectFindings) -> None:
    rows = (
        ("frame-size", 0x00280010, "Rows", told.rows),
        ("frame-size", 0x00280011, "Columns", told.columns),
        ("stream-samples", 0x00280002, "SamplesPerPixel", told.samples),
        ("stream-precision", 0x00280101, "BitsStored", told.precision),
    )
    for rule, tag, keyword, actual in rows:
        declared = dataset.number(keyword)
        if actual is not None and declared is not None and actual != declared:
            report.add_at(
                rule,
                "",
                tag,
                found=str(declared),
                expected=Text("standard.pixel_rules.stream", actual=actual),
            )
    photometric = dataset.text("PhotometricInterpretation")
    if told.photometric and photometric and photometric not in told.photometric:
        report.add_at(
            "photometric-contradicts-stream",
            "",
            0x00280004,
            found=photometric,
            expected=Text(
                "standard.pixel_rules.stream_s_components", photometric=tuple(told.photometric)
            ),
        )


def _check_ends(told: Stream, stream: Bytes, report: ObjectFindings) -> None:
    if told.end is None:
        return
    left = bytes(stream[told.end : told.end + 4096])
    surplus = len(stream) - told.end
    if surplus > 1 or left.strip(b"\0\xff"):
        found = Text("standard.pixel_rules.bytes_behind_end", surplus=surplus)
        report.add_at("stream-trailing", "", PIXEL_DATA, found=found)


def _check_jpeg(told: Stream, syntax: Syntax, report: ObjectFindings) -> None:
    for name in dict.fromkeys(told.metadata):
        report.add_at("stream-metadata", "", PIXEL_DATA, found=name)
    jpeg = told.jpeg
    if jpeg is None:
        return
    if jpeg.process.name == "BASELINE" and jpeg.precision != 8:
        report.add_at(
            "stream-precision",
            "",
            PIXEL_DATA,
            found=Text("standard.pixel_rules.bits_baseline", precision=jpeg.precision),
        )
    first_order = all(scan.spectral_start == 1 for scan in jpeg.scans)
    if syntax.uid.endswith(".4.70") and told.process == 0xC3 and not first_order:
        report.add_at(
            "stream-contradicts-syntax",
            "",
            PIXEL_DATA,
            found=Text("standard.pixel_rules.predictor_other_than"),
        )
