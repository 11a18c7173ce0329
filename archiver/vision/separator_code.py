"""The QR code of a separator picture, also when it was photographed askew or through a mirror."""

from __future__ import annotations

from archiver.vision.tooth_map import Pixels


def read_code(pixels: Pixels) -> str:
    """Return what the QR code (ISO/IEC 18004) in a picture says; empty where there is none.

    Parameters
    ----------
    pixels
        uint8, shape (rows, columns, 3) or (rows, columns).
    """
    import zxingcpp

    wanted = zxingcpp.BarcodeFormats([zxingcpp.BarcodeFormat.QRCode])
    found = zxingcpp.read_barcodes(pixels, formats=wanted)
    return str(found[0].text) if found else ""
