"""Every resource of the node and every status of its table, asked by curl."""

from __future__ import annotations

import contextlib
import json
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from archiver.network.node import free_space
from archiver.network.node.dicomweb.resources import (
    GIVEN,
    RESOURCES,
    ROOT,
    STATUSES,
    Action,
    Resource,
)
from archiver.network.node.guests import SECONDS
from archiver.network.node.node import Node
from archiver.network.node.settings import NodeLimits
from tests.network import node_samples as samples
from tests.network.node_serving import run, serving

JSON, XML = "application/dicom+json", "application/dicom+xml"
NAMES = {
    "study": samples.study_uid(1),
    "series": samples.series_uid(1),
    "instance": samples.instance_uid(1),
    "frames": "1",
    "tag": "7FE00010",
}


@dataclass(frozen=True)
class Answer:
    """What curl got."""

    status: int
    media: str
    body: bytes


def curl(node: Node, path: str, *words: object, body: Path | None = None) -> Answer:
    assert node.web is not None
    out = node.archive.layout.root.parent / "curl.out"
    out.write_bytes(b"")
    command: list[object] = ["curl", "-s", "-g", "-o", out, "-w", "%{http_code} %{content_type}"]
    if body is not None:
        command += ["--data-binary", f"@{body}"]
    said = run(*command, *words, f"http://127.0.0.1:{node.web.port}{path}").stdout
    status, _, media = said.partition(" ")
    return Answer(int(status), media, out.read_bytes())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("resources")


@pytest.fixture(scope="module")
def node(folder: Path) -> Iterator[Node]:
    limits = NodeLimits(network_seconds=2.0, request_megabytes=1)
    with serving(folder / "archive", limits=limits) as one:
        assert curl(one, ROOT + "/studies", *typed(), body=stow(folder, 1)).status == 200
        assert one.validation is not None
        assert one.validation.wait(30)
        yield one


def typed(kind: str = "application/dicom") -> tuple[str, str]:
    return "-H", f'Content-Type: multipart/related; type="{kind}"; boundary=edge'


def stow(folder: Path, *numbers: int, study: int = 1) -> Path:
    """A body with photographs, and with what is no object for every 0."""
    parts = b"".join(
        b"--edge\r\nContent-Type: application/dicom\r\n\r\n"
        + (samples.file_bytes(samples.photograph(n, study=study)) if n else b"no object")
        + b"\r\n"
        for n in numbers
    )
    path = folder / "body"
    path.write_bytes(parts + b"--edge--\r\n")
    return path


def path_of(resource: Resource, **other: str) -> str:
    return ROOT + resource.path.format(**{**NAMES, **other})


@pytest.mark.parametrize("resource", RESOURCES, ids=lambda one: f"{one.action.value} {one.path}")
def test_every_resource_answers_in_every_media_type_it_names(
    node: Node, folder: Path, resource: Resource
) -> None:
    for media in GIVEN[resource.action]:
        wanted = f'multipart/related; type="{media}"' if media == XML else media
        if media.startswith("image/") and resource.action in (Action.FRAMES, Action.BULK):
            # A compressed frame is given as it is kept, here JPEG Baseline, and no other.
            wanted += "; transfer-syntax=*"
        words: tuple[object, ...] = ("-H", f"Accept: {wanted}")
        body = None
        if resource.action is Action.STORE:
            words, body = (*words, *typed()), stow(folder, 1)
            if media == XML:
                words = ("-H", f"Accept: {XML}", *typed())
        found = curl(node, path_of(resource), *words, body=body)
        kept_so = not media.startswith("image/") or media == "image/jpeg"
        compressed = resource.action in (Action.FRAMES, Action.BULK)
        assert found.status == (200 if kept_so or not compressed else 406), found.body
        if found.status == 200:
            assert found.body
            assert media in found.media


#: (status, action, what follows the path or stands in its place, words for curl, name of a body)
FETCHED = (
    Action.OBJECTS,
    Action.METADATA,
    Action.RENDERED,
    Action.THUMBNAIL,
    Action.FRAMES,
    Action.BULK,
)


def first(action: Action) -> Resource:
    return next(one for one in RESOURCES if one.action is action and "instance" in one.path)


SEEN: set[tuple[int, Action]] = set()


def see(action: Action, found: Answer, status: int) -> None:
    assert found.status == status, (action, found.body[:200])
    assert b"Traceback" not in found.body
    SEEN.add((status, action))


def test_findings_of_what_is_not_there_are_404_and_of_what_is_no_uid_400(node: Node) -> None:
    resource = first(Action.FINDINGS)
    see(Action.FINDINGS, curl(node, path_of(resource, instance="1.2.3")), 404)
    see(Action.FINDINGS, curl(node, path_of(resource, instance="no-uid")), 400)


@pytest.mark.parametrize("action", FETCHED)
def test_what_is_not_there_is_404_and_what_is_malformed_400(node: Node, action: Action) -> None:
    resource = first(action)
    see(action, curl(node, path_of(resource, instance="1.2.3")), 404)
    see(action, curl(node, path_of(resource, instance="no-uid")), 400)
    see(action, curl(node, path_of(resource), "-H", "Accept: text/x-unknown"), 406)
    see(action, curl(node, path_of(resource)), 200)


def test_other_errors_of_retrieval_have_their_status(node: Node) -> None:
    instance = path_of(first(Action.OBJECTS))
    for ending, status in (
        ("/frames/0", 400),
        ("/frames/1,,2", 400),
        ("/frames/9", 404),
        ("/bulkdata/xyz", 400),
        ("/bulkdata/00282000", 404),
        ("/rendered?viewport=1", 400),
        ("/rendered?quality=101", 400),
        ("/rendered?window=1,2,straight", 400),
        ("/frames/2/rendered", 404),
        ("/nothing", 404),
    ):
        assert curl(node, instance + ending).status == status, ending


def test_a_method_that_a_resource_does_not_have_is_405(node: Node) -> None:
    for resource in RESOURCES:
        assert curl(node, path_of(resource), "-X", "DELETE").status == 405


def test_searches_have_their_statuses(node: Node) -> None:
    for resource in (one for one in RESOURCES if one.action is Action.SEARCH):
        path = path_of(resource)
        see(Action.SEARCH, curl(node, path), 200)
        see(Action.SEARCH, curl(node, path + "?NoSuchKey=1"), 400)
        see(Action.SEARCH, curl(node, path + "?StudyDate=soon"), 400)
        see(Action.SEARCH, curl(node, path + "?limit=x"), 400)
        see(Action.SEARCH, curl(node, path, "-H", "Accept: application/dicom+xml-like"), 406)
        see(Action.SEARCH, curl(node, path + "?limit=1&offset=5000"), 204)


def test_storing_has_its_statuses(node: Node, folder: Path) -> None:
    studies = ROOT + "/studies"
    see(Action.STORE, curl(node, studies, *typed(), body=stow(folder, 1, 2)), 200)
    see(Action.STORE, curl(node, studies, *typed(), body=stow(folder, 3, 0)), 202)
    see(Action.STORE, curl(node, studies, *typed(), body=stow(folder, 0)), 409)
    other = curl(node, f"{studies}/{samples.study_uid(2)}", *typed(), body=stow(folder, 4))
    see(Action.STORE, other, 409)
    # PS3.18 annex I: why each object failed, here 0110, processing failure.
    [failed] = json.loads(other.body)["00081198"]["Value"]
    assert failed["00081197"]["Value"] == [0x0110]
    see(Action.STORE, curl(node, studies, *typed(), body=stow(folder)), 400)
    see(Action.STORE, curl(node, studies, "-H", "Content-Type: text/plain", "-d", "x"), 415)
    (folder / "large").write_bytes(bytes(2 << 20))
    see(Action.STORE, curl(node, studies, *typed(), body=folder / "large"), 413)
    see(Action.STORE, slow(node), 408)


def slow(node: Node) -> Answer:
    """A body that stops; curl would go on."""
    assert node.web is not None
    head = f"POST {ROOT}/studies HTTP/1.1\r\nHost: localhost\r\n{typed()[1]}\r\n"
    head += "Content-Length: 900\r\n\r\n"
    with socket.create_connection(("127.0.0.1", node.web.port), timeout=10) as peer:
        peer.sendall(head.encode() + b"--edge\r\n")
        found = peer.recv(4096)
    return Answer(int(found[9:12]), "", found)


@pytest.mark.parametrize("media", ["image/png", "image/gif", "image/jpeg"])
@pytest.mark.parametrize("wrapped", [False, True])
def test_a_picture_alone_is_refused_with_the_reason(
    node: Node, folder: Path, media: str, wrapped: bool
) -> None:
    """No coercion, so no object can be made of what says neither patient nor tooth."""
    (folder / "picture").write_bytes(b"--edge\r\nContent-Type: a/b\r\n\r\nx\r\n--edge--\r\n")
    words = typed(media) if wrapped else ("-H", f"Content-Type: {media}")
    found = curl(node, ROOT + "/studies", *words, body=folder / "picture")
    see(Action.STORE, found, 415)
    assert b"metadata" in found.body


def test_png_as_bulk_data_is_refused_with_the_reason(node: Node, folder: Path) -> None:
    told = samples.photograph(7).to_json_dict(suppress_invalid_tags=True)
    told["7FE00010"] = {"vr": "OB", "BulkDataURI": "picture"}
    parts = (
        f"--edge\r\nContent-Type: {JSON}\r\n\r\n{json.dumps([told])}\r\n"
        "--edge\r\nContent-Type: image/png\r\nContent-Location: picture\r\n\r\npng\r\n--edge--\r\n"
    )
    (folder / "png").write_text(parts)
    found = curl(node, ROOT + "/studies", *typed(JSON), body=folder / "png")
    see(Action.STORE, found, 409)
    [failed] = json.loads(found.body)["0008119A"]["Value"]
    assert failed["00081197"]["Value"] == [0xC000]


def test_where_the_disk_is_almost_full_nothing_is_read(
    node: Node, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(free_space, "free_bytes", lambda _: (1 << 30) - 1)
    found = curl(node, ROOT + "/studies", *typed(), body=stow(folder, 1))
    see(Action.STORE, found, 503)
    assert b"keep what you would send" in found.body


def test_findings_are_there_once_an_instance_is_validated(node: Node, folder: Path) -> None:
    resource = first(Action.FINDINGS)
    found = curl(node, path_of(resource))
    see(Action.FINDINGS, found, 200)
    assert json.loads(found.body)["validated"] is True
    with serving(folder / "unvalidated") as other:
        assert other.validation is not None
        other.validation._busy = lambda: True
        curl(other, ROOT + "/studies", *typed(), body=stow(folder, 1))
        see(Action.FINDINGS, curl(other, path_of(resource)), 202)


@pytest.mark.parametrize("action", list(Action))
def test_nobody_gets_in_without_credentials_or_from_elsewhere(
    node: Node, folder: Path, action: Action
) -> None:
    secrets = folder / "secrets"
    secrets.write_text("token viewer opensesame1\n")
    resource = next(one for one in RESOURCES if one.action is action)
    with serving(folder / f"closed {action.value}", credentials=secrets) as one:
        see(action, curl(one, path_of(resource), "-X", resource.method), 401)
    with serving(folder / f"far {action.value}", networks=("192.0.2.0/24",)) as one:
        see(action, curl(one, path_of(resource), "-X", resource.method), 403)
        words = ("-X", resource.method, "-H", "Host: elsewhere.example")
        see(action, curl(node, path_of(resource), *words), 421)


@pytest.mark.parametrize("action", list(Action))
def test_who_has_used_up_a_minute_is_asked_to_come_again(
    node: Node, monkeypatch: pytest.MonkeyPatch, action: Action
) -> None:
    guests = node.figures.guests
    guests.use(SECONDS, "127.0.0.1", 1e6)
    resource = next(one for one in RESOURCES if one.action is action)
    try:
        see(action, curl(node, path_of(resource), "-X", resource.method), 429)
        assert curl(node, "/health").status == 200
    finally:
        guests._used.clear()


def test_every_status_of_the_table_was_seen() -> None:
    """The statuses that the conformance statement prints; this test stands last in its file."""
    told = {(code, action) for code, actions, _ in STATUSES for action in actions}
    assert told <= SEEN | {(200, action) for action in Action}


class TestXml:
    """PS3.18 8.7.3.2: datasets in the Native DICOM Model of PS3.19 A.1."""

    @pytest.fixture
    def xml(self, node: Node) -> bytes:
        words = ("-H", f'Accept: multipart/related; type="{XML}"')
        found = curl(node, path_of(first(Action.METADATA)), *words)
        assert found.status == 200
        body = found.body
        return body[body.index(b"<?xml") : body.rindex(b"\r\n--", 0, -4)]

    def test_metadata_are_what_dcmtk_makes_of_the_file(self, node: Node, xml: bytes) -> None:
        path = node.archive.path_of(samples.instance_uid(1))
        theirs = run("dcm2xml", "-nat", "-q", path).stdout.encode()
        ours, other = simplified(xml), simplified(theirs)
        # Added by the node: Available Transfer Syntax UID; pixel data come by reference.
        extra = {key for key in ours if key[0] in ("00083002", "7FE00010")}
        assert {k: v for k, v in ours.items() if k not in extra} == {
            k: v for k, v in other.items() if k[0] not in ("7FE00010",) and k[0][:4] != "0002"
        }
        assert b'<BulkData uri="http://127.0.0.1' in xml

    def test_answers_to_a_search_are_a_part_each(self, node: Node) -> None:
        words = ("-H", f'Accept: multipart/related; type="{XML}"')
        found = curl(node, ROOT + "/instances", *words)
        plain = curl(node, ROOT + "/instances")
        assert found.body.count(b"<NativeDicomModel") == len(json.loads(plain.body))

    def test_an_object_described_in_xml_is_stored(self, node: Node, folder: Path) -> None:
        ds = samples.photograph(8)
        samples.save(ds, folder)
        path = folder / f"{ds.SOPInstanceUID}.dcm"
        told = run("dcm2xml", "-nat", "+Xn", "-q", path).stdout
        begin = told.index('<DicomAttribute tag="7FE00010"')
        end = told.index("</DicomAttribute>", begin)
        told = told[:begin] + (
            '<DicomAttribute tag="7FE00010" vr="OB"><BulkData uri="picture"/>' + told[end:]
        )
        parts = f"--edge\r\nContent-Type: {XML}\r\n\r\n{told}\r\n--edge\r\n".encode()
        syntax = "1.2.840.10008.1.2.4.50"
        parts += f"Content-Type: image/jpeg; transfer-syntax={syntax}\r\n".encode()
        parts += b"Content-Location: picture\r\n\r\n" + samples.jpeg(seed=8) + b"\r\n--edge--\r\n"
        (folder / "xml").write_bytes(parts)
        found = curl(
            node, ROOT + "/studies", *typed(XML), "-H", f"Accept: {XML}", body=folder / "xml"
        )
        assert found.status == 200, found.body
        assert found.media.startswith(XML)
        kept = node.archive.path_of(samples.instance_uid(8))
        assert kept is not None
        assert simplified(run("dcm2xml", "-nat", "-q", kept).stdout.encode()) == simplified(
            run("dcm2xml", "-nat", "-q", path).stdout.encode()
        )

    @pytest.mark.parametrize(
        "xml",
        [
            "no xml",
            "<NativeDicomModel>",
            "<other/>",
            "<NativeDicomModel><Odd/></NativeDicomModel>",
            '<!DOCTYPE a [<!ENTITY b "cc"><!ENTITY d "&b;&b;&b;">]><NativeDicomModel>&d;'
            "</NativeDicomModel>",
            '<!DOCTYPE a SYSTEM "file:///etc/hostname"><NativeDicomModel/>',
            '<NativeDicomModel><DicomAttribute tag="00280010" vr="US"><Value number="1">many'
            "</Value></DicomAttribute></NativeDicomModel>",
            "<NativeDicomModel>" + '<DicomAttribute tag="00081140" vr="SQ"><Item number="1">' * 500,
        ],
    )
    def test_bad_xml_is_refused(self, node: Node, folder: Path, xml: str) -> None:
        body = f"--edge\r\nContent-Type: {XML}\r\n\r\n{xml}\r\n--edge--\r\n"
        (folder / "bad").write_text(body)
        found = curl(node, ROOT + "/studies", *typed(XML), body=folder / "bad")
        assert found.status == 400


def simplified(xml: bytes) -> dict[tuple[str, ...], str]:
    """Values of a Native DICOM Model by the path to them, without what is only decoration."""
    from xml.etree import ElementTree as ET

    found: dict[tuple[str, ...], str] = {}

    def walk(node: ET.Element, path: tuple[str, ...]) -> None:
        name = node.tag.rpartition("}")[2]
        here = (*path, node.get("tag") or f"{name}{node.get('number', '')}")
        text = (node.text or "").strip()
        if text:
            number = text.replace(".", "", 1).isdigit() and node.get("number") is not None
            found[here] = str(float(text)) if number else text
        for child in node:
            walk(child, here)

    with contextlib.suppress(ET.ParseError):
        root = ET.fromstring(xml)
        for child in root:
            walk(child, ())
    assert found
    return found
