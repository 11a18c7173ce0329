"""TLS of the node's web side, and certificates that do not open it (PS3.15 B.12, BCP 195)."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
import trustme

from archiver.network.node.node import Node
from tests.network.node_serving import TITLE, run, serving


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Certificates: the node's, a client's, and one of an authority that nobody here trusts."""
    folder = tmp_path_factory.mktemp("tls")
    authority = trustme.CA()
    found = {"ca": folder / "ca.pem"}
    authority.cert_pem.write_to_path(found["ca"])
    for name, maker in (("node", authority), ("client", authority), ("stranger", trustme.CA())):
        made = maker.issue_cert("127.0.0.1" if name == "node" else f"{name}.example")
        found[name], found[f"{name} key"] = folder / f"{name}.pem", folder / f"{name}.key"
        made.private_key_pem.write_to_path(found[f"{name} key"])
        found[name].write_bytes(b"".join(b.bytes() for b in made.cert_chain_pems))
    return found


def curl(node: Node, files: dict[str, Path], *words: object) -> tuple[int, str]:
    assert node.web is not None
    url = f"https://127.0.0.1:{node.web.port}/health"
    command = ["curl", "-s", "-o", "/dev/null", "-w", "%{http_code}", "--cacert", files["ca"]]
    result = run(*command, *words, url)
    return result.returncode, result.stdout


def test_health_is_told_over_tls_and_not_without(tmp_path: Path, files: dict[str, Path]) -> None:
    with serving(tmp_path / "a", certificate=files["node"], key=files["node key"]) as node:
        assert curl(node, files) == (0, "200")
        assert node.web is not None
        plain = run("curl", "-s", f"http://127.0.0.1:{node.web.port}/health")
        assert plain.returncode != 0


@pytest.mark.parametrize("side", ["web", "dimse"])
def test_nothing_older_than_tls_1_2_is_spoken(
    tmp_path: Path, files: dict[str, Path], side: str
) -> None:
    with serving(tmp_path / "a", certificate=files["node"], key=files["node key"]) as node:
        assert node.web is not None
        port = node.web.port if side == "web" else node.dimse.port
        for version, spoken in (("1", False), ("1_1", False), ("1_2", True), ("1_3", True)):
            words = ["openssl", "s_client", f"-tls{version}", "-cipher", "DEFAULT@SECLEVEL=0"]
            result = subprocess.run(
                [*words, "-connect", f"127.0.0.1:{port}"], input="", capture_output=True, text=True
            )
            assert ("Cipher is (NONE)" not in result.stdout) is spoken, version


def test_a_suite_without_encryption_is_never_agreed(tmp_path: Path, files: dict[str, Path]) -> None:
    with serving(tmp_path / "a", certificate=files["node"], key=files["node key"]) as node:
        words = ["openssl", "s_client", "-tls1_2", "-cipher", "eNULL@SECLEVEL=0"]
        result = subprocess.run(
            [*words, "-connect", f"127.0.0.1:{node.dimse.port}"],
            input="",
            capture_output=True,
            text=True,
        )
        assert "Cipher is (NONE)" in result.stdout


@pytest.mark.parametrize(("name", "lets_in"), [("", False), ("stranger", False), ("client", True)])
def test_only_certificates_of_the_named_authorities_open_it(
    tmp_path: Path, files: dict[str, Path], name: str, lets_in: bool
) -> None:
    with serving(
        tmp_path / "a",
        certificate=files["node"],
        key=files["node key"],
        client_authorities=files["ca"],
    ) as node:
        shown = ("--cert", files[name], "--key", files[f"{name} key"]) if name else ()
        status, code = curl(node, files, *shown)
        assert (status == 0 and code == "200") is lets_in
        words: tuple[object, ...] = ("echoscu", "-aec", TITLE, "127.0.0.1", node.dimse.port)
        words += ("+cf", files["ca"])
        words += ("+tls", files[f"{name} key"], files[name]) if name else ("+tla",)
        assert (run(*words).returncode == 0) is lets_in
        # Whoever is turned away holds nobody up.
        shown = ("--cert", files["client"], "--key", files["client key"])
        assert curl(node, files, *shown) == (0, "200")
