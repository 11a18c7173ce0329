"""Real peers for the tests of the client, each on a free port and gone when the test is over.

DCMTK's programs are Debian's. Its dcmqrscp and wlmscpfs know no TLS, so a tunnel stands before
them, as a clinic would put one there. Where a fault is needed that no program offers as an
option, a pynetdicom server gives it over a real socket.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import trustme
from pynetdicom import AE, AllStoragePresentationContexts, evt
from pynetdicom.presentation import build_context

from archiver.network.peers import DimsePeer, TimeLimits, Tls

COMMITMENT = "1.2.840.10008.1.20.1"
VERIFICATION = "1.2.840.10008.1.1"
BASELINE, LOSSLESS = "1.2.840.10008.1.2.4.50", "1.2.840.10008.1.2.4.70"
EXPLICIT, IMPLICIT = "1.2.840.10008.1.2.1", "1.2.840.10008.1.2"
QUICK = TimeLimits(connect=5.0, answer=5.0, commitment=5.0)


def free_port() -> int:
    """A port that was free a moment ago."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def peer_at(port: int, **named: Any) -> DimsePeer:
    """A peer on this machine."""
    values: dict[str, Any] = {"name": "clinic", "host": "127.0.0.1", "title": "CLINIC"}
    return DimsePeer(**{**values, "limits": QUICK, **named}, port=port)


@contextlib.contextmanager
def program(command: Sequence[object], port: int, log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Run a server until the test is over; returns when it listens."""
    with log.open("wb") as out:
        process = subprocess.Popen([str(c) for c in command], stdout=out, stderr=out)
    try:
        while not _listens(port):
            # Either it ends (and the test with it), or it is looked at again.
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(0.02)
                raise AssertionError(f"{command[0]} ended: {log.read_text('utf-8', 'replace')}")
        yield process
    finally:
        process.terminate()
        process.wait(20)


def _listens(port: int) -> bool:
    with socket.socket() as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


@contextlib.contextmanager
def storescp(folder: Path, *options: object, log: str = "storescp.log") -> Iterator[int]:
    """DCMTK's storage server; it writes what it gets, bit for bit, into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    port = free_port()
    command = ["storescp", "-od", folder, "+uf", "+B", *options, port]
    with program(command, port, folder.parent / log):
        yield port


@contextlib.contextmanager
def dcmqrscp(
    folder: Path, *, move_to: int = 0, options: Sequence[object] = ("+xy", "-xy", "+B")
) -> Iterator[int]:
    """DCMTK's image archive, empty; `move_to` is where it may send to as ARCHIVER.

    It can be sent to on one association only: it names its files by the second in which they
    come, so that objects of two overwrite each other (three of DCMTK's own storescu at once: it
    answered success 110 times of 120 and kept 109).
    """
    port = free_port()
    storage = folder / "storage"
    storage.mkdir(parents=True)
    config = folder / "dcmqrscp.cfg"
    config.write_text(
        f"NetworkTCPPort = {port}\nMaxPDUSize = 16384\nMaxAssociations = 16\n"
        f"HostTable BEGIN\nwe = (ARCHIVER, 127.0.0.1, {move_to or 1})\nHostTable END\n"
        "VendorTable BEGIN\nVendorTable END\n"
        f"AETable BEGIN\nCLINIC {storage} RW (1000, 1024mb) ANY\nAETable END\n"
    )
    with program(["dcmqrscp", "-c", config, *options], port, folder / "log"):
        yield port


@contextlib.contextmanager
def wlmscpfs(folder: Path) -> Iterator[int]:
    """DCMTK's worklist server on a folder that has a subfolder CLINIC with .wl files."""
    port = free_port()
    (folder / "CLINIC" / "lockfile").touch()
    with program(["wlmscpfs", "-dfp", folder, "-csk", port], port, folder / "log"):
        yield port


@dataclass(frozen=True)
class Certificates:
    """PEM files of an authority, of a server on this machine, and of us."""

    authority: Path
    server: Path
    server_key: Path
    ours: Path
    our_key: Path

    @property
    def tls(self) -> Tls:
        """How we connect."""
        return Tls(self.authority, self.ours, self.our_key)


def certificates(folder: Path) -> Certificates:
    """Make an authority that nobody else knows, and certificates of it."""
    authority = trustme.CA()
    files = Certificates(
        *(folder / f"{n}.pem" for n in ("authority", "server", "server-key", "ours", "our-key"))
    )
    authority.cert_pem.write_to_path(files.authority)
    for names, certificate, key in (
        (("localhost", "127.0.0.1"), files.server, files.server_key),
        (("archiver.example",), files.ours, files.our_key),
    ):
        issued = authority.issue_cert(*names)
        issued.cert_chain_pems[0].write_to_path(certificate)
        issued.private_key_pem.write_to_path(key)
    return files


@contextlib.contextmanager
def tunnel(target: int, files: Certificates) -> Iterator[int]:
    """Listen by TLS, demanding a certificate, and pass all on to a plain port."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(files.server, files.server_key)
    context.load_verify_locations(files.authority)
    context.verify_mode = ssl.CERT_REQUIRED

    def pair(raw: socket.socket, stack: contextlib.ExitStack) -> tuple[Any, Any]:
        secure = stack.enter_context(context.wrap_socket(raw, server_side=True))
        return secure, stack.enter_context(socket.create_connection(("127.0.0.1", target)))

    with _relaying(0, pair) as port:
        yield port


@contextlib.contextmanager
def tunnel_out(port: int, target: int, files: Certificates) -> Iterator[None]:
    """Listen on a plain port, and pass all on by TLS with the server's certificate."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.load_cert_chain(files.server, files.server_key)
    context.load_verify_locations(files.authority)
    # Ours has the name of another machine; who it is issued by is what this tunnel looks at.
    context.check_hostname = False

    def pair(raw: socket.socket, stack: contextlib.ExitStack) -> tuple[Any, Any]:
        plain = stack.enter_context(socket.create_connection(("127.0.0.1", target)))
        return stack.enter_context(context.wrap_socket(plain)), raw

    with _relaying(port, pair):
        yield


_Pair = Callable[[socket.socket, contextlib.ExitStack], tuple[Any, Any]]


@contextlib.contextmanager
def _relaying(port: int, pair: _Pair) -> Iterator[int]:
    listener = socket.create_server(("127.0.0.1", port))
    threads: list[threading.Thread] = []

    def serve() -> None:
        while True:
            try:
                raw, _ = listener.accept()
            except OSError:
                return
            thread = threading.Thread(target=_relay, args=(raw, pair), daemon=True)
            threads.append(thread)
            thread.start()

    accepting = threading.Thread(target=serve, daemon=True)
    accepting.start()
    try:
        yield int(listener.getsockname()[1])
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        accepting.join(10)
        for thread in threads:
            thread.join(10)


def _relay(raw: socket.socket, pair: _Pair) -> None:
    """One thread, because a TLS socket must not be read and written from two."""
    import selectors

    with contextlib.suppress(OSError), raw, contextlib.ExitStack() as stack:
        secure, plain = pair(raw, stack)
        with selectors.DefaultSelector() as ready:
            ready.register(secure, selectors.EVENT_READ, plain)
            ready.register(plain, selectors.EVENT_READ, secure)
            while True:
                waiting = [key for key, _ in ready.select()]
                for key in waiting:
                    source: Any = key.fileobj
                    sink = key.data
                    source.setblocking(False)
                    try:
                        chunk = source.recv(65536)
                        while isinstance(source, ssl.SSLSocket) and source.pending():
                            chunk += source.recv(source.pending())
                    except ssl.SSLWantReadError:
                        continue  # what came was no data, but a ticket of TLS 1.3
                    finally:
                        source.setblocking(True)
                    if not chunk:
                        return
                    sink.sendall(chunk)


Handlers = Sequence[tuple[Any, Callable[..., Any]]]


@contextlib.contextmanager
def pynetdicom_server(
    handlers: Handlers,
    *,
    syntaxes: Sequence[str] = (BASELINE, LOSSLESS, EXPLICIT, IMPLICIT),
    commitment: bool = True,
    **named: Any,
) -> Iterator[int]:
    """A server whose answers are the test's."""
    entity = AE("CLINIC")
    for context in AllStoragePresentationContexts:
        entity.add_supported_context(str(context.abstract_syntax), list(syntaxes))
    entity.add_supported_context("1.2.840.10008.5.1.4.1.1.77.1.4", list(syntaxes))
    entity.add_supported_context(VERIFICATION)
    if commitment:
        entity.add_supported_context(COMMITMENT)
    entity.network_timeout = 20
    for name, value in named.items():
        setattr(entity, name, value)
    server = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=list(handlers))
    assert server is not None
    try:
        yield int(server.server_address[1])
    finally:
        server.shutdown()


@contextlib.contextmanager
def silent_server() -> Iterator[int]:
    """Accepts connections and says nothing, ever."""
    listener = socket.create_server(("127.0.0.1", 0))
    try:
        yield int(listener.getsockname()[1])
    finally:
        listener.close()


def storing(kept: dict[str, bytes], status: int = 0x0000) -> tuple[Any, Callable[..., int]]:
    """Bind C-STORE: keep each object as it came, answer with a status."""

    def take(event: Any) -> int:
        kept[str(event.request.AffectedSOPInstanceUID)] = event.encoded_dataset(include_meta=False)
        return status

    return (evt.EVT_C_STORE, take)


def report_contexts() -> list[Any]:
    """What a peer proposes that reports on an association of its own."""
    return [build_context(COMMITMENT)]
