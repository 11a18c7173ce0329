"""Until when a certificate is valid, read from its encoding (RFC 5280 4.1; X.690 8.1)."""

from __future__ import annotations

import ssl
from datetime import datetime, timezone
from pathlib import Path

_SEQUENCE, _VERSION, _UTC_TIME = 0x30, 0xA0, 0x17
_BEGIN = "-----BEGIN CERTIFICATE-----"
_END = "-----END CERTIFICATE-----"


def valid_until(path: Path) -> datetime | None:
    """Return until when the first certificate of a PEM file is valid; None where it is none."""
    try:
        _, begin, rest = path.read_text("ascii", "replace").partition(_BEGIN)
        body, end, _ = rest.partition(_END)
        return _not_after(ssl.PEM_cert_to_DER_cert(f"{begin}{body}{end}"))
    except (OSError, ValueError, IndexError):
        return None


def _not_after(der: bytes) -> datetime:
    certificate, _ = _value(der, 0, _SEQUENCE)
    at, _ = _value(der, certificate, _SEQUENCE)
    if der[at] == _VERSION:
        at = _behind(der, at)
    for _ in ("serial number", "signature", "issuer"):
        at = _behind(der, at)
    at, _ = _value(der, at, _SEQUENCE)
    at = _behind(der, at)  # notBefore
    begin, end = _value(der, at, der[at])
    text = der[begin:end].decode("ascii")
    if der[at] == _UTC_TIME:
        # Two digits of the year: 1950 to 2049 (RFC 5280 4.1.2.5.1).
        text = ("19" if int(text[:2]) >= 50 else "20") + text
    return datetime.strptime(text, "%Y%m%d%H%M%SZ").replace(tzinfo=timezone.utc)


def _value(der: bytes, at: int, tag: int) -> tuple[int, int]:
    """Return where the value of an element begins and ends."""
    if der[at] != tag:
        raise ValueError("another element was expected")
    length, begin = der[at + 1], at + 2
    if length & 0x80:
        count = length & 0x7F
        length, begin = int.from_bytes(der[begin : begin + count], "big"), begin + count
    return begin, begin + length


def _behind(der: bytes, at: int) -> int:
    return _value(der, at, der[at])[1]
