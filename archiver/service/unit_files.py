"""The files by which the archive is run as a service, as they come with the program."""

from __future__ import annotations

from pathlib import Path

_FOLDER = Path(__file__).with_name("units")
#: What can be printed: names of files, the first of which tells the rest.
KINDS = {
    "systemd": ("archiver.service", "archiver-dimse.socket", "archiver-web.socket"),
    "container": ("Containerfile",),
}


def unit_files(kind: str, program: str) -> dict[str, str]:
    """Return the files of a kind by name.

    Parameters
    ----------
    program
        The command that is started, with its path.
    """
    texts = {name: (_FOLDER / name).read_text("utf-8") for name in KINDS[kind]}
    return {name: text.replace("@PROGRAM@", program) for name, text in texts.items()}
