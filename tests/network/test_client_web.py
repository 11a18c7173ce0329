"""Our DICOMweb client against our node in a process of its own, plain, by TLS, with credentials."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.dentition.numbering import parse_tooth
from archiver.errors import NetworkError
from archiver.network.client.dicomweb import connection, store
from archiver.network.client.header_cache import HeaderCache
from archiver.network.client.remote_query import ask
from archiver.network.outgoing_object import OutgoingObject, Sent, read_parcel
from archiver.network.peers import Secret, TimeLimits, Tls, WebPeer
from tests.cli.sessions import archiver
from tests.network import client_objects as objects
from tests.network import client_peers as peers
from tests.network import node_samples as samples
from tests.network.node_serving import Served
from tests.new_archive import new_archive

QUICK = TimeLimits(connect=5.0, answer=10.0)
SECRETS = "# for the tests\ntoken region correct-horse-battery\nuser Jörg staple-Straße-5\n"


@pytest.fixture(scope="module")
def archive() -> Path:
    """Three photographs as five instances, baseline and lossless JPEG."""
    return objects.shared_photographs()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with Served(tmp_path_factory.mktemp("web") / "archive") as one:
        yield one


@pytest.fixture(scope="module")
def clinic(archive: Path) -> Iterator[Served]:
    """Serves the three photographs."""
    with Served(archive) as one:
        yield one


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> peers.Certificates:
    return peers.certificates(tmp_path_factory.mktemp("tls"))


@pytest.fixture(scope="module")
def secured(
    tmp_path_factory: pytest.TempPathFactory, files: peers.Certificates
) -> Iterator[Served]:
    """By TLS that asks for a certificate, with a token and a user."""
    folder = tmp_path_factory.mktemp("secured")
    (folder / "users.txt").write_text(SECRETS)
    settings = (
        f'[node]\ncertificate = "{files.server}"\nkey = "{files.server_key}"\n'
        f'client_authorities = "{files.authority}"\ncredentials = "users.txt"\n'
    )
    with Served(folder / "archive", settings) as one:
        yield one


@pytest.fixture
def token(tmp_path: Path) -> Secret:
    (tmp_path / "token").write_text("correct-horse-battery\n")
    return Secret(file=tmp_path / "token")


def web_peer(served: Served, **named: Any) -> WebPeer:
    return WebPeer(**{"name": "region", "url": served.where["dicomweb"], "limits": QUICK, **named})


def parcels(archive: Path) -> list[OutgoingObject]:
    return [read_parcel(Path(r.path)) for r in objects.records(archive)]


def _all_sent(peer: WebPeer, some: list[OutgoingObject]) -> None:
    results = dict(store.send(peer, some))
    assert set(results) == set(some)
    for result in results.values():
        assert isinstance(result, Sent), result
        assert result.status.code == 0 and not result.recoded


def _fetched(peer: WebPeer, archive: Path, folder: Path) -> None:
    """Fetch everything, and compare."""
    folder.mkdir()
    with connection.open_web_link(peer) as link:
        for record in objects.records(archive):
            uid = record.sop_instance_uid
            connection.fetch(link, record.study_uid, record.series_uid, uid, folder / uid)
            assert (folder / uid).read_bytes() == Path(record.path).read_bytes()
    assert len(list(folder.iterdir())) == len(objects.records(archive))


@pytest.mark.parametrize("connections", [1, 3])
def test_objects_are_stored_and_come_back_byte_for_byte(
    served: Served, archive: Path, tmp_path: Path, connections: int
) -> None:
    peer = web_peer(served, connections=connections)
    connection.echo(peer)
    _all_sent(peer, parcels(archive))
    _fetched(peer, archive, tmp_path / "back")


def test_by_tls_the_peer_and_we_show_who_we_are(
    secured: Served, files: peers.Certificates, archive: Path, tmp_path: Path, token: Secret
) -> None:
    assert secured.where["dicomweb"].startswith("https://127.0.0.1")
    peer = web_peer(secured, tls=files.tls, token=token)
    connection.echo(peer)
    _all_sent(peer, parcels(archive))
    _fetched(peer, archive, tmp_path / "back")


def test_a_user_with_letters_of_any_language_is_let_in(
    secured: Served, files: peers.Certificates, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("REGION_PASSWORD", "staple-Straße-5")
    known = Secret("REGION_PASSWORD")
    connection.echo(web_peer(secured, tls=files.tls, user="Jörg", password=known))


@pytest.mark.parametrize("way", ["none", "token", "user"])
def test_wrong_credentials_are_told_and_cost_no_object(
    secured: Served,
    files: peers.Certificates,
    archive: Path,
    monkeypatch: pytest.MonkeyPatch,
    way: str,
) -> None:
    monkeypatch.setenv("WRONG", "s3cret-and-wrong")
    given = {
        "none": {},
        "token": {"token": Secret("WRONG")},
        "user": {"user": "Jörg", "password": Secret("WRONG")},
    }
    peer = web_peer(secured, tls=files.tls, **given[way])
    with pytest.raises(NetworkError, match="does not accept our credentials") as told:
        connection.echo(peer)
    assert "s3cret" not in str(told.value)
    for _, result in store.send(peer, parcels(archive)):
        # It can be mended, so it is tried again.
        assert type(result) is NetworkError


def test_a_certificate_of_a_strange_authority_is_refused(
    secured: Served, files: peers.Certificates, tmp_path: Path, token: Secret
) -> None:
    strange = peers.certificates(tmp_path)
    peer = web_peer(secured, token=token, tls=replace(files.tls, authorities=strange.authority))
    with pytest.raises(NetworkError, match="certificate is not accepted"):
        connection.echo(peer)
    with pytest.raises(NetworkError, match="certificate is not accepted"):
        connection.echo(web_peer(secured, token=token, tls=Tls()))


def test_a_certificate_of_another_name_is_refused_unless_it_is_the_one_expected(
    secured: Served, files: peers.Certificates, token: Secret
) -> None:
    wrong = replace(files.tls, host="imaging.example")
    with pytest.raises(NetworkError, match="certificate is not accepted"):
        connection.echo(web_peer(secured, token=token, tls=wrong))
    right = replace(files.tls, host="localhost")
    connection.echo(web_peer(secured, token=token, tls=right))


def test_without_our_certificate_the_peer_refuses(
    secured: Served, files: peers.Certificates, token: Secret
) -> None:
    with pytest.raises(NetworkError):
        connection.echo(web_peer(secured, token=token, tls=Tls(files.authority)))


@pytest.mark.parametrize(
    "query",
    [
        Query(patient_id="P-0417", teeth=(parse_tooth("iso:16"),), view="occlusal"),
        Query(patient_id="P-0417", mirror="corrected"),
        Query(name="Okafor*", modality="XC", until="2026-03-04"),
        Query(patient_id="NOBODY", teeth=(parse_tooth("iso:16"),)),
    ],
)
def test_a_node_answers_as_the_archive_itself(
    clinic: Served, archive: Path, tmp_path: Path, query: Query
) -> None:
    with HeaderCache(tmp_path / "cache") as cache:
        found = ask(web_peer(clinic), query, cache)
        with Archive.open(archive, create=False, read_only=True) as opened:
            ours = opened.query(query)
    assert {r.sop_instance_uid for r in found.records} == {r.sop_instance_uid for r in ours}
    assert len(found.records) == len(ours)
    assert not found.by_headers


def test_headers_are_fetched_for_what_the_answers_do_not_tell(
    served: Served, tmp_path: Path
) -> None:
    """A photograph without view or tooth: the answer is silent, so its metadata are read."""
    path = samples.save(samples.photograph(90, study=9, series=9, PatientID="P-90"), tmp_path)
    _all_sent(web_peer(served), [read_parcel(path)])
    query = Query(patient_id="P-90", teeth=(parse_tooth("iso:16"),))
    with HeaderCache(tmp_path / "cache") as cache:
        first = ask(web_peer(served), query, cache)
        second = ask(web_peer(served), query, cache)
    assert (first.by_headers, first.from_cache, first.records) == (1, 0, ())
    assert (second.by_headers, second.from_cache) == (0, 1)


def test_the_command_line_speaks_dicomweb_at_the_address_that_serve_prints(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = tmp_path / "archiver.toml"
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("REGION_TOKEN", "correct-horse-battery")
    (tmp_path / "users.txt").write_text(SECRETS)
    own = objects.photographs(tmp_path, "P-0555")
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
    theirs = tmp_path / "theirs"
    shutil.copytree(archive, theirs, ignore=lambda *_: ["lock", "control"])
    with Served(theirs, f'[node]\ncredentials = "{tmp_path / "users.txt"}"\n') as served:
        settings.write_text(
            f'[[peer]]\nname = "region"\nurl = "{served.where["dicomweb"]}"\n'
            'token_env = "REGION_TOKEN"\n'
            f'[[peer]]\nname = "without"\nurl = "{served.web}"\ntoken_env = "REGION_TOKEN"\n'
        )
        echoed = archiver("echo", "region")
        assert echoed.returncode == 0 and "answers" in echoed.stdout and not echoed.stderr
        words = ("--at", "region", "--patient-id", "P-0417", "--tooth", "iso:16")
        asked = archiver("query", *words, "--json")
        assert asked.returncode == 0, asked.stderr
        assert len(json.loads(asked.stdout)) == 2
        fetched = archiver("retrieve", *words, "--to", tmp_path / "got", "--json")
        assert fetched.returncode == 0, fetched.stderr
        assert len(list((tmp_path / "got").iterdir())) == 2
        one = archiver(
            "compare", *words, "--view", "occlusal", "--json", "--out", tmp_path / "one.png"
        )
        assert "no earlier photograph" in one.stderr
        sent = archiver("send", "--to", "region", "--everything", "--archive", own, "--json")
        assert sent.returncode == 0, sent.stderr
        assert json.loads(sent.stdout)["counts"]["committed"] == 4
        # The address without /dicomweb is the likeliest mistake, and the answer says so.
        wrong = archiver("echo", "without")
        assert wrong.returncode == 1 and "base of the DICOMweb services" in wrong.stderr


def test_compare_fetches_priors_by_dicomweb(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two visits of one tooth, asked for from another machine's point of view."""
    from tests.cli.sessions import camera_jpeg, write_sheet

    for number, day in enumerate(("2024-02-01", "2026-03-04")):
        card = tmp_path / f"card{number}"
        card.mkdir()
        camera_jpeg(card / "A.JPG", 40 + number)
        sheet = write_sheet(
            card, ['file = "A.JPG"\nteeth = [16]\nview = "occlusal"\nmirror = true'], "P-0900"
        )
        text = (card / "sheet.toml").read_text()
        (card / "sheet.toml").write_text(text.replace("2026-03-04", day))
        made = archiver("wrap", sheet, "--archive", new_archive(tmp_path / "archive"))
        assert made.returncode == 0, made.stderr
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    with Served(tmp_path / "archive") as served:
        settings = tmp_path / "asking.toml"
        settings.write_text(f'[[peer]]\nname = "region"\nurl = "{served.where["dicomweb"]}"\n')
        monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
        words = ("--patient-id", "P-0900", "--tooth", "iso:16", "--view", "occlusal")
        made = archiver("compare", "--at", "region", *words, "--out", tmp_path / "both.png")
    assert made.returncode == 0, made.stderr
    assert (tmp_path / "both.png").stat().st_size > 1000
