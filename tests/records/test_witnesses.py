"""An insider who may write everything in the archive is found by what witnesses have.

Each test does what somebody can do who has the archive's folder and this program: make the chain
anew from a line on, put a re-encoded twin in an object's place with journal and index to match, set
the clock back, take signed heads away. The key lies outside, and the witness's folder, too.
"""

from __future__ import annotations

import hashlib
import http.server
import json
import subprocess
import threading
from collections.abc import Callable, Iterator
from dataclasses import asdict
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from archive_samples import NOON, as_bytes, dataset

from archiver.archive import rebuild
from archiver.archive.store import Archive, Incoming, Layout, read_lines
from archiver.archive.store.journal_lines import ROOT_HASH, JournalEntry, canonical, own_hash
from archiver.archive.witness import (
    IntervalSigning,
    Signer,
    Witnesses,
    new_key,
    read_heads,
    sign_head,
    stamp_of,
)
from archiver.errors import ArchiverError
from archiver.objects.dataset_reader import open_dataset
from archiver.objects.description import describe
from archiver.records import Vouching, check_witnesses
from archiver.records.archive_survey import survey_archive
from archiver.records.audit_memory import Memory
from archiver.records.checks.witness_checks import WitnessReport, check_clock
from archiver.records.examination import Depth
from archiver.standard import Severity, validate_file
from archiver.workflow import head_object
from tests.cli.in_process import archiver
from tests.network.client_peers import storescp


class Practice:
    """An archive, the key that signs its head, and a witness."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "archive"
        self.witness = folder / "witness"
        self.key = folder / "key.pem"
        self.signer = new_key(self.key)
        self.now = NOON
        with Archive.create(self.root, clock=self._clock, actor="test"):
            pass

    def _clock(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now

    def keep(self, *numbers: int) -> None:
        with Archive.open(self.root, clock=self._clock, actor="assistant") as archive:
            for number in numbers:
                ds = dataset(number)
                archive.put([Incoming(describe(ds), [as_bytes(ds)])])

    def sign(self, stamp: str = "") -> int:
        with Archive.open(self.root, clock=self._clock, actor="it") as archive:
            signer = Signer.of(self.key, outside=self.root)
            asked = Witnesses((self.witness,), stamp)
            head, trouble = sign_head(archive, signer, asked, self.now)
        assert trouble is None
        return head.line

    def compared(self, authorities: Path | None = None) -> WitnessReport:
        vouching = Vouching((self.witness,), self.signer.public, authorities)
        return check_witnesses(Layout(self.root), vouching)

    def kinds(self) -> set[str]:
        return {one.kind for one in self.compared().concerns}

    def others(self) -> set[str]:
        """What an audit finds of the archive alone, in full."""
        survey = survey_archive(
            Layout(self.root), Depth.OBJECTS, Memory(None, str(self.root)), self.now, full=True
        )
        return {one.kind for one in survey.concerns}

    def rewrite(self, change: Callable[[JournalEntry], dict[str, object]]) -> None:
        """Make the whole chain anew, each line as `change` has it, and the index with it."""
        path = self.root / "journal.jsonl"
        previous, lines = ROOT_HASH, []
        for line in list(read_lines(path)):
            assert line.entry is not None
            fields = {**asdict(line.entry), **change(line.entry), "previous": previous}
            if fields.pop("gone", False):
                continue
            fields["seq"] = len(lines) + 1
            fields["hash"] = previous = own_hash(fields)
            lines.append(canonical(fields) + b"\n")
        path.write_bytes(b"".join(lines))
        rebuild(self.root, clock=self._clock, actor="insider")


@pytest.fixture
def practice(tmp_path: Path) -> Practice:
    made = Practice(tmp_path)
    made.keep(1, 2)
    made.line = made.sign()  # type: ignore[attr-defined]
    made.keep(3)
    return made


def test_an_archive_as_it_was_signed_is_vouched_for_up_to_that_line(practice: Practice) -> None:
    report = practice.compared()
    assert report.concerns == []
    (vouched,) = report.vouched
    assert vouched.line == practice.line  # type: ignore[attr-defined]
    assert (vouched.signer, vouched.witness) == (practice.signer.name, "witness")
    last = practice.sign()
    assert [one.line for one in practice.compared().vouched] == [last]


def test_a_chain_made_anew_is_found_though_all_in_the_archive_agrees(practice: Practice) -> None:
    practice.rewrite(lambda entry: {"who": "somebody else"} if entry.action == "stored" else {})
    assert practice.others() == set()
    assert "head-differs" in practice.kinds()
    assert practice.compared().vouched == []


def test_a_twin_in_an_objects_place_is_found_though_journal_and_index_agree(
    practice: Practice,
) -> None:
    ds = dataset(1, name="Somebody^Else")
    with Archive.open(practice.root, read_only=True) as archive:
        first = archive.path_of(ds.SOPInstanceUID)
    assert first is not None
    twin = as_bytes(ds)
    assert twin != first.read_bytes()
    first.write_bytes(twin)
    digest = hashlib.sha256(twin).hexdigest()
    own = {"digest": digest, "size": len(twin)}
    practice.rewrite(lambda entry: own if entry.sop == ds.SOPInstanceUID else {})
    assert "object-changed" not in practice.others()
    assert "head-differs" in practice.kinds()


def test_of_what_comes_after_the_last_head_nobody_vouches(practice: Practice) -> None:
    """What is not signed yet can be rewritten unseen: the report says up to which line."""
    signed = practice.line  # type: ignore[attr-defined]
    practice.rewrite(lambda entry: {"who": "x"} if entry.seq > signed + 1 else {})
    report = practice.compared()
    assert [one.line for one in report.vouched] == [signed]


def test_a_clock_set_back_is_told(practice: Practice) -> None:
    practice.now = NOON - timedelta(days=30)
    practice.keep(4)
    assert "clock-set-back" in practice.others()
    times = ("2026-03-04T12:00:00+00:00", "2026-03-04T13:00:00+02:00", "2026-03-04T12:01:00+00:00")
    entries = [JournalEntry("stored", seq=n, time=time) for n, time in enumerate(times)]
    assert [one.kind for one in check_clock(entries)] == ["clock-set-back"]
    assert not list(check_clock(entries[::2]))


def test_a_head_that_is_taken_away_is_missed(practice: Practice) -> None:
    for _ in range(2):
        practice.keep(7)
        practice.sign()
    for name in ("head-00000002", "head-00000003"):
        file = practice.witness / f"{name}.json"
        kept = file.read_bytes()
        file.unlink()
        assert "head-missing" in practice.kinds(), name
        file.write_bytes(kept)
        assert practice.kinds() == set()
    for file in practice.witness.glob("head-*"):
        file.unlink()
    assert practice.kinds() == {"head-missing"}
    assert practice.compared().vouched == []


def test_a_journal_that_no_longer_tells_of_a_head_is_found(practice: Practice) -> None:
    practice.keep(5)
    practice.sign()
    practice.rewrite(lambda entry: {"gone": True} if entry.action == "head-signed" else {})
    assert "head-differs" in practice.kinds()


def test_a_head_of_another_key_or_changed_is_not_trusted(practice: Practice) -> None:
    (file,) = practice.witness.glob("head-*.json")
    signature = file.with_suffix(".sig")
    good = signature.read_bytes()
    signature.write_bytes(bytes(64))
    assert "head-broken" in practice.kinds()
    signature.write_bytes(new_key(practice.root.parent / "other.pem").sign(file.read_bytes()))
    assert "head-broken" in practice.kinds()
    signature.write_bytes(good)
    assert practice.kinds() == set()
    told = json.loads(file.read_bytes())
    file.write_text(json.dumps({**told, "line": told["line"] + 1}, sort_keys=True, indent=1) + "\n")
    assert "head-broken" in practice.kinds()


def test_a_key_in_the_archive_is_refused(practice: Practice) -> None:
    inside = practice.root / "key.pem"
    inside.write_bytes(practice.key.read_bytes())
    with pytest.raises(ArchiverError, match="lies in the archive"):
        Signer.of(inside, outside=practice.root)


def test_openssl_verifies_a_head_without_this_program(practice: Practice) -> None:
    (file,) = practice.witness.glob("head-*.json")
    (public,) = practice.witness.glob("signer-*.pem")
    words = ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", str(public), "-rawin"]
    words += ["-in", str(file), "-sigfile", str(file.with_suffix(".sig"))]
    assert subprocess.run(words, check=False, capture_output=True).returncode == 0
    file.write_bytes(file.read_bytes().replace(b"line", b"lime"))
    assert subprocess.run(words, check=False, capture_output=True).returncode != 0


# Time stamps, by the authority that OpenSSL is


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """The address of an authority for time stamps, and its certificate."""
    folder = tmp_path_factory.mktemp("tsa")
    subject = "/CN=Time of the test"
    ca = ["-addext", "basicConstraints=critical,CA:TRUE", "-addext", "keyUsage=keyCertSign"]
    _openssl(
        folder,
        "req",
        "-x509",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-keyout",
        "ca.key",
        "-out",
        "ca.pem",
        "-subj",
        "/CN=Root of the test",
        *ca,
    )
    _openssl(
        folder,
        "req",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-keyout",
        "tsa.key",
        "-out",
        "tsa.csr",
        "-subj",
        subject,
    )
    (folder / "ext").write_text("extendedKeyUsage=critical,timeStamping\n")
    _openssl(
        folder,
        "x509",
        "-req",
        "-in",
        "tsa.csr",
        "-CA",
        "ca.pem",
        "-CAkey",
        "ca.key",
        "-CAcreateserial",
        "-out",
        "tsa.pem",
        "-extfile",
        "ext",
    )
    (folder / "serial").write_text("01\n")
    (folder / "tsa.cnf").write_text(
        "[tsa]\ndefault_tsa = t\n[t]\nserial = serial\nsigner_cert = tsa.pem\ncerts = ca.pem\n"
        "signer_key = tsa.key\nsigner_digest = sha256\ndefault_policy = 1.2.3.4\n"
        "digests = sha256, sha512\n"
    )

    class Answering(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            asked = self.rfile.read(int(self.headers["Content-Length"]))
            assert self.headers["Content-Type"] == "application/timestamp-query"
            (folder / "q.tsq").write_bytes(asked)
            _openssl(
                folder, "ts", "-reply", "-config", "tsa.cnf", "-queryfile", "q.tsq", "-out", "r.tsr"
            )
            answer = (folder / "r.tsr").read_bytes()
            self.send_response(200)
            self.send_header("Content-Type", "application/timestamp-reply")
            self.send_header("Content-Length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, *words: object) -> None:
            pass

    with http.server.HTTPServer(("127.0.0.1", 0), Answering) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}", folder / "ca.pem"
        server.shutdown()
        thread.join()


def _openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


def test_an_authority_says_when_a_head_was_there(
    practice: Practice, authority: tuple[str, Path]
) -> None:
    url, certificate = authority
    practice.now = datetime.now(timezone.utc)
    practice.keep(8)
    line = practice.sign(url)
    report = practice.compared(certificate)
    assert report.concerns == []
    (vouched,) = report.vouched
    assert vouched.line == line and "Time of the test" in vouched.authority
    age = datetime.now(timezone.utc) - datetime.fromisoformat(vouched.stamped)
    assert timedelta(seconds=-1) <= age < timedelta(minutes=5)
    file = practice.witness / "head-00000002.json"
    _openssl(
        practice.witness,
        "ts",
        "-verify",
        "-in",
        "head-00000002.tsr",
        "-data",
        file.name,
        "-CAfile",
        str(certificate),
    )
    stamp = file.with_suffix(".tsr").read_bytes()
    with pytest.raises(ArchiverError):
        stamp_of(stamp, file.read_bytes() + b" ", certificate)
    file.with_suffix(".tsr").write_bytes(b"no answer")
    assert {one.kind for one in practice.compared(certificate).concerns} == {"head-broken"}


def test_a_head_signed_under_a_clock_set_back_differs_from_the_authoritys_time(
    practice: Practice, authority: tuple[str, Path]
) -> None:
    url, certificate = authority
    practice.sign(url)  # by the clock of the test it is March 2026
    assert {one.kind for one in practice.compared(certificate).concerns} == {"clock-set-back"}


def test_an_authority_that_is_not_there_costs_the_stamp_and_not_the_head(
    practice: Practice,
) -> None:
    with Archive.open(practice.root, actor="it") as archive:
        asked = Witnesses((practice.witness,), "http://127.0.0.1:9/")
        head, trouble = sign_head(archive, practice.signer, asked, practice.now)
    assert trouble is not None and trouble.code == "archive.witness.no_stamp"
    assert head.number == 2 and practice.kinds() == set()


# As a person does it


def test_the_verb_signs_and_the_audit_says_who_vouches(practice: Practice, tmp_path: Path) -> None:
    own = ("--archive", practice.root)
    made = archiver("witness", "--key", practice.key, "--into", practice.witness, *own, "--json")
    assert made.returncode == 0, made.stderr
    head = json.loads(made.stdout)
    public = tmp_path / "public.pem"
    public.write_bytes(practice.signer.public)
    asked = ("audit", "--rules", "good-record", "--out", tmp_path / "report", *own)
    asked += ("--witness", practice.witness, "--signer", public)
    assert archiver(*asked).returncode in (0, 1)
    report = json.loads((tmp_path / "report" / "audit.json").read_text())
    (vouched,) = report["archive"]["vouched"]
    assert (vouched["line"], vouched["signer"]) == (head["line"], practice.signer.name)
    page = (tmp_path / "report" / "audit.html").read_text()
    assert f"Up to line {head['line']}, the journal stands as it was signed" in page
    assert not {"head-differs", "head-missing", "head-broken"} & set(report["kinds"])
    refused = archiver("witness", "--key", tmp_path / "nothing.pem", "--into", tmp_path / "w", *own)
    assert refused.returncode != 0 and "no private key" in refused.stderr


@pytest.fixture
def report(practice: Practice, tmp_path: Path) -> Path:
    folder = tmp_path / "report"
    asked = ("audit", "--rules", "good-record", "--out", folder, "--key", practice.key)
    assert archiver(*asked, "--archive", practice.root).returncode in (0, 1)
    return folder


def test_a_key_that_cannot_be_used_is_told_before_anything_is_read(
    practice: Practice, tmp_path: Path
) -> None:
    folder = tmp_path / "none"
    asked = ("audit", "--rules", "good-record", "--out", folder, "--key", tmp_path / "nothing.pem")
    refused = archiver(*asked, "--archive", practice.root)
    assert refused.returncode == 1 and "no private key" in refused.stderr
    assert not folder.exists()


def test_a_signed_report_is_verified_with_the_archive_and_by_plain_tools(
    practice: Practice, report: Path
) -> None:
    own = ("--archive", practice.root)
    practice.keep(9)  # what comes later takes nothing from what the report says
    whole = archiver("audit", "--verify", report, *own)
    assert whole.returncode == 0 and "still holds the state" in whole.stdout
    words = ["sha256sum", "-c", "report.sha256"]
    subprocess.run(words, cwd=report, check=True, capture_output=True)
    _openssl(
        report,
        "pkeyutl",
        "-verify",
        "-pubin",
        "-inkey",
        "report.pem",
        "-rawin",
        "-in",
        "report.sha256",
        "-sigfile",
        "report.sig",
    )
    said = json.loads((report / "audit.json").read_text())
    assert said["archive"]["journal_line"] and said["rules"][0]["sha256"]
    practice.rewrite(lambda entry: {"who": "x"} if entry.seq == 2 else {})
    other = archiver("audit", "--verify", report, *own)
    assert other.returncode == 1 and "does not hold line" in other.stderr


@pytest.mark.parametrize("name", ["audit.html", "audit.json", "findings.csv", "report.sha256"])
def test_a_signed_report_that_was_changed_is_found(
    practice: Practice, report: Path, name: str
) -> None:
    file = report / name
    file.write_bytes(file.read_bytes() + b"\n")
    told = archiver("audit", "--verify", report, "--archive", practice.root)
    assert told.returncode == 1 and "as" in told.stderr and "signed" in told.stderr


def test_a_report_signed_by_somebody_else_is_not_trusted(
    practice: Practice, report: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other.pem"
    other.write_bytes(new_key(tmp_path / "other-key.pem").public)
    told = archiver("audit", "--verify", report, "--signer", other, "--archive", practice.root)
    assert told.returncode == 1
    unsigned = archiver("audit", "--verify", tmp_path, "--archive", practice.root)
    assert unsigned.returncode != 0 and "no signed report" in unsigned.stderr


def signing(
    practice: Practice, archive: Archive, times: list[datetime], told: list[dict[str, object]]
) -> IntervalSigning:
    """Sign every hour by a clock that stands still at the last of the times."""
    return IntervalSigning(
        archive,
        lambda: Signer.of(practice.key, outside=practice.root),
        Witnesses((practice.witness,)),
        timedelta(hours=1),
        now=lambda: times.pop(0) if len(times) > 1 else times[0],
        tell=lambda event, **said: told.append(said),
        look=0.01,
    )


def _wait(true: Callable[[], object]) -> None:
    waited = threading.Event()
    for _ in range(6000):
        if true():
            return
        waited.wait(0.01)
    raise AssertionError("it did not come")


def test_a_server_signs_at_intervals_and_goes_on_where_the_one_before_ended(
    practice: Practice,
) -> None:
    told: list[dict[str, object]] = []
    begun = NOON + timedelta(days=1)
    minutes = [begun + timedelta(minutes=20 * number) for number in range(7)]
    with Archive.open(practice.root, clock=practice._clock, actor="server") as archive:
        running = signing(practice, archive, minutes, told)
        _wait(lambda: len(told) == 3)  # at once, after 60 and after 120 minutes
        running.close()
        looks = [begun + timedelta(minutes=170)] * 4
        again = signing(practice, archive, looks, told)
        _wait(lambda: len(looks) == 1)
        again.close()
    assert [one["number"] for one in told] == [2, 3, 4]
    assert practice.kinds() == set()


def test_a_key_that_is_away_is_told_once_and_signs_when_it_is_back(practice: Practice) -> None:
    told: list[dict[str, object]] = []
    times = [NOON + timedelta(days=1)] * 4
    away = practice.key.rename(practice.key.with_name("away.pem"))
    with Archive.open(practice.root, clock=practice._clock, actor="server") as archive:
        running = signing(practice, archive, times, told)
        _wait(lambda: len(times) == 1)
        away.rename(practice.key)
        _wait(lambda: len(told) == 2)
        running.close()
    assert "why" in told[0] and told[1]["number"] == 2


def test_another_archive_is_a_witness_by_a_dicom_object(
    practice: Practice, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Given to DCMTK's storescp, taken from its folder, and held against the journal."""
    given = tmp_path / "given"
    with storescp(given) as port:
        settings = tmp_path / "archiver.toml"
        peer = f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = {port}\ntitle = "CLINIC"\n'
        settings.write_text(peer, "utf-8")
        monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
        words = ("--key", practice.key, "--into", practice.witness, "--archive", practice.root)
        said = archiver("witness", *words, "--to", "clinic")
        assert said.returncode == 0, said.stderr
    (path,) = given.iterdir()
    found = validate_file(path)
    assert [one for one in found if one.severity is Severity.ERROR] == []
    back = tmp_path / "back"
    said = archiver("witness", "--unpack", path, "--into", back)
    assert said.returncode == 0, said.stderr
    newest = sorted(practice.witness.glob("head-*.json"))[-1]
    for suffix in (".json", ".sig"):
        copy = newest.with_suffix(suffix)
        assert (back / copy.name).read_bytes() == copy.read_bytes()
    vouching = Vouching((back,), practice.signer.public)
    report = check_witnesses(Layout(practice.root), vouching)
    assert [one.witness for one in report.vouched] == ["back"]
    practice.rewrite(lambda line: {"who": "somebody else"} if line.action == "stored" else {})
    report = check_witnesses(Layout(practice.root), vouching)
    assert "head-differs" in {one.kind for one in report.concerns}


def test_the_page_of_a_head_is_a_pdf_that_others_read(practice: Practice, tmp_path: Path) -> None:
    kept = list(read_heads(practice.witness))[-1]
    assert kept.head is not None
    document = bytes(open_dataset(head_object(kept, kept.head)).EncapsulatedDocument)
    path = tmp_path / "head.pdf"
    path.write_bytes(document)
    said = subprocess.run(["pdftotext", path, "-"], capture_output=True, text=True, check=True)
    assert kept.head.hash in said.stdout and said.stderr == ""


@pytest.mark.parametrize("spoil", [b"", b"%PDF-1.4 %%EOF"])
def test_what_holds_no_head_is_refused(practice: Practice, tmp_path: Path, spoil: bytes) -> None:
    path = tmp_path / "other.dcm"
    path.write_bytes(as_bytes(dataset(7)) if spoil else spoil)
    said = archiver("witness", "--unpack", path, "--into", tmp_path / "back")
    assert said.returncode == 1 and "other.dcm" in said.stderr
