"""The SOP classes of objects that belong to a patient's study (PS3.4 B.5), retired ones too.

They come from pydicom's copy of PS3.6 table A-1, and what later editions added.
"""

from __future__ import annotations

import functools

#: Root of the composite storage classes; what lies elsewhere (hanging protocols, implant templates)
#: belongs to no patient.
_COMPOSITE = "1.2.840.10008.5.1.4.1.1."
#: Label Map and Height Map Segmentation, Waveform and Waveform Acquisition Presentation State.
_LATER = tuple(_COMPOSITE + ending for ending in ("66.7", "66.8", "9.100.1", "9.100.2"))


@functools.cache
def storage_classes() -> tuple[str, ...]:
    """Return the storage classes that the standard knows, in the order of their UIDs."""
    # Imported here: nothing else of this room needs the dictionary.
    from pydicom.uid import UID_dictionary  # type: ignore[attr-defined]

    found = [
        uid
        for uid, (name, kind, *_) in UID_dictionary.items()
        if kind == "SOP Class" and "Storage" in name and uid.startswith(_COMPOSITE)
    ]
    found += _LATER
    return tuple(sorted(set(found), key=lambda uid: [int(part) for part in uid.split(".")]))
