"""The users of the pages: made, changed, removed and listed by ``archiver serve``."""

from __future__ import annotations

import getpass
import sys
from pathlib import Path

from archiver.cli.command import Options
from archiver.errors import Problem, UsageError
from archiver.wording import words_of


def tend_users(options: Options, folder: Path) -> int:
    """Do with the users what the options say.

    Parameters
    ----------
    options
        Of the verb ``serve``.
    folder
        The archive.

    Raises
    ------
    UsageError
        If name, role or password cannot be used, or there is no archive.
    """
    from archiver.access import roles, users_of
    from archiver.archive.store import Layout

    layout = Layout(folder.absolute())
    layout.check_mark()
    users = users_of(layout.root)
    if options.remove_user:
        users.remove(options.remove_user)
        print(words_of()("cli.users.removed", name=options.remove_user))
    if options.add_user:
        unknown = [role for role in options.role if role not in roles()]
        if unknown or not options.role:
            if unknown:
                problem = Problem("cli.users.unknown_role", role=unknown[0], roles=tuple(roles()))
            else:
                problem = Problem("cli.users.no_role", roles=tuple(roles()))
            raise UsageError(problem.at(option="--role"))
        users.add(options.add_user, frozenset(options.role), _password(options.add_user))
        roles_now = tuple(options.role)
        print(words_of()("cli.users.added", name=options.add_user, roles=roles_now))
    if options.remove_user or options.add_user:
        _record_users(layout.root)
    if options.users:
        for user in users.all().values():
            print(f"{user.name:<24} {', '.join(sorted(user.roles))}")
    return 0


def _record_users(root: Path) -> None:
    """Have the journal tell of the file of the users as it is now."""
    from archiver.archive.statements import evidence
    from archiver.cli.practice_archive import open_for_writing

    with open_for_writing(root) as archive:
        archive.secret()
        archive.record([evidence.file_deed(root, evidence.USERS)])


def _password(name: str) -> str:
    """Ask for a password on the terminal, or take the first line of standard input."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass(words_of()("cli.users.password", name=name))
    if getpass.getpass(words_of()("cli.users.again")) != first:
        raise UsageError(Problem("cli.users.passwords_differ"))
    return first
