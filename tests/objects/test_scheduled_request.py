"""What a visit was scheduled for stands in Request Attributes (PS3.3 C.7.3.1, table 10-9)."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest
from object_samples import VISIT
from pydicom import Dataset

from archiver.objects.modules import set_request
from archiver.objects.session import Request

#: Attribute of the item by the field of a request, as table 10-9 names it.
KEYWORDS = {
    "procedure_id": "RequestedProcedureID",
    "procedure": "RequestedProcedureDescription",
    "step_id": "ScheduledProcedureStepID",
    "step": "ScheduledProcedureStepDescription",
}


def item_of(request: Request | None, accession: str = "A-1") -> Dataset | None:
    ds = Dataset()
    set_request(ds, replace(VISIT, accession=accession, request=request), "2.25.1")
    return ds.RequestAttributesSequence[0] if "RequestAttributesSequence" in ds else None


@pytest.mark.parametrize("field", KEYWORDS)
def test_each_thing_that_a_worklist_says_stands_in_its_attribute(field: str) -> None:
    item = item_of(Request(**{field: "said"}))
    assert item is not None
    said = {one.keyword: one.value for one in item}
    assert said == {
        "AccessionNumber": "A-1", "StudyInstanceUID": "2.25.1", KEYWORDS[field]: "said",
    }  # fmt: skip


def test_what_is_not_said_is_left_out() -> None:
    assert {one.name for one in fields(Request)} == {*KEYWORDS, "protocol"}
    item = item_of(Request(), accession="")
    assert item is not None and [one.keyword for one in item] == ["StudyInstanceUID"]
    assert item_of(None) is None
