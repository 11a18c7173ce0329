"""Examples:

  archiver service --print systemd
  archiver service --print systemd --into /etc/systemd/system
  archiver service --print container --into .

Prints what an archive needs to run as a service: a unit of systemd with its watchdog and, optional,
sockets that systemd listens at; or a Containerfile. With --into, each file is written into a
folder, unless there is one of that name. The manual says how they are used.
"""

from __future__ import annotations

import sys
from pathlib import Path

from archiver.cli.command import Option, Options, verb
from archiver.cli.parameters import FOLDER, Choice
from archiver.errors import Problem, UsageError
from archiver.wording import Text, words_of


@verb(
    Option(
        "--print",
        "kind",
        required=True,
        type=Choice(("systemd", "container")),
        help="what is printed",
    ),
    Option("--into", type=FOLDER, help="write the files into this folder instead"),
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.store import translated
    from archiver.service import unit_files

    program = Path(sys.executable).with_name("archiver")
    started = str(program) if program.exists() else f"{sys.executable} -m archiver"
    files = unit_files(options.kind, started)
    if options.into is None:
        for name, text in files.items():
            print(f"# {name}\n{text}")
        return 0
    folder: Path = options.into
    there = [name for name in files if (folder / name).exists()]
    if there:
        raise UsageError(*(Problem("cli.service.there").at(file=name) for name in there))
    with translated(Text("cli.service.not_written"), folder):
        for name, text in files.items():
            path = folder / name
            path.write_text(text, "utf-8")
            path.chmod(0o644)  # of no patient, and for the system to read
            print(words_of()("cli.service.written", file=path))
    return 0
