"""Patient Orientation and laterality, without regard to what is shown (PS3.3 C.7.6.1.1.1)."""

from __future__ import annotations

from archiver.standard.elements import Item, Levels
from archiver.standard.report import ObjectFindings
from archiver.wording import Text

_ORIENTATION = 0x00200020
_AXES = (frozenset("LR"), frozenset("AP"), frozenset("HF"))
_LONGEST = 3


def check_orientation(dataset: Item, levels: Levels, report: ObjectFindings) -> None:
    """Check the letters of every Patient Orientation, and the sides against each other."""
    quadruped = dataset.text("AnatomicalOrientationType") == "QUADRUPED"
    for prefix, item in levels:
        values = item.texts("PatientOrientation")
        if len(values) == 2 and not quadruped:
            trouble = _trouble(values[0], values[1])
            if trouble:
                report.add_at("orientation-impossible", prefix, _ORIENTATION, found=trouble)
    _check_laterality(dataset, report)


def _trouble(rows: str, columns: str) -> Text | str:
    for value in (rows, columns):
        if not value or len(value) > _LONGEST or not set(value) <= set("LRAPHF"):
            return f"'{rows}\\{columns}'"
        if any(len(axis & set(value)) > 1 for axis in _AXES) or len(set(value)) < len(value):
            return Text("standard.orientation_rules.contradicts_itself", value=value)
    if any(rows[0] in axis and columns[0] in axis for axis in _AXES):
        return Text("standard.orientation_rules.one_axis", rows=rows, columns=columns)
    return ""


def _check_laterality(dataset: Item, report: ObjectFindings) -> None:
    series, image = dataset.text("Laterality"), dataset.text("ImageLaterality")
    if series and image:
        rule = "laterality-contradicts" if series != image else "laterality-twice"
        report.add_at(
            rule,
            "",
            0x00200060,
            found=Text(
                "standard.orientation_rules.laterality_image", series=series[:4], image=image[:4]
            ),
        )
