"""Writes the command reference of the Help page anew: ``python -m tests.cli.reference``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

import archiver as package
from archiver.cli.command import Option, Verb
from archiver.cli.main import archiver

FILE = Path(package.__file__).parent / "web" / "pages" / "help" / "reference.json"


def reference() -> str:
    """Return what the commands say of themselves, as the file has it."""
    context = click.Context(archiver, info_name="archiver")
    verbs = [_verb(name, context) for name in archiver.list_commands(context)]
    return json.dumps(verbs, ensure_ascii=False, indent=1) + "\n"


def _verb(name: str, group: click.Context) -> dict[str, Any]:
    verb = archiver.get_command(group, name)
    assert isinstance(verb, Verb)
    context = click.Context(verb, info_name=name, parent=group)
    parts: dict[str, list[tuple[str, str]]] = {}
    for one in verb.params:
        if isinstance(one, click.Argument):
            parts.setdefault("arguments", []).append((one.make_metavar(context), one.help or ""))
        elif record := one.get_help_record(context):
            section = one.section if isinstance(one, Option) else "options"
            parts.setdefault(section, []).append(record)
    return {
        "name": name,
        "summary": verb.help,
        "usage": " ".join([context.command_path, *verb.collect_usage_pieces(context)]),
        "parts": [{"title": title, "rows": rows} for title, rows in parts.items()],
        "more": (verb.epilog or "").strip(),
    }


if __name__ == "__main__":
    FILE.write_text(reference(), encoding="utf-8")
