"""Makes ``types.json`` anew from the module tables that the package highdicom bundles.

A developer's command: ``python -m archiver.standard.tables.refresh``. Nothing at run time needs
highdicom. Equal item descriptions are stored once, as shapes, since most sequences of an IOD
share a few macros; that keeps the full depth of nesting in a small file.
"""

from __future__ import annotations

import json
from collections import Counter
from importlib import resources
from pathlib import Path
from typing import Any

IOD = "vl-photographic-image"

# Names for the shapes that conditions and bindings refer to, by an attribute that has the shape.
_NAMED_AFTER = {
    "EquivalentCodeSequence": "basic-code",
    "PurposeOfReferenceCodeSequence": "code",
    "ReferencedStudySequence": "sop-reference",
    "OperatorIdentificationSequence": "person",
    "AcquisitionContextSequence": "content-item",
    "ContentItemModifierSequence": "content-item-modifier",
    "AnatomicRegionSequence": "anatomic-region",
    "PrimaryAnatomicStructureSequence": "anatomic-structure",
    "ViewCodeSequence": "view",
    "SourceImageSequence": "source-image",
    "DeviceSequence": "device-item",
    "ContributingEquipmentSequence": "contributing-equipment",
    "IssuerOfAccessionNumberSequence": "issuer",
    "ReferencedSeriesSequence": "referenced-series",
    "IconImageSequence": "icon-image",
}

Shape = dict[str, Any]


def _nest(rows: list[dict[str, Any]]) -> Shape:
    """Turn rows with paths into a tree ``keyword -> (type, tree of the item)``."""
    tree: Shape = {}
    for row in rows:
        level = tree
        for step in row["path"]:
            level = level.setdefault(step, [None, {}])[1]
        level.setdefault(row["keyword"], [None, {}])[0] = row["type"]
    return tree


class _Shapes:
    """Stores equal shapes once and counts which sequences have them."""

    def __init__(self) -> None:
        self.rows: dict[tuple[Any, ...], int] = {}
        self.owners: dict[int, Counter[str]] = {}

    def add(self, tree: Shape, owner: str) -> int:
        key = tuple(
            sorted(
                (k, kind, self.add(inner, k) if inner else 0) for k, (kind, inner) in tree.items()
            )
        )
        number = self.rows.setdefault(key, len(self.rows) + 1)
        self.owners.setdefault(number, Counter())[owner] += 1
        return number

    def names(self) -> dict[int, str]:
        chosen: dict[int, str] = {}
        taken: set[str] = set()
        for number, owners in self.owners.items():
            owner = next((o for o in owners if o in _NAMED_AFTER), owners.most_common(1)[0][0])
            name = base = _NAMED_AFTER.get(owner, owner)
            count = 1
            while name in taken:
                count += 1
                name = f"{base}-{count}"
            taken.add(name)
            chosen[number] = name
        return chosen


def build(module_map: dict[str, Any], attribute_map: dict[str, Any]) -> dict[str, Any]:
    """Return the content of ``types.json`` for the IOD."""
    shapes = _Shapes()
    modules = [
        {
            "name": module["key"],
            "usage": module["usage"],
            "shape": shapes.add(_nest(attribute_map[module["key"]]), module["key"]),
        }
        for module in module_map[IOD]
    ]
    names = shapes.names()
    for module in modules:
        module["shape"] = names[module["shape"]]
    return {
        "iod": IOD,
        "modules": modules,
        "shapes": {
            names[number]: {k: [kind, names[inner]] if inner else kind for k, kind, inner in key}
            for key, number in shapes.rows.items()
        },
    }


def as_text(table: dict[str, Any]) -> str:
    """Return the table as JSON with a line for each module and each shape."""
    lines = ['{"iod": ' + json.dumps(table["iod"]) + ",", '"modules": [']
    lines.append(",\n".join(json.dumps(m) for m in table["modules"]) + "],")
    lines.append('"shapes": {')
    rows = (f"{json.dumps(name)}: {json.dumps(row)}" for name, row in table["shapes"].items())
    lines.append(",\n".join(rows) + "}}")
    return "\n".join(lines) + "\n"


def fresh_text() -> str:
    """Return what ``types.json`` should hold, read from the highdicom that is installed."""
    bundled = resources.files("highdicom").joinpath("_standard")
    module_map = json.loads(bundled.joinpath("iod_module_map.json").read_bytes())
    attribute_map = json.loads(bundled.joinpath("module_attribute_map.json").read_bytes())
    return as_text(build(module_map, attribute_map))


if __name__ == "__main__":
    Path(__file__).with_name("types.json").write_text(fresh_text(), encoding="utf-8")
