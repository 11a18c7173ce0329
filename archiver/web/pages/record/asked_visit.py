"""Which visit an address names: by a study, and by a person where the study holds several."""

from __future__ import annotations

from starlette.requests import Request

from archiver.archive.store import Archive
from archiver.web.http_errors import Refused
from archiver.web.visits import PhotographedDay, visits_of_study


def asked_visit(archive: Archive, request: Request) -> PhotographedDay:
    """Return the visit that a request's address names.

    Raises
    ------
    Refused
        If there is none.
    """
    return asked_among(archive, request)[0]


def asked_among(
    archive: Archive, request: Request
) -> tuple[PhotographedDay, list[PhotographedDay]]:
    """Return the visit that a request's address names, and the other people's of its study.

    Raises
    ------
    Refused
        If there is none.
    """
    within = visits_of_study(archive, str(request.path_params["study"]))
    asked = request.query_params.get("person", "1")
    found = next((one for one in within if str(one.place + 1) == asked), None)
    if found is None:
        raise Refused(404, "record.no_visit")
    return found, [one for one in within if one is not found]
