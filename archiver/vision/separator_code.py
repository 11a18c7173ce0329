"""The QR code of a separator picture, also when it was photographed askew or through a mirror."""

from __future__ import annotations

from importlib.util import find_spec

from archiver.vision.tooth_map import Pixels


def reads_codes() -> bool:
    """Return whether the library is installed that reads codes."""
    return find_spec("zxingcpp") is not None


def read_code(pixels: Pixels) -> str:
    """Return what the QR code (ISO/IEC 18004) in a picture says; empty where none is read.

    Parameters
    ----------
    pixels
        uint8, shape (rows, columns, 3) or (rows, columns).
    """
    if not reads_codes():
        return ""
    import zxingcpp

    wanted = zxingcpp.BarcodeFormats([zxingcpp.BarcodeFormat.QRCode])
    found = zxingcpp.read_barcodes(pixels, formats=wanted)
    return str(found[0].text) if found else ""
