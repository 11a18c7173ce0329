"""Several listeners at once, each with its own address, TLS and callers; proxies before them."""

from __future__ import annotations

import json
import socket
import ssl
from pathlib import Path
from typing import Any

import httpx
import pytest
import trustme

from archiver.access.users import users_of
from archiver.errors import UsageError
from archiver.network.node.settings import NodeListener, NodeSettings, checked, settings_of
from tests.network import node_samples as samples
from tests.network.node_raw import associate_rq
from tests.network.node_serving import TITLE, logged, run, serving, store
from tests.new_archive import new_archive
from tests.service.test_reload import Certificates


@pytest.fixture
def files(tmp_path: Path) -> Certificates:
    return Certificates(tmp_path)


def test_an_x_ray_device_without_tls_beside_pages_and_dimse_over_tls(
    tmp_path: Path, files: Certificates
) -> None:
    xray = NodeListener("xray", dimse_port=0, callers=("XRAY",))
    web = NodeListener("inside", web_port=0, networks=("127.0.0.0/8",))
    far = NodeListener("far", web_port=0, networks=("192.0.2.0/24",))
    with serving(
        tmp_path / "archive",
        certificate=files.certificate,
        key=files.key,
        listeners=(xray, web, far),
    ) as node:
        assert node.web is not None
        plain, tls = node.dimse.ports["xray"], node.dimse.ports["node"]
        photograph = samples.save(samples.photograph(1), tmp_path)
        store(plain, photograph, words=("-xy", "-aet", "XRAY"))
        assert len(node.archive) == 1
        # Another title, or TLS, is nothing for the device's listener.
        words = ("-aec", TITLE, "127.0.0.1")
        assert run("echoscu", "-aet", "OTHER", *words, plain).returncode != 0
        assert run("echoscu", *words, tls).returncode != 0
        authority = tmp_path / "ca.pem"
        files.authority.cert_pem.write_to_path(authority)
        secure = ("+tla", "+cf", authority)
        assert run("echoscu", *secure, *words, tls).returncode == 0
        assert run("echoscu", *secure, "-aet", "XRAY", *words, plain).returncode != 0
        ends = {name: f"127.0.0.1:{side.port}" for name, side in node.webs.items()}
        assert httpx.get(f"https://{ends['node']}/health", verify=files.context).status_code == 200
        search = "/dicomweb/instances"
        assert len(httpx.get(f"http://{ends['inside']}{search}").json()) == 1
        assert httpx.get(f"http://{ends['far']}{search}").status_code == 403
        names = {one.get("listener") for one in logged(node) if one["event"] == "association"}
        assert names == {"xray", "node"}


def test_a_certificate_of_each_listener_is_renewed(tmp_path: Path, files: Certificates) -> None:
    other = NodeListener("other", web_port=0, certificate=files.certificate, key=files.key)
    with serving(tmp_path / "archive", web_port=-1, listeners=(other,)) as node:
        assert node.web is None
        port = node.webs["other"].port
        before = files.shown(port)
        files.renew()
        node.renew_certificates(node.settings)
        assert files.shown(port) != before


def test_authorities_are_renewed_without_a_restart_and_the_old_ones_open_nothing(
    tmp_path: Path, files: Certificates
) -> None:
    authorities = tmp_path / "authorities.pem"
    old, new = trustme.CA(), trustme.CA()
    old.cert_pem.write_to_path(authorities)

    def comes_in(port: int, request: bytes, authority: trustme.CA) -> bool:
        context = ssl.create_default_context()
        files.authority.configure_trust(context)
        authority.issue_cert("device.example").configure_cert(context)
        try:
            with (
                socket.create_connection(("127.0.0.1", port), 20) as plain,
                context.wrap_socket(plain, server_hostname="127.0.0.1") as one,
            ):
                # In TLS 1.3 a client hears of its certificate with the first answer.
                one.sendall(request)
                return bool(one.recv(1))
        except (ssl.SSLError, ConnectionError):
            return False

    where = {"certificate": files.certificate, "key": files.key}
    with serving(tmp_path / "a", client_authorities=authorities, **where) as node:
        assert node.web is not None
        health = b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        ends = ((node.web.port, health), (node.dimse.port, associate_rq()))
        assert [(comes_in(*one, old), comes_in(*one, new)) for one in ends] == [(True, False)] * 2
        new.cert_pem.write_to_path(authorities)
        node.renew_certificates(node.settings)
        assert [(comes_in(*one, old), comes_in(*one, new)) for one in ends] == [(False, True)] * 2


def test_wrong_passwords_count_at_all_listeners_together(tmp_path: Path) -> None:
    users_of(new_archive(tmp_path / "archive")).add("anna", frozenset({"dentist"}), "three herons")
    other = NodeListener("other", web_port=0)
    with serving(tmp_path / "archive", dimse_port=-1, listeners=(other,)) as node:
        ports = [node.webs[name].port for name in ("node", "other")]
        found = [
            httpx.get(f"http://127.0.0.1:{ports[n % 2]}/metrics", auth=("anna", "x")).status_code
            for n in range(10)
        ]
        assert found == [401] * 8 + [429] * 2


@pytest.mark.parametrize(
    ("proxies", "seen"), [((), "127.0.0.1"), (("127.0.0.1",), "203.0.113.9"), (("192.0.2.1",), "")]
)
def test_forwarded_headers_count_only_from_configured_proxies(
    tmp_path: Path, proxies: tuple[str, ...], seen: str
) -> None:
    said: dict[str, Any] = {"networks": ("203.0.113.0/24",), "proxies": proxies}
    said["credentials"] = tmp_path / "secrets"
    said["credentials"].write_text("token viewer opensesame1\n")
    with serving(tmp_path / "archive", **said) as node:
        assert node.web is not None
        url = f"http://127.0.0.1:{node.web.port}/dicomweb/instances"
        headers = {"X-Forwarded-For": "203.0.113.9", "X-Forwarded-Proto": "https"}
        headers["Authorization"] = "Bearer opensesame1"
        answer = httpx.get(url, headers=headers)
        believed = seen == "203.0.113.9"
        assert answer.status_code == (204 if believed else 403)


def test_who_comes_through_a_proxy_is_not_of_this_machine() -> None:
    """Else nobody would have to log in who reaches the proxy."""
    assert NodeSettings().on_loopback
    behind = NodeSettings(proxies=("127.0.0.1",))
    assert not behind.on_loopback and behind.is_secure


def test_listeners_are_read_from_the_settings(tmp_path: Path) -> None:
    found = settings_of(
        {"listener": [{"name": "xray", "host": "127.0.0.2", "dimse_port": 104}]}, tmp_path
    )
    assert found.listeners == (NodeListener("xray", "127.0.0.2", 104),)
    place = checked(found).everywhere["xray"]
    assert (place.host, place.dimse_port, place.web_port) == ("127.0.0.2", 104, -1)
    for tables, said in (
        ([{"dimse_port": 104}], "name is missing"),
        ([{"name": "a", "title": "B"}], 'unknown key "title"'),
        ({"name": "a"}, "no table"),
    ):
        with pytest.raises(UsageError, match=said):
            settings_of({"listener": tables}, tmp_path)
    twice = NodeSettings(listeners=(NodeListener("a"), NodeListener("a")))
    with pytest.raises(UsageError, match="used twice"):
        checked(twice)
    with pytest.raises(UsageError, match=r"a.*network"):
        checked(NodeSettings(listeners=(NodeListener("a", networks=("nowhere",)),)))
    assert json.dumps(sorted(found.everywhere)) == '["node", "xray"]'
