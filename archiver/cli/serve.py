"""Examples:

  archiver serve
  archiver serve --archive /srv/clinic/photographs --dimse-port 11112 --web-port 8080
  archiver serve --title PHOTOARCHIVE --worklist visits.csv
  archiver serve --add-user berg --role dentist

Other software stores to it, asks it and fetches from it, by DIMSE and DICOMweb. The table
[node] of the settings says how it listens and whom it serves; without it, it listens on this
machine only, and its pages open in the browser without log-in. On the network, pages need TLS and
users: --add-user asks for the password, or reads it from standard input; --users lists who there
is. Roles are assistant, dentist, auditor and IT. SIGTERM or Ctrl-C stops it once accepted work is
finished.
"""

from __future__ import annotations

import dataclasses
import signal
import threading
from collections.abc import Mapping
from contextlib import AbstractContextManager, closing, nullcontext, suppress
from functools import partial
from typing import TYPE_CHECKING, Any

from archiver.cli.command import Option, Options, verb
from archiver.cli.parameters import FILE, FOLDER, Number
from archiver.errors import ArchiverError
from archiver.wording import Text, words_of

if TYPE_CHECKING:
    from archiver.archive.store import Archive
    from archiver.cli.served_node import ServedNode
    from archiver.cli.settings import PracticeSettings
    from archiver.network.node import Log, Node, NodeSettings

#: Between two looks at signals and certificates (seconds).
_LOOK = 1.0


@verb(
    Option("--archive", type=FOLDER, help="archive to serve"),
    Option("--title", metavar="TITLE", help="application entity title"),
    Option("--host", metavar="ADDRESS", help="address to listen on"),
    Option("--dimse-port", type=Number(), metavar="N", help="0 takes any free port"),
    Option(
        "--web-port",
        type=Number(),
        metavar="N",
        help="0 takes any free port, -1 serves no DICOMweb",
    ),
    Option("--worklist", type=FILE, help="table of today's visits: .csv, .xlsx, .ods or .toml"),
    Option("--no-pages", is_flag=True, help="serve no pages for the browser"),
    Option("--add-user", metavar="NAME", help="let somebody log in to the pages, or change how"),
    Option("--role", multiple=True, metavar="ROLE", help="of the user, repeatable"),
    Option("--remove-user", metavar="NAME", help="take a user's log-in away"),
    Option("--users", is_flag=True, help="list who may log in to the pages"),
    Option("--json", is_flag=True, help="say where it listens as one JSON object"),
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.store import Archive
    from archiver.cli.context import actor, now
    from archiver.cli.practice_archive import writable_folder
    from archiver.cli.served_node import ServedNode
    from archiver.cli.settings import read_settings
    from archiver.network.node import Log, keep_words_in
    from archiver.service import Supervisor, given_sockets, share_arenas

    practice = read_settings()
    if options.add_user or options.remove_user or options.users:
        from archiver.cli.users import tend_users

        return tend_users(options, writable_folder(options, practice))
    _settings(options, practice.node)  # what cannot be used is told before a folder is made
    share_arenas()  # before there are threads
    signals = _Signals()
    folder = writable_folder(options, practice, may_be_new=True)
    log, supervisor = Log(now), Supervisor()

    def read() -> tuple[PracticeSettings, NodeSettings]:
        practice = read_settings()
        return practice, _settings(options, practice.node)

    with Archive.open(folder, create=False, clock=now, actor=actor()) as archive:
        archive.keep_for("archiver serve")
        keep_words_in(log)
        with_pages = not options.no_pages
        served = ServedNode(archive, read, log, given_sockets(), with_pages=with_pages)
        with closing(served), _channel(archive, log, served):
            running = served.running
            _print_addresses(running.node, options.json, with_pages=running.pages is not None)
            supervisor.ready()
            supervisor.watch(lambda: _writes(archive))
            while not signals.stop.is_set():
                if signals.wait():
                    supervisor.reloading()
                    with suppress(ArchiverError):  # the log has it
                        served.reload()
                    supervisor.ready()
                served.renew_certificates()
            supervisor.stopping()
            log.say(words_of()("cli.serve.stopping"))
    return 0


class _Signals:
    """What the system asks for: an end (SIGTERM, Ctrl-C), or settings read again (SIGHUP)."""

    def __init__(self) -> None:
        self.stop, self._woken, self._again = (threading.Event() for _ in range(3))
        for name in (signal.SIGTERM, signal.SIGINT):
            signal.signal(name, lambda *_: self._wake(self.stop))
        if hasattr(signal, "SIGHUP"):
            signal.signal(signal.SIGHUP, lambda *_: self._wake(self._again))

    def _wake(self, event: threading.Event) -> None:
        event.set()
        self._woken.set()

    def wait(self) -> bool:
        """Wait a moment; return whether settings are to be read again."""
        # Short, because on Windows nothing interrupts a wait.
        self._woken.wait(_LOOK)
        self._woken.clear()
        is_asked = self._again.is_set()
        self._again.clear()
        return is_asked


def _writes(archive: Archive) -> bool:
    """Return, once all that waits is done, whether the writer works."""
    try:
        archive.writer.call(lambda: None)
    except ArchiverError:
        return False
    return True


def _channel(archive: Archive, log: Log, served: ServedNode) -> AbstractContextManager[object]:
    """Let verbs of this machine reach the writer."""
    from archiver.service import ControlChannel

    try:
        failed = partial(log.failure, "control")
        return ControlChannel(archive, failed, served.reload, served.admit)
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        log.say(words_of()("cli.serve.no_channel", why=why))
        return nullcontext()


def _settings(options: Options, configured: NodeSettings) -> NodeSettings:
    """Return the settings with what the command line says put over them."""
    from archiver.network.node import checked

    given: dict[str, Any] = {
        key: value
        for key in ("title", "host", "dimse_port", "web_port", "worklist")
        if (value := getattr(options, key)) is not None
    }
    return checked(dataclasses.replace(configured, **given))


def _print_addresses(node: Node, as_json: bool, *, with_pages: bool) -> None:
    where = _addresses(node, with_pages=with_pages)
    if as_json:
        import json

        print(json.dumps(where), flush=True)
    else:
        _print_words(node, where)


def _addresses(node: Node, *, with_pages: bool) -> dict[str, object]:
    """Return where the node is and who may call, as values that JSON has."""
    settings = node.settings
    where: dict[str, object] = {
        "title": settings.title,
        "host": settings.host,
        "dimse_port": node.dimse.port,
    }
    if node.web is not None:
        scheme = "https" if settings.certificate else "http"
        host = f"[{settings.host}]" if ":" in settings.host else settings.host
        where["web"] = f"{scheme}://{host}:{node.web.port}"
        if with_pages:
            where["pages"] = f"{where['web']}/"
        where["dicomweb"] = f"{where['web']}/dicomweb"
    where["listeners"] = {
        name: {
            "host": place.host,
            **({"dimse_port": node.dimse.ports[name]} if name in node.dimse.ports else {}),
            **({"web_port": node.webs[name].port} if name in node.webs else {}),
            "tls": place.certificate is not None,
        }
        for name, place in settings.everywhere.items()
    }
    door = node.door
    if node.web is not None:
        where["web_callers"] = "anybody here" if door.is_open else list(door.web_callers)
    where["dimse_callers"] = list(settings.callers) or door.callers.value
    return where


def _print_words(node: Node, where: Mapping[str, object]) -> None:
    settings, door, words = node.settings, node.door, words_of()
    if "pages" in where:
        print(words("cli.serve.pages", url=where["pages"]), flush=True)
    at = {"title": settings.title, "host": settings.host, "port": node.dimse.port}
    key = "cli.serve.dimse_tls" if settings.certificate else "cli.serve.dimse"
    print(words(key, **at), flush=True)
    if "web" in where:
        print(words("cli.serve.dicomweb", url=where["dicomweb"]), flush=True)
        print(words("cli.serve.health", url=where["web"]), flush=True)
        who = words("cli.serve.web_open")
        if not door.is_open:
            names = tuple(door.web_callers) or (Text("cli.serve.callers.nobody"),)
            who = words("cli.serve.web_closed", names=names)
        print(who, flush=True)
    titles = settings.callers or (Text(f"cli.serve.callers.{door.callers.value}"),)
    print(words("cli.serve.dimse_callers", names=titles), flush=True)
    for name, place in list(settings.everywhere.items())[1:]:
        ports = tuple(one for one in (place.dimse_port, place.web_port) if one >= 0)
        tls = Text("cli.serve.with_tls" if place.certificate else "cli.serve.without_tls")
        line = words("cli.serve.listener", name=name, host=place.host, ports=ports, tls=tls)
        print(line, flush=True)
