"""Completion in bash, zsh and fish: ``eval "$(_ARCHIVER_COMPLETE=bash_source archiver)"``.

For bash we have our own script. It hands over the line as typed, since bash breaks words at the
colon of ``iso:16``, and takes back words that are quoted as the line needs them.
"""

from __future__ import annotations

import os
import re

import click
from click.shell_completion import (
    BashComplete,
    CompletionItem,
    add_completion_class,
    shell_complete,
    split_arg_string,
)

_BASH = """\
%(complete_func)s() {
    local IFS=$'\\n' type value
    COMPREPLY=()
    while IFS=, read -r type value; do
        case $type in
            dir) compopt -o dirnames ;;
            file) compopt -o default ;;
            plain) COMPREPLY+=("$value") ;;
        esac
    done < <(COMP_LINE="${COMP_LINE:0:COMP_POINT}" COMP_WORDBREAKS="$COMP_WORDBREAKS" \\
        %(complete_var)s=bash_complete "$1" 2>/dev/null)
}
complete -o nosort -F %(complete_func)s %(prog_name)s
"""
#: The last word of a line, as it was typed.
_LAST = re.compile(r"""(?:[^\s\\'"]|\\.|'[^']*'?|"(?:[^"\\]|\\.)*"?)*\\?$""")
_SPECIAL = re.compile(r"([^\w@%+=:,./^-])")


class _Bash(BashComplete):
    source_template = _BASH

    def get_completion_args(self) -> tuple[list[str], str]:
        line = os.environ["COMP_LINE"]
        words = split_arg_string(line)
        last = words.pop() if _last(line) else ""
        return words[1:], last

    def format_completion(self, item: CompletionItem) -> str:
        return f"{item.type},{_for_bash(item.value, _last(os.environ['COMP_LINE']))}"


def _last(line: str) -> str:
    found = _LAST.search(line)
    return found[0] if found else ""


def _for_bash(value: str, typed: str) -> str:
    """Return what bash has to put in the place of what it thinks is the last word."""
    if typed[:1] in ("'", '"'):
        return value
    quoted = _SPECIAL.sub(r"\\\1", value)
    breaks = ":" in os.environ.get("COMP_WORDBREAKS", ":")
    return quoted[typed.rfind(":") + 1 :] if breaks else quoted


def complete(command: click.Command, name: str, variable: str, instruction: str) -> int:
    """Print a shell's script or the completions of a line; return the exit status."""
    add_completion_class(_Bash)
    return shell_complete(command, {}, name, variable, instruction)
