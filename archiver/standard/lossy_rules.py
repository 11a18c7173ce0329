"""The history of lossy compression (PS3.3 C.7.6.1.1.5): told, complete, and plausible."""

from __future__ import annotations

from archiver.standard.elements import Item
from archiver.standard.pixel_rules import CompressedFrame
from archiver.standard.report import ObjectFindings
from archiver.wording import Text

_FLAG = 0x00282110
_RATIO = 0x00282112
_METHOD = 0x00282114

# The ratio of the last step is bytes before to bytes after; rounding and the choice of what to
# count (headers, padding, 4:2:2 or full size before) let it differ, but hardly by more.
_RATIO_TOLERANCE = 2.1
_HIGHEST_RATIO = 1000.0


def check_lossy_history(dataset: Item, frame: CompressedFrame, report: ObjectFindings) -> None:
    """Check flag, ratios and methods against each other and against the stream."""
    if "SamplesPerPixel" not in dataset:
        return
    flag = dataset.text("LossyImageCompression")
    ratios = dataset.numbers("LossyImageCompressionRatio")
    methods = dataset.texts("LossyImageCompressionMethod")
    lossy = _stream_is_lossy(frame)
    if lossy and flag != "01":
        report.add_at(
            "lossy-flag-contradicts-stream",
            "",
            _FLAG,
            found=Text(
                "standard.lossy_rules.lossy_stream",
                flag=flag,
                syntax=frame.syntax.name if frame.syntax else "",
            ),
            expected="'01'",
        )
    if flag != "01":
        if ratios or methods:
            tag = _RATIO if ratios else _METHOD
            report.add_at(
                "lossy-history-without-flag",
                "",
                tag,
                found=Text("standard.lossy_rules.history", flag=flag),
            )
        return
    if not ratios:
        report.add_at(
            "lossy-ratio-missing", "", _RATIO, found=Text("standard.lossy_rules.no_ratio")
        )
    if not methods:
        report.add_at(
            "lossy-method-missing", "", _METHOD, found=Text("standard.lossy_rules.no_method")
        )
    if ratios and methods and len(ratios) != len(methods):
        found = Text(
            "standard.lossy_rules.ratios_methods", ratios=len(ratios), methods=len(methods)
        )
        report.add_at("lossy-history-unpaired", "", _RATIO, found=found)
    _check_last_step(dataset, frame, ratios, methods, lossy, report)


def _stream_is_lossy(frame: CompressedFrame) -> bool:
    """Whether the stream certainly lost something, by its transfer syntax or its headers."""
    if frame.syntax is None or frame.syntax.is_native:
        return False
    if frame.syntax.lossy == "always":
        return True
    return frame.stream is not None and frame.stream.lossless is False


def _check_last_step(
    dataset: Item,
    frame: CompressedFrame,
    ratios: tuple[float, ...],
    methods: tuple[str, ...],
    lossy: bool,
    report: ObjectFindings,
) -> None:
    if any(not 1.0 < r <= _HIGHEST_RATIO for r in ratios):
        shown = ", ".join(f"{r:g}" for r in ratios[:8])
        report.add_at("lossy-ratio-implausible", "", _RATIO, found=shown)
        return
    syntax = frame.syntax
    if not lossy or syntax is None:
        return
    if methods and syntax.method and methods[-1] != syntax.method:
        report.add_at(
            "lossy-method-contradicts-stream",
            "",
            _METHOD,
            found=Text("standard.lossy_rules.last", methods=methods[-1][:32]),
            expected=f"'{syntax.method}'",
        )
    raw = _uncompressed_bytes(dataset)
    if not ratios or not frame.length or not raw:
        return
    actual = raw / frame.length
    if not actual / _RATIO_TOLERANCE <= ratios[-1] <= actual * _RATIO_TOLERANCE:
        report.add_at(
            "lossy-ratio-implausible",
            "",
            _RATIO,
            found=f"{ratios[-1]:g}",
            expected=Text("standard.lossy_rules.about_frame_size", actual=f"{actual:.1f}"),
        )


def _uncompressed_bytes(dataset: Item) -> float:
    size = 1.0
    for keyword in ("Rows", "Columns", "SamplesPerPixel", "BitsAllocated"):
        size *= dataset.number(keyword) or 0
    return size * max(dataset.number("NumberOfFrames") or 1, 1) / 8
