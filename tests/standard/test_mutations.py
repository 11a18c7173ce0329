"""Wherever the outside verifier reports an error, so do we.

Every attribute of good objects, at every level, is deleted, emptied and corrupted in turn, and
both dciodvfy and our validator look at each mutant. The agreement is printed (``pytest -s``).
"""

from __future__ import annotations

import copy
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from mutations import mutations
from standard_photograph import JPEG_BASELINE, native, photograph, written
from verifier import errors_of

from archiver.standard.finding import Severity
from archiver.standard.validator import validate_bytes

EXPLICIT = "1.2.840.10008.1.2.1"

# Mutants at which dciodvfy reports an error and we do not, each with the reason.
REASONS: dict[str, str] = {}


def _both(mutant: str, data: bytes, path: Path) -> tuple[str, list[str], bool]:
    """Return the mutant's name, the verifier's errors, and whether we found an error."""
    path.write_bytes(data)
    theirs = errors_of(path)
    path.unlink()
    ours = any(f.severity is Severity.ERROR for f in validate_bytes(data))
    return mutant, theirs, ours


def test_every_error_that_dciodvfy_reports_is_ours_too(tmp_path: Path) -> None:
    good = ((photograph(), JPEG_BASELINE), (_native_pixels_only(), EXPLICIT))
    results = []
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        for ds, syntax in good:
            for number, mutation in enumerate(mutations(ds)):
                path = tmp_path / f"{syntax}-{number}.dcm"
                data = written(mutation.dataset, syntax)
                results.append(pool.submit(_both, f"{mutation} ({syntax})", data, path))
    told = [r.result() for r in results]
    theirs = {name: errors for name, errors, _ in told if errors}
    missed = {name: errors for name, errors, ours in told if errors and not ours}
    ours = sum(found for _, _, found in told)
    print(
        f"\n{len(told)} mutants: dciodvfy finds an error in {len(theirs)}, we in {ours}; "
        f"agreement {1 - len(missed) / len(theirs):.1%} of theirs"
    )
    for name, errors in missed.items():
        print(f"  missed: {name}: {errors[0]}")
    assert set(missed) == set(REASONS)
    # The verifier must have had something to say, or the figure above means nothing.
    assert len(theirs) > 300


def _native_pixels_only() -> object:
    """Return an uncompressed photograph without what the first object has been tried with."""
    ds = copy.deepcopy(native(photograph()))
    for keyword in (
        "AcquisitionContextSequence",
        "ContributingEquipmentSequence",
        "CodingSchemeIdentificationSequence",
        "RequestAttributesSequence",
        "IssuerOfAccessionNumberSequence",
        "DeviceSequence",
        "ViewCodeSequence",
        "SourceImageSequence",
        "ReferencedSeriesSequence",
        "PrimaryAnatomicStructureSequence",
        "AnatomicRegionSequence",
    ):
        del ds[keyword]
    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    ds.AcquisitionContextSequence = []
    return ds


def test_the_objects_that_are_spoilt_were_good(tmp_path: Path) -> None:
    for ds, syntax in ((photograph(), JPEG_BASELINE), (_native_pixels_only(), EXPLICIT)):
        path = tmp_path / "good.dcm"
        path.write_bytes(written(ds, syntax))
        assert errors_of(path) == []
        assert not [f for f in validate_bytes(path.read_bytes()) if f.severity is Severity.ERROR]
