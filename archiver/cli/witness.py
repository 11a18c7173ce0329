"""Examples:

  archiver witness --new-key /root/archiver-key.pem              once; keep it outside the archive
  archiver witness --key /root/archiver-key.pem --into /mnt/auditor/heads
  archiver witness                                               as [witness] of the settings says

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

from archiver.cli.command import Option, Options, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FILE, FOLDER
from archiver.errors import Problem, UsageError
from archiver.wording import words_of


@verb(
    Option("--new-key", type=FILE, metavar="FILE", help="make a key and print its public half"),
    Option("--key", type=FILE, metavar="FILE", help="the private key (PEM)"),
    Option("--into", type=FOLDER, multiple=True, help="folder of a witness"),
    Option("--stamp", default="", metavar="URL", help="an authority for time stamps (RFC 3161)"),
    Option("--archive", type=FOLDER),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.witness import new_key

    if options.new_key:
        print(new_key(options.new_key).public.decode(), end="")
        return 0
    return _sign(options)


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
    if trouble is not None:
        print(trouble, file=sys.stderr)
    if options.json:
        told = {"number": head.number, "line": head.line, "hash": head.hash, "signer": head.signer}
        print(json.dumps(told, indent=2))
    else:
        print(words_of()("cli.witness.signed", number=head.number, line=head.line, hash=head.hash))
    return 1 if trouble is not None else 0
