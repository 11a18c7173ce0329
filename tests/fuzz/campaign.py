"""A node in a process of its own, many requests, and what they leave behind."""

from __future__ import annotations

import json
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from tests.fuzz import dimse, web
from tests.network import node_samples as samples
from tests.network.node_raw import echo
from tests.network.node_serving import Served, store

#: What a process may take more in the second half (bytes), and descriptors at the end.
GROWTH, DESCRIPTORS = 48 << 20, 8
#: Who stammers is given up soon; nobody is told to come more slowly.
_SETTINGS = """
[node.limits]
negotiation_seconds = 2.0
network_seconds = 5.0
processor_seconds = 6000.0
journal_megabytes = 6000
[pages]
requests_at_once = 100000
requests_a_second = 10000
"""
#: Operations that the description tells of, about.
_OPERATIONS = 76


@dataclass
class Campaign:
    """What was seen.

    Parameters
    ----------
    faults
        In words; empty where all is well.
    """

    requests: int = 0
    seconds: float = 0.0
    sessions: dimse.Fuzzed = field(default_factory=dimse.Fuzzed)
    cases: int = 0
    memory: list[int] = field(default_factory=list)
    descriptors: list[int] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        """Return the figures in words."""
        return [
            f"{self.requests} requests in {self.seconds:.0f} s: {self.sessions.sessions} sessions "
            f"of DIMSE, {self.cases} of the web",
            f"sessions were answered with {dict(self.sessions.answered.most_common())}",
            f"the longest took {self.sessions.longest:.1f} s",
            f"memory {', '.join(str(one >> 20) for one in self.memory)} MB, descriptors "
            f"{', '.join(map(str, self.descriptors))}",
            *self.faults,
        ]


def run(folder: Path, seed: int, requests: int, rounds: int = 2) -> Campaign:
    """Send so many requests, half of them by either way, in rounds that are compared."""
    told, began = Campaign(), time.monotonic()
    with Served(folder / "archive", _SETTINGS) as served:
        objects = [samples.photograph(n) for n in (1, 2)]
        store(served.port, *(samples.save(ds, folder) for ds in objects))
        process = psutil.Process(served.process.pid)
        log: list[str] = []
        reading = threading.Thread(target=lambda: log.extend(served.process.stderr or ()))
        reading.start()
        for number in range(rounds):
            some = dimse.fuzz(served.port, rounds * seed + number, requests // 2 // rounds)
            told.sessions.sessions += some.sessions
            told.sessions.answered += some.answered
            told.sessions.longest = max(told.sessions.longest, some.longest)
            told.faults += [f"session {n} of round {number} hung" for n in some.hung]
            examples = max(1, requests // 2 // rounds // _OPERATIONS)
            asked = web.fuzz(served, folder, rounds * seed + number, examples)
            told.cases += asked.cases
            told.faults += [asked.faults] if asked.faults else []
            echo(served.port)
            told.memory.append(process.memory_info().rss)
            told.descriptors.append(process.num_fds())
        served.process.terminate()
        status = served.process.wait(60)
        reading.join()
        served.process.communicate()
    told.requests, told.seconds = told.sessions.sessions + told.cases, time.monotonic() - began
    lines = [json.loads(line) for line in log if line.startswith("{")]
    told.faults += [str(one) for one in lines if one["event"] == "failure"]
    told.faults += [line for line in log if "Traceback" in line or "Error" in line.split('"')[0]]
    told.faults += [f"the node ended with {status}"] if status else []
    if told.memory[-1] - told.memory[0] > GROWTH:
        told.faults.append("memory grows")
    if told.descriptors[-1] - told.descriptors[0] > DESCRIPTORS:
        told.faults.append("descriptors grow")
    return told
