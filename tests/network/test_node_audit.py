"""Every store, query, retrieval and refusal is in the audit trail, and no patient is, anywhere.

The fields are those of PS3.15 A.5.2; which event has which are A.5.3.1 (Application Activity),
A.5.3.7 (DICOM Instances Transferred), A.5.3.10 (Query) and A.5.3.11 (Security Alert).
"""

from __future__ import annotations

import json
import re
import socket
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import httpx
import pytest
import trustme

from archiver.network.node.audit import AuditEvent, event_of
from archiver.network.node.node import Node
from archiver.network.node.settings import NodeLimits
from archiver.network.peers import DimsePeer
from tests.cli import in_process
from tests.cli.sessions import archiver
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served, run, serving, store
from tests.new_archive import new_archive

SOURCE, DESTINATION, APPLICATION = "110153", "110152", "110150"
STUDY, SOP_CLASS = "110180", "110181"
STUDY_ROOT_FIND = "1.2.840.10008.5.1.4.1.2.2.1"
STUDY_1 = ("-k", "QueryRetrieveLevel=STUDY", "-k", f"StudyInstanceUID={samples.study_uid(1)}")
VISITS = "patient_id,name,date,station\nP-0417,Okafor^Nadia,2026-03-04,CAMERA1\n"


def trail(journal: Path) -> list[AuditEvent]:
    lines = [json.loads(line) for line in journal.read_text().splitlines()]
    return [event_of(line) for line in lines if line["action"] == "audit"]


def happened(folder: Path, deed: Callable[[Node], object], **settings: object) -> list[AuditEvent]:
    """What a node with one photograph tells of a deed, without its start, end and that store."""
    archive = folder / "archive"
    with serving(archive) as one:
        store(one.dimse.port, samples.save(samples.photograph(1), folder))
    journal = archive / "journal.jsonl"
    before = len(trail(journal))
    with serving(archive, **settings) as one:  # type: ignore[arg-type]
        assert one.archive.layout.journal == journal
        deed(one)
    # Events are written together, in the order in which they came.
    return [e for e in trail(journal)[before:] if e.event != "110100"]


def one_of(events: list[AuditEvent]) -> AuditEvent:
    assert len(events) == 1, events
    return events[0]


def check(
    event: AuditEvent,
    code: str,
    action: str,
    outcome: int,
    source: tuple[str, str],
    destination: tuple[str, str],
    requestor: str,
) -> None:
    """Compare with a row of the table: who, in which role, from which network access point."""
    assert (event.event, event.action, event.outcome) == (code, action, outcome), event
    assert datetime.fromisoformat(event.time).utcoffset() is not None
    assert event.source
    by_role = {one.role: one for one in event.participants}
    for role, (user, place) in ((SOURCE, source), (DESTINATION, destination)):
        found = by_role[role]
        assert (found.user, found.access_point) == (user, place)
        assert found.access_point_type == (2 if place else 0)
        assert found.is_requestor is (user == requestor)
    if requestor not in (source[0], destination[0]):
        [third] = [one for one in event.participants if one.is_requestor]
        assert third.user == requestor


US, LOCAL = (TITLE, ""), "127.0.0.1"


class TestDimse:
    def test_start_and_stop(self, tmp_path: Path) -> None:
        with serving(tmp_path / "archive") as one:
            journal = one.archive.layout.journal
        events = trail(journal)
        assert [(e.event, e.action, e.kind, e.outcome) for e in events] == [
            ("110100", "E", "110120", 0),
            ("110100", "E", "110121", 0),
        ]
        for event in events:
            [application] = event.participants
            assert (application.user, application.role) == (TITLE, APPLICATION)

    def test_a_store(self, tmp_path: Path) -> None:
        file = samples.save(samples.photograph(2, study=2), tmp_path)
        event = one_of(happened(tmp_path, lambda one: store(one.dimse.port, file)))
        check(event, "110104", "C", 0, ("STORESCU", LOCAL), US, "STORESCU")
        assert event.objects == ((samples.study_uid(2), STUDY, 1),)

    def test_a_store_that_is_refused(self, tmp_path: Path) -> None:
        other = samples.save(samples.photograph(1, ImageComments="x"), tmp_path / "other")
        words = ("storescu", "-xy", "-aec", TITLE, "127.0.0.1")
        event = one_of(happened(tmp_path, lambda one: run(*words, one.dimse.port, other)))
        check(event, "110104", "C", 4, ("STORESCU", LOCAL), US, "STORESCU")
        assert "0111" in event.detail

    @pytest.mark.parametrize(
        ("key", "outcome"), [("PatientName=Okafor*", 0), ("StudyDate=someday", 4)]
    )
    def test_a_query(self, tmp_path: Path, key: str, outcome: int) -> None:
        words = ("findscu", "-S", "-aec", TITLE, "-k", "QueryRetrieveLevel=STUDY", "-k", key)
        event = one_of(happened(tmp_path, lambda one: run(*words, "127.0.0.1", one.dimse.port)))
        check(event, "110112", "E", outcome, ("FINDSCU", LOCAL), US, "FINDSCU")
        assert event.objects == ((STUDY_ROOT_FIND, SOP_CLASS, 0),)
        # Which keys were asked for, not what for.
        assert key.partition("=")[0] in event.detail
        assert key.partition("=")[2] not in event.detail

    def test_a_query_of_the_worklist(self, tmp_path: Path) -> None:
        visits = tmp_path / "visits.csv"
        visits.write_text(VISITS)
        words = ("findscu", "-W", "-aec", TITLE, "-k", "PatientName=Okafor*", "127.0.0.1")
        events = happened(tmp_path, lambda one: run(*words, one.dimse.port), worklist=visits)
        check(one_of(events), "110112", "E", 0, ("FINDSCU", LOCAL), US, "FINDSCU")
        assert one_of(events).objects == (("1.2.840.10008.5.1.4.31", SOP_CLASS, 0),)

    def test_a_retrieval_by_get(self, tmp_path: Path) -> None:
        words = ("getscu", "-S", "+xy", "-od", tmp_path, "-aec", TITLE)
        words += (
            "-k",
            "QueryRetrieveLevel=STUDY",
            "-k",
            f"StudyInstanceUID={samples.study_uid(1)}",
        )
        events = happened(tmp_path, lambda one: run(*words, "127.0.0.1", one.dimse.port))
        begun, done = events
        check(begun, "110102", "E", 0, US, ("GETSCU", LOCAL), "GETSCU")
        check(done, "110104", "R", 0, US, ("GETSCU", LOCAL), "GETSCU")
        assert begun.objects == done.objects == ((samples.study_uid(1), STUDY, 1),)

    def test_a_retrieval_that_is_refused(self, tmp_path: Path) -> None:
        words = ("getscu", "-S", "-aec", TITLE, "-k", "QueryRetrieveLevel=STUDY", "127.0.0.1")
        event = one_of(happened(tmp_path, lambda one: run(*words, one.dimse.port)))
        check(event, "110104", "R", 4, US, ("GETSCU", LOCAL), "GETSCU")
        assert "A900" in event.detail

    def test_a_move_to_somebody_who_is_away(self, tmp_path: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        away = DimsePeer("light", "127.0.0.1", port, "LIGHTBOX")
        words = ("movescu", "-S", "-aec", TITLE, "-aem", "LIGHTBOX")
        words += (
            "-k",
            "QueryRetrieveLevel=STUDY",
            "-k",
            f"StudyInstanceUID={samples.study_uid(1)}",
        )
        events = happened(
            tmp_path, lambda one: run(*words, "127.0.0.1", one.dimse.port), peers=[away]
        )
        check(one_of(events), "110104", "R", 8, US, ("LIGHTBOX", LOCAL), "MOVESCU")
        assert one_of(events).objects == ((samples.study_uid(1), STUDY, 0),)

    def test_a_move_to_nobody_known(self, tmp_path: Path) -> None:
        words = ("movescu", "-S", "-aec", TITLE, "-aem", "NOBODY", "-k", "QueryRetrieveLevel=STUDY")
        event = one_of(happened(tmp_path, lambda one: run(*words, "127.0.0.1", one.dimse.port)))
        check(event, "110113", "E", 4, ("MOVESCU", LOCAL), US, "MOVESCU")
        assert event.kind == "110132"  # use of restricted function

    @pytest.mark.parametrize(
        ("words", "settings"),
        [
            (("-aec", "OTHER"), {}),
            (("-aec", TITLE, "-aet", "STRANGER"), {"callers": ("CAMERA1",)}),
        ],
    )
    def test_an_association_that_is_rejected(
        self, tmp_path: Path, words: tuple[str, ...], settings: dict[str, object]
    ) -> None:
        def deed(one: Node) -> None:
            run("echoscu", *words, "127.0.0.1", one.dimse.port)

        event = one_of(happened(tmp_path, deed, **settings))
        name = "STRANGER" if "STRANGER" in words else "ECHOSCU"
        check(event, "110113", "E", 4, (name, LOCAL), US, name)
        assert event.kind == "110126"  # node authentication

    def test_an_address_that_is_not_allowed(self, tmp_path: Path) -> None:
        def deed(one: Node) -> None:
            run("echoscu", "-aec", TITLE, "127.0.0.1", one.dimse.port)

        event = one_of(happened(tmp_path, deed, networks=("192.0.2.0/24",)))
        check(event, "110113", "E", 4, ("", LOCAL), US, "")
        assert event.detail == "address not allowed"

    def test_a_handshake_that_fails(self, tmp_path: Path) -> None:
        certificate, key = tmp_path / "cert.pem", tmp_path / "key.pem"
        ours = trustme.CA().issue_cert("127.0.0.1")
        ours.private_key_pem.write_to_path(key)
        ours.cert_chain_pems[0].write_to_path(certificate)

        def deed(one: Node) -> None:
            run("echoscu", "-aec", TITLE, "127.0.0.1", one.dimse.port)

        event = one_of(happened(tmp_path, deed, certificate=certificate, key=key))
        assert (event.event, event.kind, event.outcome) == ("110113", "110126", 4)
        assert event.detail.startswith("TLS")


def where(one: Node, path: str = "") -> str:
    assert one.web is not None
    return f"http://127.0.0.1:{one.web.port}/dicomweb{path}"


ANYONE = ("anyone", LOCAL)
INSTANCE = (
    f"/studies/{samples.study_uid(1)}/series/{samples.series_uid(1)}"
    f"/instances/{samples.instance_uid(1)}"
)


class TestWeb:
    def test_a_store(self, tmp_path: Path) -> None:
        event = one_of(
            happened(tmp_path, lambda one: self.post(one, samples.photograph(2, study=2)))
        )
        check(event, "110104", "C", 0, ANYONE, US, "anyone")
        assert event.objects == ((samples.study_uid(2), STUDY, 1),)

    def test_a_store_that_is_refused(self, tmp_path: Path) -> None:
        event = one_of(
            happened(tmp_path, lambda one: self.post(one, samples.photograph(1, StudyID="x")))
        )
        check(event, "110104", "C", 8, ANYONE, US, "anyone")

    @staticmethod
    def post(one: Node, ds: object) -> None:
        data = samples.file_bytes(ds)  # type: ignore[arg-type]
        body = b"--edge\r\nContent-Type: application/dicom\r\n\r\n" + data + b"\r\n--edge--\r\n"
        kind = 'multipart/related; type="application/dicom"; boundary=edge'
        httpx.post(where(one, "/studies"), content=body, headers={"Content-Type": kind})

    def test_a_body_that_is_malformed(self, tmp_path: Path) -> None:
        event = one_of(
            happened(tmp_path, lambda one: httpx.post(where(one, "/studies"), content=b"x"))
        )
        check(event, "110104", "C", 4, ANYONE, US, "anyone")
        assert "415" in event.detail

    @pytest.mark.parametrize(
        ("path", "outcome"),
        [("/studies?PatientName=Okafor*", 0), ("/studies?StudyDate=x", 4), ("/series?limit=x", 4)],
    )
    def test_a_query(self, tmp_path: Path, path: str, outcome: int) -> None:
        event = one_of(happened(tmp_path, lambda one: httpx.get(where(one, path))))
        check(event, "110112", "E", outcome, ANYONE, US, "anyone")
        assert "Okafor" not in event.detail

    @pytest.mark.parametrize(
        "ending",
        [
            "",
            "/metadata",
            "/rendered",
            "/thumbnail",
            "/frames/1",
            "/pixeldata",
            "/bulkdata/7FE00010",
        ],
    )
    def test_a_retrieval(self, tmp_path: Path, ending: str) -> None:
        def deed(one: Node) -> None:
            assert httpx.get(where(one, INSTANCE + ending)).status_code == 200
            assert httpx.get(where(one, INSTANCE + "0" + ending)).status_code == 404

        done, refused = happened(tmp_path, deed)
        check(done, "110104", "R", 0, US, ANYONE, "anyone")
        assert done.objects == ((samples.study_uid(1), STUDY, 1),)
        check(refused, "110104", "R", 4, US, ANYONE, "anyone")
        assert "404" in refused.detail

    @pytest.mark.parametrize(
        ("settings", "status"),
        [({"networks": ("192.0.2.0/24",)}, 403), ({"credentials": "secrets"}, 401)],
    )
    def test_a_request_that_is_turned_away(
        self, tmp_path: Path, settings: dict[str, object], status: int
    ) -> None:
        (tmp_path / "secrets").write_text("token viewer opensesame1\n")
        if "credentials" in settings:
            settings = {"credentials": tmp_path / "secrets"}
        event = one_of(
            happened(tmp_path, lambda one: httpx.get(where(one, "/studies")), **settings)
        )
        check(event, "110113", "E", 4, ("", LOCAL), US, "")
        assert event.kind == "110126"
        assert str(status) in event.detail

    def test_who_asks_is_told_by_name(self, tmp_path: Path) -> None:
        secrets = tmp_path / "secrets"
        secrets.write_text("token viewer opensesame1\n")
        headers = {"Authorization": "Bearer opensesame1"}
        event = one_of(
            happened(
                tmp_path,
                lambda one: httpx.get(where(one, "/studies"), headers=headers),
                credentials=secrets,
            )
        )
        check(event, "110112", "E", 0, ("viewer", LOCAL), US, "viewer")


#: What the sample objects say of a patient and of whom they came from.
PLANTED = re.compile(r"Okafor|Nadia|P-0417|19880217|Ilinca|A-2291|Ødegård|P-9183|opensesame")


@pytest.fixture(scope="module")
def everything(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str, str]]:
    """The log, the figures and the trail of a node that was used, well and badly."""
    folder = tmp_path_factory.mktemp("everything")
    visits = folder / "visits.csv"
    visits.write_text(VISITS)
    settings = f'[node]\nworklist = "{visits}"\n[node.limits]\nnetwork_seconds = 2.0\n'
    good = samples.save(samples.photograph(1), folder / "good")
    other = samples.save(samples.photograph(1, PatientName="Ødegård^Liv"), folder / "other")
    # Names where a number, a UID or a date has to stand, so that reading them fails.
    bad = samples.photograph(2)
    data = bytearray(samples.file_bytes(bad))
    for old in (b"20260304", samples.study_uid(1).encode()):
        at = data.index(old)
        data[at : at + 8] = b"Okafor^N"
    body = b"--edge\r\nContent-Type: application/dicom\r\n\r\n" + bytes(data) + b"\r\n--edge--\r\n"
    kind = 'multipart/related; type="application/dicom"; boundary=edge'
    with Served(folder / "archive", settings) as served:
        store(served.port, good)
        run("storescu", "-xy", "-aec", TITLE, "127.0.0.1", served.port, other)
        for words in (
            ("-S", "-k", "QueryRetrieveLevel=STUDY", "-k", "PatientName=Okafor*"),
            ("-S", "-k", "QueryRetrieveLevel=STUDY", "-k", "StudyDate=Okafor"),
            ("-S", "-k", "QueryRetrieveLevel=PATIENT", "-k", "PatientID=P-0417"),
            ("-W", "-k", "PatientName=Okafor*"),
        ):
            run("findscu", "-aec", TITLE, *words, "127.0.0.1", served.port)
        run(
            "getscu",
            "-S",
            "-aec",
            TITLE,
            "-k",
            "QueryRetrieveLevel=STUDY",
            "127.0.0.1",
            served.port,
        )
        base = f"{served.web}/dicomweb"
        for path in (
            "/studies?PatientName=Okafor*&StudyDate=Okafor",
            "/studies?PatientName=Okafor^Nadia",
            "/studies?NoSuch=P-0417",
            "/studies/P-0417",
            "/studies/Okafor^Nadia/metadata",
            f"{INSTANCE}/rendered?window=Okafor",
            f"{INSTANCE}/metadata",
            "/Okafor",
        ):
            httpx.get(base + path, headers={"Authorization": "Bearer opensesame1"})
        httpx.post(f"{base}/studies", content=body, headers={"Content-Type": kind})
        raw = socket.create_connection(("127.0.0.1", int(served.web.rpartition(":")[2])))
        raw.sendall(b"GET /Okafor HTTP/1.1\r\nHost: Okafor^Nadia\r\nP-0417: x\r\n\r\n")
        raw.close()
        raw = socket.create_connection(("127.0.0.1", served.port))
        raw.sendall(b"Okafor^Nadia P-0417")
        raw.close()
        figures = httpx.get(f"{served.web}/metrics").text
        status, log = served.stop()
    assert status == 0
    yield log, figures, (folder / "archive" / "journal.jsonl").read_text()


def test_the_log_names_no_patient(everything: tuple[str, str, str]) -> None:
    log, _, _ = everything
    assert "association" in log
    assert not PLANTED.search(log), PLANTED.search(log)
    for line in log.splitlines():
        if line.startswith("{"):
            assert {"time", "event"} <= set(json.loads(line))
        else:
            assert line == "archiver: stopping"


def test_the_figures_name_no_patient(everything: tuple[str, str, str]) -> None:
    _, figures, _ = everything
    assert 'archiver_received_instances_total{way="dimse"} 1.0' in figures
    assert not PLANTED.search(figures)


def test_the_trail_names_no_patient(everything: tuple[str, str, str]) -> None:
    *_, journal = everything
    assert journal.count('"audit"') > 10
    assert not PLANTED.search(journal), PLANTED.search(journal)


def test_what_was_begun_is_finished_after_sigterm(tmp_path: Path) -> None:
    """An object on its way when the node is stopped is answered, kept and in the trail."""
    from tests.network.node_raw import Raw, associate_rq, data_pdu, store_command

    whole = samples.dataset_bytes_of(samples.photograph(1))
    with Served(tmp_path / "archive") as served, Raw(served.port) as peer:
        peer.sendall(associate_rq())
        assert peer.pdu()[0] == 2
        peer.sendall(data_pdu(3, store_command(samples.instance_uid(1))) + data_pdu(0, whole[:500]))
        served.process.terminate()
        # No newcomer is taken; the one that was there may end its object.
        assert served.process.stderr is not None
        while "stopping" not in served.process.stderr.readline():
            pass
        peer.sendall(data_pdu(2, whole[500:]))
        assert peer.pdu()[0] == 4
        _, log = served.process.communicate(timeout=30)
        assert served.process.returncode == 0, log
    event = next(e for e in trail(tmp_path / "archive" / "journal.jsonl") if e.event == "110104")
    assert event.objects == ((samples.study_uid(1), STUDY, 1),)


def test_limits_are_read_from_the_settings() -> None:
    from archiver.network.node.settings import settings_of

    table = {"limits": {"associations": 3, "object_megabytes": 1, "network_seconds": 2}}
    assert settings_of(table, Path()).limits == NodeLimits(
        associations=3, object_megabytes=1, network_seconds=2.0
    )


@pytest.mark.parametrize(
    ("table", "event_of"),
    [
        ("dimse_port = 99999", "[node]: dimse_port = 99999; expected 0 to 65535"),
        ("dimse_port = -2", "[node]: dimse_port = -2; expected 0 to 65535"),
        ("web_port = -2", "[node]: web_port = -2; expected 0 to 65535, 0 for any free one; -1 for"),
        (
            "[node.limits]\nassociations = 0",
            "[node.limits]: associations = 0; expected more than 0",
        ),
        ("[node.limits]\nnetwork_seconds = -1.5", "network_seconds = -1.5; expected more than 0"),
        ("[node.limits]\npdu_bytes = 5", "pdu_bytes = 5; expected 4096 or more"),
        ("[node.limits]\nconnections = true", "connections = True; expected a whole number"),
        ('callers = "CAMERA"', "callers = 'CAMERA'; expected a list of texts"),
        ("worklist = 3", "worklist = 3; expected the path of a file"),
    ],
)
def test_what_no_node_can_do_is_told_before_it_listens(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, table: str, event_of: str
) -> None:
    (tmp_path / "archiver.toml").write_text(f"[node]\n{table}\n")
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(tmp_path / "archiver.toml"))
    said = in_process.archiver("serve", "--archive", tmp_path / "archive")
    assert said.returncode == 2 and said.stdout == ""
    assert event_of in said.stderr and len(said.stderr.splitlines()) == 1, said.stderr


def test_a_port_that_is_taken_is_named(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        words = (
            "serve",
            "--archive",
            new_archive(tmp_path / "archive"),
            "--dimse-port",
            port,
            "--web-port",
            "-1",
        )
        said = archiver(*words)
    assert said.returncode == 1
    assert f"127.0.0.1, port {port}: the node cannot listen: address already in use" in said.stderr


def test_who_would_serve_it_a_second_time_is_told_who_does(tmp_path: Path) -> None:
    with Served(tmp_path / "archive") as served:
        said = archiver("serve", "--archive", tmp_path / "archive", "--dimse-port", "0")
        process = served.process.pid
    assert said.returncode == 1
    assert f"(process {process}, archiver serve)" in said.stderr
    assert f"the verbs of the command line reach it by {tmp_path}/archive/control" in said.stderr


@pytest.mark.parametrize(
    ("table", "open_"),
    [
        ('host = "0.0.0.0"', True),
        ('host = "0.0.0.0"\ncallers = ["CAMERA1"]', False),
        ('host = "0.0.0.0"\nnetworks = ["192.0.2.0/24"]', False),
        ("", True),
    ],
)
def test_a_node_that_lets_everybody_in_says_so(tmp_path: Path, table: str, open_: bool) -> None:
    settings = f"[node]\n{table}\n"
    with Served(tmp_path / "archive", settings, "--web-port", "-1") as served:
        assert (served.where["dimse_callers"] == "anybody") is open_
