"""What the modules of an IOD require of each attribute, joined from the tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from pydicom._uid_dict import UID_dictionary

from archiver.standard.conditions import Condition, condition_of
from archiver.standard.dictionary import tag_of
from archiver.standard.tables import load_json, load_toml
from archiver.wording import Text

PHOTOGRAPHIC = "1.2.840.10008.5.1.4.1.1.77.1.4"

# Modules that every composite image of a patient has alike (PS3.3 A.1.4).
_COMMON_MODULES = (
    "patient",
    "clinical-trial-subject",
    "general-study",
    "patient-study",
    "clinical-trial-study",
    "general-series",
    "clinical-trial-series",
    "general-equipment",
    "sop-common",
)
_OVERLAY = "overlay-plane"
# Structured reports and key object selections have a series module of their own (PS3.3 C.17.1).
_DOCUMENTS = "1.2.840.10008.5.1.4.1.1.88."

# Where a module is specified (PS3.3).
_SECTIONS = {
    "patient": "C.7.1.1",
    "clinical-trial-subject": "C.7.1.3",
    "general-study": "C.7.2.1",
    "patient-study": "C.7.2.2",
    "clinical-trial-study": "C.7.2.3",
    "general-series": "C.7.3.1",
    "clinical-trial-series": "C.7.3.2",
    "general-equipment": "C.7.5.1",
    "vl-photographic-equipment": "C.8.12.6",
    "general-acquisition": "C.7.10.1",
    "general-image": "C.7.6.1",
    "general-reference": "C.12.4",
    "image-pixel": "C.7.6.3",
    "acquisition-context": "C.7.6.14",
    "device": "C.7.6.12",
    "specimen": "C.7.6.22",
    "vl-image": "C.8.12.1",
    "vl-photographic-acquisition": "C.8.12.7",
    "vl-photographic-geolocation": "C.8.12.8",
    "overlay-plane": "C.9.2",
    "icc-profile": "C.11.15",
    "sop-common": "C.12.1",
    "common-instance-reference": "C.12.2",
}


@dataclass(frozen=True)
class AttributeRequirement:
    """One attribute of one module or item.

    Parameters
    ----------
    tag, keyword
        Of the attribute.
    kind
        ``1``, ``1C``, ``2``, ``2C`` or ``3``.
    words
        The condition in words, empty for a type without one.
    when
        The condition for the machine, ``None`` where the header cannot tell.
    forbidden
        Whether the attribute may not be there when the condition does not hold.
    clause
        Where PS3.3 says so; empty where the section of the module is meant.
    least, most
        Number of items; ``most`` is ``None`` for no limit.
    inner
        Name of the shape of its items, empty where it is no sequence.
    """

    tag: int
    keyword: str
    kind: str
    words: Text | str
    when: Condition | None
    forbidden: bool
    clause: str
    least: int
    most: int | None
    inner: str


@dataclass(frozen=True)
class Rows:
    """The requirements of a module or item, sorted for checking.

    ``needed`` are those that something can be wrong with when the attribute is absent.
    """

    by_tag: Mapping[int, AttributeRequirement]
    needed: tuple[AttributeRequirement, ...]


@dataclass(frozen=True)
class Module:
    """A module of the IOD with its usage: mandatory, conditional or by the user's choice.

    ``own_tags`` are the attributes that no mandatory module has: one of them shows that the
    module is used.
    """

    name: str
    usage: str
    clause: str
    rows: Rows
    own_tags: frozenset[int]


@cache
def requirements_of(shape: str) -> tuple[AttributeRequirement, ...]:
    """Return what a module or an item of that shape requires."""
    table = load_json("types")["shapes"][shape]
    conditions = load_toml("conditions")
    found = []
    for keyword, row in table.items():
        if shape == _OVERLAY:
            break
        kind, inner = (row, "") if isinstance(row, str) else row
        under = shape if keyword in conditions.get(shape, {}) else "any"
        rule = conditions[under].get(keyword) if kind.endswith("C") else None
        words = "" if rule is None else Text(f"conditions.{under}.{keyword}.words")
        rule = rule or {}
        least, most = _item_count(shape, keyword, kind)
        found.append(
            AttributeRequirement(
                tag_of(keyword),
                keyword,
                kind,
                words,
                condition_of(rule["when"]) if "when" in rule else None,
                rule.get("otherwise") == "forbidden",
                rule.get("clause", ""),
                least,
                most,
                inner,
            )
        )
    return tuple(found)


@cache
def rows_of(shape: str) -> Rows:
    """Return the requirements of a module or item, sorted for checking."""
    requirements = requirements_of(shape)
    return Rows(
        {r.tag: r for r in requirements},
        tuple(r for r in requirements if r.kind in ("1", "2") or r.when is not None),
    )


def _item_count(shape: str, keyword: str, kind: str) -> tuple[int, int | None]:
    names = {keyword, f"{shape}.{keyword}"}
    counts = load_toml("sequences")
    least = 0 if kind.startswith("2") else 1
    if names & set(counts["one"]["sequences"]):
        return least, 1
    if names & set(counts["at_most_one"]["sequences"]):
        return 0, 1
    return least, None


# Words in the names of SOP classes whose objects belong to no patient (PS3.3 A.1.4, F.3).
_WITHOUT_PATIENT = (
    "Palette",
    "Hanging Protocol",
    "Implant",
    "Media Storage Directory",
    "Defined Procedure Protocol",
    "Inventory",
)


def belongs_to_patient(sop_class: str) -> bool:
    """Whether objects of a SOP class are of a patient, study and series: images, reports."""
    name, kind = UID_dictionary.get(sop_class, ("", "SOP Class"))[:2]
    stored = kind == "SOP Class" and ("Storage" in name or not name) and bool(sop_class)
    return stored and not any(word in name for word in _WITHOUT_PATIENT)


@cache
def modules_of(sop_class: str, has_pixels: bool) -> tuple[Module, ...]:
    """Return the modules that can be checked for a SOP class, the overlay apart.

    For the VL Photographic Image IOD that is all of them; for any other of a patient the modules
    that every image shares, and the pixel description where there are pixels; for an object
    without a patient SOP Common alone.
    """
    shared: tuple[str, ...] = _COMMON_MODULES if belongs_to_patient(sop_class) else ("sop-common",)
    if sop_class.startswith(_DOCUMENTS):
        shared = tuple(name for name in shared if name != "general-series")
    found = []
    for row in load_json("types")["modules"]:
        name = row["name"]
        common = name in shared or (name == "image-pixel" and has_pixels)
        if name == _OVERLAY or not (sop_class == PHOTOGRAPHIC or common):
            continue
        clause = f"PS3.3 {_SECTIONS[name]}"
        rows = rows_of(row["shape"])
        own = frozenset(rows.by_tag) - mandatory_tags()
        found.append(Module(name, row["usage"], clause, rows, own))
    return tuple(found)


@cache
def mandatory_tags() -> frozenset[int]:
    """Return the top-level tags of the modules that a photograph must have."""
    modules = load_json("types")["modules"]
    shapes = [m["shape"] for m in modules if m["usage"] == "M"]
    return frozenset(r.tag for shape in shapes for r in requirements_of(shape))


@cache
def known_tags() -> frozenset[int]:
    """Return the top-level tags of all modules of the VL Photographic Image IOD."""
    return frozenset(tag for m in modules_of(PHOTOGRAPHIC, True) for tag in m.rows.by_tag)
