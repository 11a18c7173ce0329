"""Examples:

  archiver reload
  archiver reload --archive /srv/clinic/photographs
  archiver reload --check

Has the server of an archive read its settings and certificates again, as SIGHUP does. Renewed
certificates count for new connections. If other settings have changed, it listens anew once work
under way is finished; people log in to the pages again. Settings that cannot be used are refused,
here and in the server's log, and those before stay in force. --check only asks whether the server
is there and its writer works.
"""

from __future__ import annotations

from archiver.cli.command import Option, Options, verb
from archiver.cli.parameters import FOLDER
from archiver.errors import ArchiveError, Problem
from archiver.wording import words_of


@verb(
    Option("--archive", type=FOLDER, help="archive that is served"),
    Option("--check", is_flag=True, help="only ask whether it serves"),
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.cli.context import actor
    from archiver.cli.practice_archive import writable_folder
    from archiver.cli.settings import read_settings
    from archiver.service import ServedArchive

    folder = writable_folder(options, read_settings())
    served = ServedArchive.reach(folder, actor=actor())
    if served is None:
        raise ArchiveError(Problem("cli.reload.nobody").at(file=str(folder)))
    with served:
        if options.check:
            served.record([])
            print(words_of()("cli.reload.serves"))
        else:
            done = served.reload()
            print(words_of()("cli.reload.anew" if done == "anew" else "cli.reload.renewed"))
    return 0
