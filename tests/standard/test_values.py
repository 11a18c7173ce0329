"""Values at the borders of what PS3.5 6.2 allows."""

from __future__ import annotations

import pytest
from standard_photograph import photograph, written

from archiver.standard.validator import validate_bytes

LONG = "2." + "2" * 62


@pytest.mark.parametrize(
    ("keyword", "value", "rule"),
    [
        ("StudyDate", "20240229", ""),
        ("StudyDate", "20230229", "value-impossible"),
        ("StudyDate", "20261301", "value-impossible"),
        ("StudyTime", "00", ""),
        ("StudyTime", "2359", ""),
        ("StudyTime", "235960", ""),
        ("StudyTime", "235961", "value-impossible"),
        ("StudyTime", "2360", "value-impossible"),
        ("StudyTime", "24", "value-impossible"),
        ("AcquisitionDateTime", "2026", ""),
        ("AcquisitionDateTime", "202612", ""),
        ("AcquisitionDateTime", "20260304", ""),
        ("AcquisitionDateTime", "2026030423", ""),
        ("AcquisitionDateTime", "20260304235959.999999+1400", ""),
        ("AcquisitionDateTime", "20260230", "value-impossible"),
        ("AcquisitionDateTime", "2026023023", "value-impossible"),
        ("AcquisitionDateTime", "2026030424", "value-impossible"),
        ("AcquisitionDateTime", "20260304236000", "value-impossible"),
        ("AcquisitionDateTime", "202613", "value-impossible"),
        ("AcquisitionDateTime", "202600", "value-impossible"),
        ("AcquisitionDateTime", "202601", ""),
        ("AcquisitionDateTime", "2026-1200", ""),
        ("AcquisitionDateTime", "2026-1201", "value-impossible"),
        ("AcquisitionDateTime", "2026+1401", "value-impossible"),
        ("AcquisitionDateTime", "2026+0559", ""),
        ("AcquisitionDateTime", "2026+0560", "value-impossible"),
        ("InstanceNumber", "-2147483648", ""),
        ("InstanceNumber", "2147483647", ""),
        ("InstanceNumber", "2147483648", "value-impossible"),
        ("InstanceNumber", "-2147483649", "value-impossible"),
        ("DeviceUID", LONG, ""),
        ("DeviceUID", LONG + "2", "value-length"),
        ("DeviceUID", "1.39.1", ""),
        ("DeviceUID", "0.40.1", "value-impossible"),
        ("DeviceUID", "1.40.1", "value-impossible"),
        ("DeviceUID", "2.40.1", ""),
        ("DeviceUID", "3.1", "value-impossible"),
        ("OperatorsName", "a^b^c^d^e", ""),
        ("OperatorsName", "a^b^c^d^e^f", "value-format"),
        ("OperatorsName", "a=b=c", ""),
        ("OperatorsName", "a=b=c=d", "value-format"),
        ("OperatorsName", "a" * 64, ""),
        ("OperatorsName", "a" * 65, "value-format"),
        ("OperatorsName", "a=" + "b" * 65, "value-format"),
        ("StudyDescription", "x" * 64, ""),
        ("StudyDescription", "x" * 65, "value-length"),
    ],
)
@pytest.mark.filterwarnings("ignore::UserWarning")  # of pydicom, which sees some of them
def test_the_border_of_a_value(keyword: str, value: str, rule: str) -> None:
    ds = photograph()
    setattr(ds, keyword, value)
    found = [f for f in validate_bytes(written(ds)) if f.attribute.startswith(keyword)]
    assert {f.rule for f in found} == ({rule} if rule else set())
