"""Examples:

  archiver witness --new-key /root/archiver-key.pem              once; keep it outside the archive
  archiver witness --key /root/archiver-key.pem --into /mnt/auditor/heads
  archiver witness                                               as [witness] of the settings says
  archiver witness --to clinic                                   another archive is given it, too
  archiver witness --unpack heads/*.dcm --into given-back        what that archive gave back

The journal's chain of hashes shows change, but not by somebody who makes the whole chain anew. What
was signed and handed out stands: from then on nobody can change, remove or add anything before it
unseen. Run it at intervals (a timer, cron), and have folders that whoever writes to the archive
cannot write to. `archiver audit --witness FOLDER --signer PUBLIC-KEY` compares. OpenSSL verifies a
head, too:

  openssl pkeyutl -verify -pubin -inkey signer-....pem -rawin -in head-00000001.json \\
      -sigfile head-00000001.sig
  openssl ts -verify -in head-00000001.tsr -data head-00000001.json -CAfile authorities.pem
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from archiver.cli.command import Option, Options, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FILE, FOLDER, PEER
from archiver.errors import Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.archive.witness import SignedHead


@verb(
    Option("--new-key", type=FILE, metavar="FILE", help="make a key and print its public half"),
    Option("--key", type=FILE, metavar="FILE", help="the private key (PEM)"),
    Option("--into", type=FOLDER, multiple=True, help="folder of a witness"),
    Option("--stamp", default="", metavar="URL", help="an authority for time stamps (RFC 3161)"),
    Option("--to", type=PEER, multiple=True, help="another archive that is given the head, too"),
    Option(
        "--unpack",
        type=FILE,
        multiple=True,
        metavar="FILE",
        help="take heads out of objects that another archive gave back, into --into",
    ),
    Option("--archive", type=FOLDER),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.witness import new_key

    if options.new_key:
        print(new_key(options.new_key).public.decode(), end="")
        return 0
    if options.unpack:
        return _unpack(options)
    return _sign(options)


def _unpack(options: Options) -> int:
    from archiver.workflow import unpack_heads

    if len(options.into) != 1:
        raise UsageError(Problem("cli.witness.one_folder").at("archiver witness"))
    heads = unpack_heads(options.unpack, options.into[0])
    print(words_of()("cli.witness.unpacked", count=len(heads), folder=options.into[0]))
    return 0


def _hand_over(options: Options, folder: Path, head: SignedHead) -> None:
    """Give the head as an object to the other archives that are named."""
    from archiver.archive.witness import read_heads
    from archiver.network.client import hand_to
    from archiver.workflow import head_object

    kept = next(one for one in read_heads(folder) if one.head == head)
    with TemporaryDirectory() as aside:
        path = Path(aside) / "head.dcm"
        path.write_bytes(head_object(kept, head))
        for peer in options.to:
            hand_to(peer, [path])


def _sign(options: Options) -> int:
    from archiver.archive.witness import Signer, Witnesses, sign_head
    from archiver.cli.context import now
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings

    practice = read_settings()
    key: Path | None = options.key or practice.witness.key
    if key is None:
        raise UsageError(Problem("cli.witness.no_key").at("archiver witness"))
    folders = tuple(options.into) or practice.witness.folders
    if not folders:
        raise UsageError(Problem("archive.witness.nobody").at("archiver witness"))
    folder = writable_folder(options, practice)
    signer = Signer.of(key, outside=folder)
    witnesses = Witnesses(folders, options.stamp or practice.witness.stamp)
    with open_for_writing(folder) as archive:
        head, trouble = sign_head(archive, signer, witnesses, now())
    if options.to:
        _hand_over(options, folders[0], head)
    if trouble is not None:
        print(trouble, file=sys.stderr)
    if options.json:
        told = {"number": head.number, "line": head.line, "hash": head.hash, "signer": head.signer}
        print(json.dumps(told, indent=2))
    else:
        print(words_of()("cli.witness.signed", number=head.number, line=head.line, hash=head.hash))
    return 1 if trouble is not None else 0
