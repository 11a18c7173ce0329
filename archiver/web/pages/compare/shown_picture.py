"""What a module of the browser has to know to show a picture from its tiles."""

from __future__ import annotations

from typing import Any

from archiver.web.labels import Label
from archiver.web.pages.compare.picture_source import PictureSource
from archiver.web.pages.compare.tiles import OVERLAP, TILE, grids


def shown_json(source: PictureSource, label: Label) -> dict[str, Any]:
    """Return a picture's label, size and levels as values that JSON has."""
    return {
        "label": label.to_json(),
        "columns": source.size[0],
        "rows": source.size[1],
        "tiles": f"/compare/tile/{source.description.sop_instance_uid}",
        "tile": TILE,
        "overlap": OVERLAP,
        "levels": [
            {
                "reduction": grid.reduction,
                "columns": grid.columns,
                "rows": grid.rows,
                "left": grid.left,
                "top": grid.top,
            }
            for grid in grids(source)
        ],
    }
