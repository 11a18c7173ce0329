"""Example:

  archiver init photographs

Makes an archive in a new or empty folder. Every other verb refuses a folder that is not an
archive, so that where a volume is not mounted nothing goes into its empty mount point. Put the
identity that is printed into the settings, as identity = "...", and no other archive is ever taken
for this one. Without FOLDER, the archive of the settings is made, or the user's own.
"""

from __future__ import annotations

import json
from pathlib import Path

from archiver.cli.command import Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FOLDER
from archiver.wording import words_of


@verb(argument("folder", required=False, type=FOLDER, help="a new or an empty folder"), JSON)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.store import Archive, identity_of
    from archiver.cli.context import actor, now
    from archiver.cli.settings import read_settings

    folder: Path = options.folder or read_settings().archive
    with Archive.create(folder, clock=now, actor=actor()) as archive:
        identity = str(identity_of(archive.layout.root))
    if options.json:
        told = {"archive": str(folder), "identity": identity}
        print(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        print(words_of()("cli.init.made", folder=folder))
        print(words_of()("cli.init.identity", identity=identity))
    return 0
