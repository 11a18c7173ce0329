"""Schemathesis against the description of the web services that the program serves."""

from __future__ import annotations

import http.client
import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.network import node_samples as samples
from tests.network.node_serving import Served

PROGRAM = Path(sys.executable).with_name("schemathesis")
#: Ends the session by which everything else is asked.
_LEFT_OUT = ("/logout",)
_CHECKS = "not_a_server_error,status_code_conformance,content_type_conformance"
_TIMEOUT = 20
#: What is there, beside what Schemathesis invents.
_THERE = {
    "study": samples.study_uid(1),
    "series": samples.series_uid(1),
    "instance": samples.instance_uid(1),
    "uid": samples.instance_uid(1),
    "newest": samples.instance_uid(1),
    "earlier": samples.instance_uid(2),
    "frames": "1",
    "tag": "7FE00010",
}
#: Schemathesis knows no multipart/related.
_HOOKS = """
import schemathesis


@schemathesis.serializer("multipart/related")
def parts(ctx, value):
    body = value if isinstance(value, bytes) else str(value).encode()
    head = b"--edge\\r\\nContent-Type: application/dicom\\r\\n\\r\\n"
    return head + body + b"\\r\\n--edge--\\r\\n"


@schemathesis.hook
def before_call(ctx, case, kwargs):
    if case.media_type == "multipart/related":
        kind = 'multipart/related; type="application/dicom"; boundary=edge'
        case.headers["Content-Type"] = kind
"""


@dataclass
class WebFuzzed:
    """What came of it.

    Parameters
    ----------
    cases
        Requests that were sent.
    faults
        What Schemathesis tells of, empty where nothing.
    """

    cases: int
    faults: str


def fuzz(served: Served, folder: Path, seed: int, examples: int) -> WebFuzzed:
    """Ask every operation some times; the node lets everybody of this machine in."""
    host = served.web.partition("//")[2]
    line = http.client.HTTPConnection(host, timeout=_TIMEOUT)
    cookie, token = _session(line)
    line.request("GET", "/dicomweb/openapi.json")
    told = json.loads(line.getresponse().read())
    line.close()
    (folder / "openapi.json").write_text(json.dumps(_with_what_is_there(told)))
    (folder / "multipart_related.py").write_text(_HOOKS)
    words = [str(PROGRAM), "run", "openapi.json", "--url", served.web, "--no-color"]
    words += ["-H", f"Cookie: {cookie}", "-H", f"X-CSRF-Token: {token}", "--checks", _CHECKS]
    words += ["--phases", "fuzzing", "--max-examples", str(examples), "--seed", str(seed)]
    words += ["--request-timeout", str(_TIMEOUT), "--suppress-health-check", "all"]
    words += [word for path in _LEFT_OUT for word in ("--exclude-path", path)]
    env = {**os.environ, "SCHEMATHESIS_HOOKS": "multipart_related", "PYTHONPATH": str(folder)}
    ran = subprocess.run(words, cwd=folder, env=env, capture_output=True, text=True)
    found = re.search(r"(\d+) generated", ran.stdout)
    return WebFuzzed(int(found[1]) if found else 0, "" if not ran.returncode else ran.stdout)


def _session(line: http.client.HTTPConnection) -> tuple[str, str]:
    line.request("GET", "/")
    answer = line.getresponse()
    token = re.search(r'<meta name="csrf" content="([^"]+)"', answer.read().decode())
    assert token
    return str(answer.getheader("Set-Cookie")).partition(";")[0], token[1]


def _with_what_is_there(told: dict[str, Any]) -> dict[str, Any]:
    """Have half of the requests name what there is."""
    for operations in told["paths"].values():
        for operation in operations.values():
            for one in operation["parameters"]:
                if one["in"] == "path" and one["name"] in _THERE:
                    one["schema"] = {"anyOf": [{"const": _THERE[one["name"]]}, one["schema"]]}
    return told
