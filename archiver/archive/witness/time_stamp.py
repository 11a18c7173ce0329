"""Time stamps of an authority (RFC 3161): asked for over HTTP, and verified."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from archiver.archive.witness.signing_key import needed
from archiver.errors import ArchiveError, InputError, Problem

#: RFC 3161, 3.4.
_QUERY, _REPLY = "application/timestamp-query", "application/timestamp-reply"
_SECONDS = 20.0


@dataclass(frozen=True)
class Stamp:
    """What an authority says: that something was there at a time.

    Parameters
    ----------
    authority
        Subject of the certificate that signed.
    """

    time: datetime
    authority: str


def ask_for_stamp(url: str, data: bytes) -> bytes:
    """Return the answer of an authority (TimeStampResp, DER) about the SHA-512 of some bytes.

    Raises
    ------
    ArchiveError
        If it cannot be reached, or grants nothing.
    """
    import httpx

    rfc3161 = needed("rfc3161_client")
    asked = rfc3161.TimestampRequestBuilder().data(data).build().as_bytes()
    try:
        answer = httpx.post(url, content=asked, headers={"Content-Type": _QUERY}, timeout=_SECONDS)
        is_reply = answer.headers.get("Content-Type", "").startswith(_REPLY)
        if answer.status_code != 200 or not is_reply:
            raise ValueError
        rfc3161.decode_timestamp_response(answer.content)
    except (httpx.HTTPError, ValueError):
        raise ArchiveError(Problem("archive.witness.no_stamp", url=url)) from None
    return answer.content


def stamp_of(answer: bytes, data: bytes, authorities: Path) -> Stamp:
    """Verify an answer.

    Parameters
    ----------
    authorities
        Certificates (PEM) of roots that are trusted.

    Raises
    ------
    InputError
        If it is none of these bytes, or of nobody who is trusted.
    """
    rfc3161 = needed("rfc3161_client")
    x509 = needed("cryptography.x509")
    try:
        response = rfc3161.decode_timestamp_response(answer)
        builder = rfc3161.VerifierBuilder()
        for root in x509.load_pem_x509_certificates(authorities.read_bytes()):
            builder = builder.add_root_certificate(root)
        carried = [x509.load_der_x509_certificate(c) for c in response.signed_data.certificates]
        leaf = next((c for c in carried if _may_stamp(c, x509)), None)
        if leaf is None:
            raise ValueError
        builder.tsa_certificate(leaf).build().verify_message(response, data)
    except (OSError, ValueError, rfc3161.VerificationError):
        raise InputError(Problem("archive.witness.bad_stamp")) from None
    return Stamp(response.tst_info.gen_time, leaf.subject.rfc4514_string())


def _may_stamp(certificate: object, x509: object) -> bool:
    """Whether a certificate is for stamping time (RFC 3161, 2.3)."""
    from cryptography.x509 import ExtendedKeyUsage, ExtensionNotFound
    from cryptography.x509.oid import ExtendedKeyUsageOID

    try:
        usage = certificate.extensions.get_extension_for_class(ExtendedKeyUsage)  # type: ignore[attr-defined]
    except ExtensionNotFound:
        return False
    return ExtendedKeyUsageOID.TIME_STAMPING in usage.value
