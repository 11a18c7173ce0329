"""What it costs that an answer waits for the line in the journal which tells of it.

Run: ``python -m tests.benchmarks.bench_node_trail [--brief] [--check]``. One node is asked by eight
clients at once, in turn with its trail as it is and with a trail that waits for nothing, over the
same connections; told is the ratio of the times. The turns are short and many, as other work on
the machine comes and goes.
"""

from __future__ import annotations

import http.client
import statistics
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from archiver.network.node.audit_trail import AuditTrail
from tests.network import node_samples as samples
from tests.network.node_serving import serving, store

#: Beside a trail that waits for nothing, which is what a lost one would cost.
LIMIT = 1.10
CLIENTS = 8
STUDY = f"/dicomweb/studies/{samples.study_uid(1)}"
PATHS = {
    "QIDO-RS, studies": "/dicomweb/studies?includefield=all",
    "WADO-RS, a study": STUDY,
    "WADO-RS, metadata": STUDY + "/metadata",
}


class Client:
    """Asks over one connection."""

    def __init__(self, port: int) -> None:
        self._connection = http.client.HTTPConnection("127.0.0.1", port)

    def ask(self, path: str, times: int) -> None:
        for _ in range(times):
            self._connection.request("GET", path)
            answer = self._connection.getresponse()
            answer.read()
            assert answer.status == 200

    def close(self) -> None:
        self._connection.close()


def main() -> int:
    """Measure and tell; return 1 where ``--check`` finds the limit passed."""
    turns, times = (6, 10) if "--brief" in sys.argv else (30, 20)
    waiting = AuditTrail.__call__
    found: dict[str, tuple[list[float], list[float]]] = {name: ([], []) for name in PATHS}
    with tempfile.TemporaryDirectory() as folder, serving(Path(folder) / "archive") as node:
        assert node.web is not None
        files = [samples.save(samples.photograph(n), Path(folder)) for n in range(1, 9)]
        store(node.dimse.port, *files)
        clients = [Client(node.web.port) for _ in range(CLIENTS)]
        with ThreadPoolExecutor(CLIENTS) as pool:
            for turn in range(2 * turns + 2):
                is_waiting = turn % 2 == 0
                AuditTrail.__call__ = waiting if is_waiting else AuditTrail.soon  # type: ignore[method-assign]
                for name, path in PATHS.items():
                    began = time.perf_counter()
                    list(pool.map(lambda one, p=path: one.ask(p, times), clients))  # type: ignore[misc]
                    if turn > 1:
                        found[name][turn % 2].append(time.perf_counter() - began)
        AuditTrail.__call__ = waiting  # type: ignore[method-assign]
        for one in clients:
            one.close()
    worst = 0.0
    for name, (with_it, without) in found.items():
        ratio = statistics.median(a / b for a, b in zip(with_it, without, strict=True))
        each = statistics.median(with_it) / (times * CLIENTS)
        print(f"{name:<22} {each * 1000:6.2f} ms an answer; with / without waiting: {ratio:.2f}")
        worst = max(worst, ratio)
    if "--check" in sys.argv and worst > LIMIT:
        print(f"more than {LIMIT}")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
