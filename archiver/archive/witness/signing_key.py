"""Keys of Ed25519 (RFC 8032) that sign, and signatures verified; needs the extra `evidence`."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.archive.store.durable import translated
from archiver.errors import InputError, Problem, UsageError
from archiver.wording import Text

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey


def needed(module: str) -> Any:
    """Return a module of the extra `evidence`.

    Raises
    ------
    UsageError
        If the extra is not installed.
    """
    from importlib import import_module

    try:
        return import_module(module)
    except ImportError:
        raise UsageError(Problem("archive.witness.no_extra")) from None


@dataclass(frozen=True)
class Signer:
    """Who signs.

    Parameters
    ----------
    public
        The public key as PEM (SubjectPublicKeyInfo, RFC 8410).
    """

    public: bytes
    _key: Ed25519PrivateKey

    @property
    def name(self) -> str:
        """SHA-256 of the public key, by which the signer is called."""
        return name_of(self.public)

    def sign(self, data: bytes) -> bytes:
        """Return the signature, 64 bytes."""
        return self._key.sign(data)

    @classmethod
    def of(cls, path: Path, *, outside: Path) -> Signer:
        """Read a private key as PEM (PKCS #8).

        Parameters
        ----------
        outside
            The archive's folder, in which the key must not lie.

        Raises
        ------
        UsageError
            If the extra is not installed, or the key lies in the archive.
        InputError
            If the file holds no such key.
        """
        serialization = needed("cryptography.hazmat.primitives.serialization")
        ed25519 = needed("cryptography.hazmat.primitives.asymmetric.ed25519")
        if path.resolve().is_relative_to(outside.resolve()):
            raise UsageError(Problem("archive.witness.key_inside").at(file=str(path)))
        try:
            key = serialization.load_pem_private_key(path.read_bytes(), None)
        except (OSError, ValueError, TypeError):
            key = None
        if not isinstance(key, ed25519.Ed25519PrivateKey):
            raise InputError(Problem("archive.witness.no_key").at(file=str(path)))
        return cls(_pem(key.public_key(), serialization), key)


def name_of(public: bytes) -> str:
    """Return by what a signer is called: the SHA-256 of the public key's PEM."""
    return hashlib.sha256(public).hexdigest()


def new_key(path: Path) -> Signer:
    """Make a key and write it, for its owner alone, where there is no file yet.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    serialization = needed("cryptography.hazmat.primitives.serialization")
    ed25519 = needed("cryptography.hazmat.primitives.asymmetric.ed25519")
    key = ed25519.Ed25519PrivateKey.generate()
    text = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    with translated(Text("archive.witness.key_not_written"), path):
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(text)
    return Signer(_pem(key.public_key(), serialization), key)


def _pem(public: Any, serialization: Any) -> bytes:
    form = serialization.PublicFormat.SubjectPublicKeyInfo
    return bytes(public.public_bytes(serialization.Encoding.PEM, form))


def verified(public: bytes, signature: bytes, data: bytes) -> bool:
    """Return whether a signature is of these bytes, by the key of a PEM.

    Raises
    ------
    UsageError
        If the extra is not installed.
    """
    serialization = needed("cryptography.hazmat.primitives.serialization")
    exceptions = needed("cryptography.exceptions")
    try:
        serialization.load_pem_public_key(public).verify(signature, data)
    except (exceptions.InvalidSignature, ValueError, TypeError, AttributeError):
        return False
    return True
