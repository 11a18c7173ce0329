"""Rendered pictures beside those of DCMTK's dcmj2pnm: at most one grey level apart.

PS3.3 C.11.1 (modality), C.11.2 (VOI) and C.7.6.3.1.2 (photometric interpretation); the parameter
``window`` is PS3.18 8.3.5.1.4. DCMTK 3.6.7 knows no LINEAR_EXACT, which is held to its formula.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import numpy as np
import pytest
from PIL import Image
from pydicom import Dataset
from pydicom.uid import ExplicitVRLittleEndian

from archiver.archive.ingest.foreign_files import add_files
from archiver.network.node.node import Node
from tests.network import node_samples as samples
from tests.network.node_serving import run, serving

_STORAGE = "1.2.840.10008.5.1.4.1.1."
ROWS, COLUMNS = 48, 64


def _grey(number: int, values: np.ndarray, **changes: object) -> Dataset:
    ds = samples.radiograph(number, **changes)
    ds.BitsAllocated = 8 * values.dtype.itemsize
    ds.BitsStored = changes.get("BitsStored", ds.BitsAllocated)
    ds.HighBit = int(ds.BitsStored) - 1
    ds.PixelRepresentation = int(values.dtype.kind == "i")
    ds.PhotometricInterpretation = changes.get("PhotometricInterpretation", "MONOCHROME2")
    kind = "OW" if ds.BitsAllocated > 8 else "OB"
    ds.add_new(0x7FE00010, kind, values.astype(values.dtype.newbyteorder("<")).tobytes())
    return ds


def _ramp(low: int, high: int, kind: str) -> np.ndarray:
    return np.linspace(low, high, ROWS * COLUMNS).round().astype(kind).reshape(ROWS, COLUMNS)


def _table(descriptor: list[int], values: list[int], **more: object) -> list[Dataset]:
    item = Dataset()
    item.add_new(0x00283002, "SS" if descriptor[1] < 0 else "US", descriptor)
    item.add_new(0x00283006, "OW", np.array(values, "<u2").tobytes())
    for keyword, value in more.items():
        setattr(item, keyword, value)
    return [item]


def _ct() -> Dataset:
    values = _ramp(-1024, 3071, "i2")
    return _grey(
        1,
        values,
        SOPClassUID=_STORAGE + "2",
        BitsStored=13,
        RescaleSlope=1,
        RescaleIntercept=-24,
        WindowCenter=["40", "500"],
        WindowWidth=["400", "2000"],
    )


def _dx() -> Dataset:
    curve = [int(4095 * (n / 4095) ** 0.5) for n in range(4096)]
    return _grey(
        2,
        _ramp(0, 4095, "u2"),
        SOPClassUID=_STORAGE + "1.1",
        BitsStored=12,
        PhotometricInterpretation="MONOCHROME1",
        VOILUTSequence=_table([4096, 0, 12], curve),
    )


def _dx_inverse() -> Dataset:
    ds = _dx()
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = samples.instance_uid(12)
    del ds.VOILUTSequence
    ds.WindowCenter, ds.WindowWidth = 2000, 3000
    ds.PresentationLUTShape = "INVERSE"
    return ds


def _io() -> Dataset:
    return _grey(3, _ramp(0, 255, "u1"), SOPClassUID=_STORAGE + "1.3")


def _io_12() -> Dataset:
    return _grey(4, _ramp(0, 4095, "u2"), SOPClassUID=_STORAGE + "1.3", BitsStored=12)


def _sixteen() -> Dataset:
    return _grey(5, _ramp(0, 65535, "u2"), WindowCenter=30000, WindowWidth=40000)


def _signed() -> Dataset:
    return _grey(6, _ramp(-32768, 32767, "i2"))


def _sigmoid() -> Dataset:
    return _grey(
        7,
        _ramp(0, 4095, "u2"),
        BitsStored=12,
        WindowCenter=2048,
        WindowWidth=1500,
        VOILUTFunction="SIGMOID",
    )


def _modality_table() -> Dataset:
    values = [65535 - 16 * n for n in range(4096)]
    tables = _table([4096, 0, 16], values, ModalityLUTType="US")
    return _grey(8, _ramp(0, 4095, "u2"), BitsStored=12, ModalityLUTSequence=tables)


def _falling() -> Dataset:
    """A negative slope turns values round, and the window lies on the turned ones."""
    return _grey(
        9,
        _ramp(0, 4095, "u2"),
        BitsStored=12,
        RescaleSlope=-2,
        RescaleIntercept=8190,
        WindowCenter=4000,
        WindowWidth=5000,
    )


def _table_of_8_bits() -> Dataset:
    curve = [int(255 * (n / 1023) ** 2) for n in range(1024)]
    tables = _table([1024, -512, 8], curve)
    return _grey(10, _ramp(-600, 600, "i2"), BitsStored=12, VOILUTSequence=tables)


def _palette(bits: int) -> Dataset:
    ds = _grey(11 if bits == 8 else 13, _ramp(0, 255, "u1"))
    ds.PhotometricInterpretation = "PALETTE COLOR"
    top = (1 << bits) - 1
    for place, colour in enumerate(("Red", "Green", "Blue")):
        values = [(n * (place + 1) * top // 255) % (top + 1) for n in range(256)]
        setattr(ds, f"{colour}PaletteColorLookupTableDescriptor", [256, 0, bits])
        kind = "<u2" if bits == 16 else "u1"
        setattr(ds, f"{colour}PaletteColorLookupTableData", np.array(values, kind).tobytes())
    return ds


def _full_colour() -> Dataset:
    ds = samples.photograph(14)
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = _STORAGE + "7"
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.PhotometricInterpretation = "YBR_FULL"
    picture = Image.open(io.BytesIO(samples.jpeg())).convert("YCbCr")
    ds.add_new(0x7FE00010, "OB", np.asarray(picture).tobytes())
    return ds


#: An object, how dcmj2pnm is told to use what it says, and the parameter of the request.
CASES: dict[str, tuple[Callable[[], Dataset], tuple[str, ...], str]] = {
    "CT, its first window": (_ct, ("+Wi", "1"), ""),
    "CT, a window asked for": (_ct, ("+Ww", "500", "1500", "+Wfl"), "500,1500,linear"),
    "CT, a sigmoid asked for": (_ct, ("+Ww", "300", "900", "+Wfs"), "300,900,sigmoid"),
    "DX, MONOCHROME1, VOI LUT": (_dx, ("+Wl", "1"), ""),
    "DX, MONOCHROME1, window, inverse shape": (_dx_inverse, ("+Wi", "1"), ""),
    "DX, a window in place of its VOI LUT": (_dx, ("+Ww", "2000", "3000"), "2000,3000,linear"),
    "IO of 8 bits": (_io, (), ""),
    "IO of 12 bits without a window": (_io_12, (), ""),
    "16 bits": (_sixteen, ("+Wi", "1"), ""),
    "signed": (_signed, (), ""),
    "sigmoid of its own": (_sigmoid, ("+Wi", "1", "+Wfs"), ""),
    "modality LUT": (_modality_table, (), ""),
    "negative slope": (_falling, ("+Wi", "1"), ""),
    "VOI LUT of 8 bits and 1024 entries": (_table_of_8_bits, ("+Wl", "1"), ""),
    "palette of 8 bits": (lambda: _palette(8), (), ""),
    "palette of 16 bits": (lambda: _palette(16), (), ""),
}


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    with serving(tmp_path_factory.mktemp("rendered") / "archive") as one:
        yield one


def rendered(node: Node, ds: Dataset, folder: Path, **parameters: str) -> httpx.Response:
    """Store an object, where it is not there, and ask for its picture."""
    assert node.web is not None
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    assert add_files(node.archive, [samples.save(ds, folder)]).refused == 0
    uids = (ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.SOPInstanceUID)
    base = f"http://127.0.0.1:{node.web.port}/dicomweb"
    where = base + "/studies/{}/series/{}/instances/{}/rendered".format(*uids)
    return httpx.get(where, params=parameters, headers={"Accept": "image/png"})


def _values(answer: httpx.Response) -> np.ndarray:
    assert answer.status_code == 200, answer.text
    return np.asarray(Image.open(io.BytesIO(answer.content))).astype(int)


@pytest.mark.parametrize("case", CASES)
def test_a_picture_is_within_one_grey_level_of_dcmj2pnm(
    node: Node, tmp_path: Path, case: str
) -> None:
    make, words, window = CASES[case]
    ds = make()
    ours = _values(rendered(node, ds, tmp_path, **({"window": window} if window else {})))
    picture = tmp_path / "dcmtk.pnm"
    path = tmp_path / f"{ds.SOPInstanceUID}.dcm"
    told = run("dcmj2pnm", "+op", *words, path, picture)
    assert told.returncode == 0, told.stdout
    theirs = np.asarray(Image.open(picture)).astype(int)
    assert ours.shape == theirs.shape and np.ptp(ours) > 100
    assert np.abs(ours - theirs).max() <= 1


def test_luminance_and_chrominance_become_colours_as_pillow_has_them(
    node: Node, tmp_path: Path
) -> None:
    ours = _values(rendered(node, _full_colour(), tmp_path))
    theirs = np.asarray(Image.open(io.BytesIO(samples.jpeg())).convert("YCbCr").convert("RGB"))
    assert np.abs(ours - theirs.astype(int)).max() <= 1


def test_linear_exact_is_its_formula(node: Node, tmp_path: Path) -> None:
    """PS3.3 C.11.2.1.3.2: ``((x - c) / w + 0.5) * (ymax - ymin) + ymin``, limited."""
    ds = _sigmoid()
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = samples.instance_uid(20)
    ds.VOILUTFunction, ds.WindowCenter, ds.WindowWidth = "LINEAR_EXACT", 100.5, 0.5
    ours = _values(rendered(node, ds, tmp_path))
    values = _ramp(0, 4095, "u2").astype(float)
    wanted = np.clip(((values - 100.5) / 0.5 + 0.5) * 255, 0, 255)
    assert np.abs(ours - wanted).max() <= 1
    asked = _values(rendered(node, ds, tmp_path, window="2000,1000,linear-exact"))
    wanted = np.clip(((values - 2000) / 1000 + 0.5) * 255, 0, 255)
    assert np.abs(asked - wanted).max() <= 1


@pytest.mark.parametrize(
    "window",
    ["", "1,2", "1,2,cubic", "1,0.5,linear", "1,0,sigmoid", "1,-1,linear-exact", "a,b,linear"],
)
def test_a_window_that_is_none_is_refused(node: Node, tmp_path: Path, window: str) -> None:
    assert rendered(node, _io(), tmp_path, window=window).status_code == 400
