"""Reading headers of an archive that sends only whole objects: by C-GET, the pixels let go."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydicom import Dataset

from archiver.network.client.dimse.receiver import Basket
from archiver.network.client.dimse.retrieve import RetrieveScope, retrieve_into
from archiver.network.client.header_cache import slim
from archiver.network.peers import DimsePeer
from archiver.objects import open_dataset, text

_CANNOT_UNDERSTAND = 0xC000


class _Headers(Basket):
    """Takes objects, and keeps only what stands before their pixels."""

    def __init__(self) -> None:
        super().__init__(Path())
        self.headers: dict[str, Dataset] = {}

    def take(self, event: Any) -> int:
        """Read the header of an object that comes."""
        try:
            header = slim(open_dataset(event.encoded_dataset(include_meta=True)))
            self.headers[str(header.SOPInstanceUID)] = header
            self.came.add(str(header.SOPInstanceUID))
        except Exception:  # pydicom raises whatever the bytes lead it to
            return _CANNOT_UNDERSTAND
        return 0


def fetch_headers(peer: DimsePeer, answers: Sequence[Dataset]) -> dict[str, Dataset]:
    """Return headers by SOP Instance UID; those that do not come are missing.

    Parameters
    ----------
    peer
        Whom to ask.
    answers
        Of the IMAGE level, with the unique keys of all levels.

    Raises
    ------
    NetworkError
        If the peer cannot be reached, refuses, or is silent.
    """
    by_series: dict[tuple[str, str, str], list[str]] = defaultdict(list)
    for one in answers:
        names = ("StudyInstanceUID", "SeriesInstanceUID", "PatientID")
        study, series, patient = (text(one, name) for name in names)
        by_series[study, series, patient].append(text(one, "SOPInstanceUID"))
    wanted = [
        RetrieveScope(study, series, tuple(instances), patient)
        for (study, series, patient), instances in by_series.items()
    ]
    classes = [text(one, "SOPClassUID") for one in answers if text(one, "SOPClassUID")]
    basket = _Headers()
    retrieve_into(peer, wanted, basket, classes=classes)
    return basket.headers
