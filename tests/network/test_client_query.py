"""Asking and fetching: DCMTK's dcmqrscp as the imaging archive, at every level, in both roots."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from pydicom import Dataset
from pynetdicom import AE, evt

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.dentition.numbering import parse_tooth
from archiver.errors import NetworkError, UsageError
from archiver.network.client.dimse import find as dimse
from archiver.network.client.dimse.retrieve import RetrieveScope, retrieve
from archiver.network.client.dimse.store import send
from archiver.network.client.header_cache import HeaderCache
from archiver.network.client.remote_patients import patients_at
from archiver.network.client.remote_query import ask
from archiver.network.outgoing_object import Sent, read_parcel
from archiver.network.peers import DimsePeer, TimeLimits
from archiver.network.query_level import Level
from tests.cli.sessions import archiver
from tests.network import client_objects as objects
from tests.network import client_peers as peers
from tests.new_archive import new_archive


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two patients' photographs."""
    folder = tmp_path_factory.mktemp("photographs")
    objects.photographs(folder, "P-0417")
    return objects.photographs(folder, "P-0555", png=False)


@pytest.fixture(scope="module")
def clinic(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[DimsePeer]:
    """An imaging archive that has them all, stored by us."""
    back = peers.free_port()
    with peers.dcmqrscp(tmp_path_factory.mktemp("clinic") / "qr", move_to=back) as port:
        peer = peers.peer_at(port, listen_port=back, listen_host="127.0.0.1")
        parcels = [read_parcel(Path(r.path)) for r in objects.records(archive)]
        for _, result in send(peer, parcels):
            assert isinstance(result, Sent) and result.status.code == 0, result
        yield peer


@pytest.fixture
def cache(tmp_path: Path) -> Iterator[HeaderCache]:
    with HeaderCache(tmp_path / "cache") as opened:
        yield opened


def _values(matches: list[Dataset] | tuple[Dataset, ...], keyword: str) -> set[str]:
    return {str(match.get(keyword)) for match in matches}


@pytest.mark.parametrize("root", ["study", "patient"])
def test_every_level_is_asked_in_both_roots(clinic: DimsePeer, archive: Path, root: str) -> None:
    mine = [r for r in objects.records(archive) if r.patient_id == "P-0417"]
    with dimse.asking(replace(clinic, root=root)) as link:
        keys: dict[str, object] = {"PatientID": "P-0417", "PatientName": ""}
        if root == "patient":
            patients = list(dimse.find(link, dimse.question(Level.PATIENT, keys)).matches)
            assert _values(patients, "PatientName") == {"Okafor^Nadia"}
            studies = dimse.below(
                link, Level.STUDY, patients, {"StudyInstanceUID": "", "StudyDate": ""}
            )
        else:
            question = dimse.question(
                Level.STUDY, {**keys, "StudyInstanceUID": "", "StudyDate": ""}
            )
            studies = list(dimse.find(link, question).matches)
        series = dimse.below(link, Level.SERIES, studies, {"SeriesInstanceUID": "", "Modality": ""})
        images = dimse.below(link, Level.IMAGE, series, {"SOPInstanceUID": ""})
    assert _values(studies, "StudyInstanceUID") == {r.study_uid for r in mine}
    assert _values(studies, "StudyDate") == {"20260304"}
    assert _values(series, "SeriesInstanceUID") == {r.series_uid for r in mine}
    assert _values(series, "Modality") == {"XC"}
    assert _values(images, "SOPInstanceUID") == {r.sop_instance_uid for r in mine}


def test_wildcards_dates_and_lists_of_uids_match(clinic: DimsePeer, archive: Path) -> None:
    with dimse.asking(clinic) as link:

        def studies(**keys: object) -> set[str]:
            question = dimse.question(
                Level.STUDY, {"PatientID": "", "StudyInstanceUID": "", **keys}
            )
            return _values(dimse.find(link, question).matches, "PatientID")

        assert studies(PatientName="Okaf*") == {"P-0417", "P-0555"}
        assert studies(StudyDate="20260301-20260331") == {"P-0417", "P-0555"}
        assert studies(StudyDate="20270101-") == set()
        both = sorted({r.study_uid for r in objects.records(archive)})
        assert studies(StudyInstanceUID=both) == {"P-0417", "P-0555"}


@pytest.mark.parametrize("root", ["study", "patient"])
@pytest.mark.parametrize("way", ["get", "move"])
@pytest.mark.parametrize("level", ["study", "series", "instances"])
def test_objects_come_back_byte_for_byte(
    clinic: DimsePeer, archive: Path, tmp_path: Path, root: str, way: str, level: str
) -> None:
    mine = [r for r in objects.records(archive) if r.patient_id == "P-0555"]
    one = mine[0]
    wanted = RetrieveScope(one.study_uid, patient_id=one.patient_id)
    expected = {r.sop_instance_uid: r for r in mine}
    if level != "study":
        wanted = replace(wanted, series=one.series_uid)
        expected = {u: r for u, r in expected.items() if r.series_uid == one.series_uid}
    if level == "instances":
        wanted = replace(wanted, instances=tuple(expected)[:2])
        expected = {u: r for u, r in expected.items() if u in wanted.instances}
    came = retrieve(replace(clinic, root=root, retrieve=way), [wanted], tmp_path)
    assert came.status.code == 0 and not came.problems and not came.failed
    assert set(came.files) == set(expected)
    for uid, path in came.files.items():
        assert objects.data_set(path) == objects.data_set(Path(expected[uid].path))


def test_an_archive_behind_tls_stores_answers_and_gives_alike(
    archive: Path, tmp_path: Path, cache: HeaderCache
) -> None:
    """Debian's dcmqrscp knows no TLS; tunnels stand before it and before us, both verifying."""
    files = peers.certificates(tmp_path)
    back, ours = peers.free_port(), peers.free_port()
    # The others it takes decoded only.
    kept = {
        r.sop_instance_uid: r
        for r in objects.records(archive)
        if read_parcel(Path(r.path)).transfer_syntax == peers.BASELINE
    }
    with (
        peers.dcmqrscp(tmp_path / "qr", move_to=back) as plain,
        peers.tunnel(plain, files) as port,
        peers.tunnel_out(back, ours, files),
    ):
        peer = peers.peer_at(port, tls=files.tls, listen_port=ours, listen_host="127.0.0.1")
        for _, result in send(peer, [read_parcel(Path(r.path)) for r in kept.values()]):
            assert isinstance(result, Sent) and result.status.code == 0, result
        assert len(ask(peer, QUESTIONS[0], cache).records) == 2
        studies = [RetrieveScope(uid) for uid in {r.study_uid for r in kept.values()}]
        for way in ("get", "move"):
            (tmp_path / way).mkdir()
            came = retrieve(replace(peer, retrieve=way), studies, tmp_path / way)
            assert came.status.code == 0 and set(came.files) == set(kept)
            for uid, path in came.files.items():
                assert objects.data_set(path) == objects.data_set(Path(kept[uid].path))
        strange = tmp_path / "strange"
        strange.mkdir()
        unknown = peers.certificates(strange)
        with pytest.raises(NetworkError):
            ask(
                replace(peer, tls=replace(files.tls, authorities=unknown.authority)),
                QUESTIONS[0],
                cache,
            )


def test_who_connects_to_us_by_tls_and_is_silent_holds_nobody_up(tmp_path: Path) -> None:
    import socket

    from pynetdicom.presentation import build_context

    from archiver.network.client.dimse.receiver import listening

    files = peers.certificates(tmp_path)
    ours, back = peers.free_port(), peers.free_port()
    limits = TimeLimits(connect=0.3)
    peer = peers.peer_at(1, tls=files.tls, listen_port=ours, listen_host="127.0.0.1", limits=limits)
    contexts = [build_context(peers.VERIFICATION)]
    with (
        listening(peer, contexts, [(evt.EVT_C_ECHO, lambda _event: 0)]),
        peers.tunnel_out(back, ours, files),
        socket.create_connection(("127.0.0.1", ours)) as silent,
    ):
        association = AE("CLINIC").associate(
            "127.0.0.1", back, contexts=contexts, ae_title="ARCHIVER"
        )
        assert association.is_established and association.send_c_echo().Status == 0
        association.release()
        assert silent.recv(1) == b""


def test_a_destination_that_the_peer_does_not_know_is_told_in_words(
    clinic: DimsePeer, archive: Path, tmp_path: Path
) -> None:
    study = objects.records(archive)[0].study_uid
    peer = replace(clinic, retrieve="move", calling="STRANGER")
    came = retrieve(peer, [RetrieveScope(study)], tmp_path)
    assert not came.files
    assert "does not know the destination" in str(came.status)


def test_a_peer_without_c_get_is_told_with_what_to_set(tmp_path: Path) -> None:
    with (
        peers.dcmqrscp(tmp_path / "qr", options=("--disable-get",)) as port,
        pytest.raises(NetworkError, match=r'no C-GET.*retrieve = "move"'),
    ):
        retrieve(peers.peer_at(port), [RetrieveScope("1.2.3")], tmp_path)


def test_move_without_a_port_to_listen_on_is_wrong_use(clinic: DimsePeer, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="listen_port"):
        retrieve(replace(clinic, retrieve="move", listen_port=0), [RetrieveScope("1.2")], tmp_path)


def test_more_answers_than_wanted_are_cancelled(clinic: DimsePeer) -> None:
    with dimse.asking(clinic) as link:
        answers = dimse.find(link, dimse.question(Level.STUDY, {"StudyInstanceUID": ""}), most=1)
        assert len(answers.matches) == 1 and answers.cut
        again = dimse.find(link, dimse.question(Level.STUDY, {"StudyInstanceUID": ""}))
        assert len(again.matches) == 2


QUESTIONS = [
    Query(patient_id="P-0417", teeth=(parse_tooth("iso:16"),), view="occlusal"),
    Query(patient_id="P-0417", teeth=(parse_tooth("iso:25"),)),
    Query(patient_id="P-0417", mirror="corrected"),
    Query(patient_id="P-0417", role="original", confirmed=False),
    Query(since="2026-01-01", surface="vestibular"),
    Query(patient_id="P-0417", teeth=(parse_tooth("iso:48"),)),
    Query(patient_id="P-0417"),
    Query(name="Okafor*", modality="XC", until="2026-03-04"),
    Query(patient_id="NOBODY", teeth=(parse_tooth("iso:16"),)),
]


@pytest.mark.parametrize("query", QUESTIONS)
def test_a_peer_that_knows_no_teeth_answers_as_our_own_archive_does(
    clinic: DimsePeer, archive: Path, cache: HeaderCache, query: Query
) -> None:
    with Archive.open(archive, create=False, read_only=True) as opened:
        ours = opened.query(query)
    found = ask(clinic, query, cache)
    assert {r.sop_instance_uid for r in found.records} == {r.sop_instance_uid for r in ours}
    by_uid = {r.sop_instance_uid: r for r in found.records}
    if query.teeth or query.view:
        for one in ours:
            theirs = by_uid[one.sop_instance_uid]
            assert (theirs.teeth, theirs.view, theirs.mirror, theirs.tooth_found) == (
                (one.teeth, one.view, one.mirror, one.tooth_found)
            )


def test_what_a_peer_does_not_say_of_a_photograph_is_not_made_up(
    clinic: DimsePeer, cache: HeaderCache
) -> None:
    found = ask(clinic, Query(patient_id="P-0417", modality="XC"), cache)
    assert found.untold == len(found.records) == found.by_answers > 0
    assert {(r.teeth, r.view, r.mirror, r.confirmed) for r in found.records} == {
        ((), None, None, None)
    }
    assert f"of {found.untold} the peer does not say what they show" in str(found.way)
    asked = ask(clinic, Query(patient_id="P-0417", mirror="corrected"), cache)
    assert asked.untold == 0 and {r.mirror for r in asked.records} == {"corrected"}
    assert all(r.confirmed is not None for r in asked.records)


def test_headers_are_fetched_once_and_it_is_said_which_way_was_taken(
    clinic: DimsePeer, cache: HeaderCache
) -> None:
    query = QUESTIONS[0]
    first = ask(clinic, query, cache)
    assert first.by_headers > 0 and not first.from_cache
    assert "by headers fetched now" in str(first.way)
    second = ask(clinic, query, cache)
    assert second.from_cache == first.by_headers and not second.by_headers
    assert "by headers fetched before" in str(second.way)
    assert second.records == first.records


def test_the_cache_is_bounded_and_lets_go_what_was_not_used(tmp_path: Path) -> None:
    def header(number: int) -> Dataset:
        made = Dataset()
        made.SOPInstanceUID = f"1.2.{number}"
        made.ImageComments = "x" * 1000
        return made

    with HeaderCache(tmp_path, most_bytes=100_000) as cache:
        cache.put([header(n) for n in range(80)])
        cache.get(["1.2.0"])
        for n in range(80, 300):
            cache.put([header(n)])
            cache.get(["1.2.0"])
        assert cache.size() <= 100_000
        held = cache.get([f"1.2.{n}" for n in range(300)])
    assert "1.2.0" in held and "1.2.299" in held and "1.2.1" not in held
    assert (tmp_path / "headers.sqlite").stat().st_mode & 0o077 == 0


def test_a_damaged_cache_is_read_past(tmp_path: Path, clinic: DimsePeer) -> None:
    import sqlite3

    with HeaderCache(tmp_path) as cache:
        before = ask(clinic, QUESTIONS[0], cache)
    with sqlite3.connect(tmp_path / "headers.sqlite") as database:
        database.execute("UPDATE headers SET header = x'0102030405'")
    database.close()
    with HeaderCache(tmp_path) as cache:
        assert ask(clinic, QUESTIONS[0], cache).records == before.records


def test_nobody_asks_a_peer_for_everything(clinic: DimsePeer, cache: HeaderCache) -> None:
    with pytest.raises(UsageError, match="everything"):
        ask(clinic, Query(teeth=(parse_tooth("iso:16"),)), cache)


def test_a_failed_question_is_told_in_words() -> None:
    def refuse(_event: object) -> Iterator[tuple[int, None]]:
        yield 0xA700, None

    entity = AE("CLINIC")
    entity.add_supported_context("1.2.840.10008.5.1.4.1.2.2.1")
    server = entity.start_server(
        ("127.0.0.1", 0), block=False, evt_handlers=[(evt.EVT_C_FIND, refuse)]
    )
    assert server is not None
    try:
        with (
            pytest.raises(NetworkError, match="out of resources"),
            dimse.asking(peers.peer_at(server.server_address[1])) as link,
        ):
            dimse.find(link, dimse.question(Level.STUDY, {"StudyInstanceUID": ""}))
    finally:
        server.shutdown()


def test_the_command_line_asks_and_fetches(
    clinic: DimsePeer, archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = tmp_path / "archiver.toml"
    settings.write_text(
        f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = {clinic.port}\ntitle = "CLINIC"\n'
    )
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    words = ("--at", "clinic", "--patient-id", "P-0417", "--tooth", "iso:16", "--view", "occlusal")
    asked = archiver("query", *words, "--json")
    assert asked.returncode == 0, asked.stderr
    ours = archiver("query", "--archive", archive, *words[2:], "--json")
    uids = [row["sop_instance_uid"] for row in json.loads(asked.stdout)]
    assert uids == [row["sop_instance_uid"] for row in json.loads(ours.stdout)]
    assert len(uids) == 2
    assert "headers fetched now" in asked.stderr
    assert {row["known_by"] for row in json.loads(asked.stdout)} == {"header"}
    assert not any("known_by" in row for row in json.loads(ours.stdout))
    all_of_it = archiver("query", *words[:4], "--modality", "XC", "--json")
    assert {row["known_by"] for row in json.loads(all_of_it.stdout)} == {"not told"}
    fetched = archiver("retrieve", *words, "--archive", new_archive(tmp_path / "second"), "--json")
    assert fetched.returncode == 0, fetched.stderr
    assert sorted(json.loads(fetched.stdout)["fetched"]) == sorted(uids)
    with Archive.open(tmp_path / "second", create=False, read_only=True) as second:
        assert {r.sop_instance_uid for r in second.query(Query())} == set(uids)
        for record in second.query(Query()):
            kept = next(r for r in objects.records(archive) if r.sop_instance_uid in record.path)
            assert objects.data_set(Path(record.path)) == objects.data_set(Path(kept.path))
    # A wrong one that was fetched from there is put right there too.
    wrong = next(uid for uid in uids if uid != uids[0])
    amended = archiver("amend", wrong, "--tooth", "iso:17", "--archive", tmp_path / "second")
    assert "3 objects put into the outbox for clinic" in amended.stdout, amended.stderr
    sent = archiver("send", "--to", "clinic", "--archive", tmp_path / "second")
    assert "3 sent" in sent.stdout, sent.stdout + sent.stderr
    hidden = archiver("query", *words, "--json")
    assert json.loads(hidden.stdout) == [] and "2 hidden" in hidden.stderr
    with Archive.open(tmp_path / "second"):
        locked = archiver("retrieve", *words, "--archive", tmp_path / "second")
    assert locked.returncode == 1 and "another process is writing" in locked.stderr
    echoed = archiver("echo", "clinic")
    assert echoed.returncode == 0 and "answers" in echoed.stdout
    unknown = archiver("echo", "nowhere")
    assert unknown.returncode == 2 and "one of: clinic" in unknown.stderr


@pytest.mark.parametrize("root", ["study", "patient"])
def test_a_peer_says_who_bears_a_name_or_an_identifier(clinic: DimsePeer, root: str) -> None:
    peer = replace(clinic, root=root)
    named = patients_at(peer, ["Okafor Nadia"], [])
    assert {(one.id, one.name) for one in named} >= {("P-0417", "Okafor^Nadia")}
    assert len(set(named)) == len(named)
    assert [one.id for one in patients_at(peer, [], ["P-0555"])] == ["P-0555"]
    assert patients_at(peer, ["Nobody Known"], ["P-9999"]) == []
