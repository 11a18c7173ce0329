"""Folders of signed heads that somebody keeps who does not keep the archive."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from archiver.archive.store.durable import translated, write_once
from archiver.archive.witness.signed_head import SignedHead, head_of
from archiver.errors import InputError
from archiver.wording import Text


@dataclass(frozen=True)
class KeptHead:
    """A signed head as a witness has it.

    Parameters
    ----------
    witness
        The folder.
    head
        None where the file is no head.
    signature, public, stamp
        Empty where there is none.
    """

    witness: Path
    file: str
    text: bytes
    head: SignedHead | None
    signature: bytes
    public: bytes
    stamp: bytes


def keep_head(
    folder: Path, head: SignedHead, signature: bytes, public: bytes, stamp: bytes
) -> None:
    """Write a signed head; what is there already is never overwritten.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    stem = f"head-{head.number:08}"
    files = [(f"signer-{head.signer[:16]}.pem", public), (f"{stem}.sig", signature)]
    files += [(f"{stem}.tsr", stamp)] if stamp else []
    # The head itself comes last: where it is, the rest is.
    files.append((f"{stem}.json", head.text))
    with translated(Text("archive.witness.not_kept"), folder):
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in files:
            if not (folder / name).exists():
                write_once(folder / name, data)


def read_heads(folder: Path) -> Iterator[KeptHead]:
    """Yield the signed heads of a witness, the first first.

    Raises
    ------
    ArchiveError
        If the folder cannot be read.
    """
    with translated(Text("archive.witness.not_read"), folder):
        for path in sorted(folder.glob("head-*.json")):
            text = path.read_bytes()
            try:
                head = head_of(text)
            except InputError:
                head = None
            signer = folder / f"signer-{head.signer[:16]}.pem" if head else None
            yield KeptHead(
                folder,
                path.name,
                text,
                head,
                _if_there(path.with_suffix(".sig")),
                _if_there(signer) if signer else b"",
                _if_there(path.with_suffix(".tsr")),
            )


def _if_there(path: Path) -> bytes:
    return path.read_bytes() if path.exists() else b""
