"""The clinic's system is told of each visit that was photographed, whatever ends in between."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from pydicom import Dataset
from pynetdicom import AE, evt

from archiver.archive import Query
from archiver.archive.store.archive import Archive
from archiver.network.client.dimse.procedure_step import AVAILABILITY, PERFORMED_STEP
from archiver.network.outbox import ForwardingRule, OutboxContext
from archiver.network.outbox.forwarding import Follower
from archiver.network.outbox.performed_steps import QUIET, PerformedSteps
from tests.cli.in_process import archiver
from tests.cli.sessions import camera_jpeg, photo, write_sheet
from tests.network import client_peers as peers
from tests.network import node_samples as samples
from tests.network.test_peer_dcmjs import dcmjs_server
from tests.new_archive import new_archive

MODIFIED = ("PerformedProcedureStepStatus", "PerformedSeriesSequence")


@dataclass
class Clinic:
    """A system that takes performed steps and notifications, as pynetdicom serves them."""

    steps: dict[str, Dataset] = field(default_factory=dict)
    notices: dict[str, Dataset] = field(default_factory=dict)
    status: int = 0
    answers_create: bool = True

    def create(self, event: evt.Event) -> tuple[int, Dataset | None]:
        uid = str(event.request.AffectedSOPInstanceUID)
        kept = self.steps if event.request.AffectedSOPClassUID == PERFORMED_STEP else self.notices
        if self.status:
            return self.status, None
        if uid in kept:
            return 0x0111, None
        kept[uid] = event.attribute_list
        if not self.answers_create:
            event.assoc.abort()
        return 0, event.attribute_list

    def set(self, event: evt.Event) -> tuple[int | Dataset, Dataset | None]:
        step = self.steps[str(event.request.RequestedSOPInstanceUID)]
        if step.PerformedProcedureStepStatus != "IN PROGRESS":
            refused = Dataset()
            refused.Status, refused.ErrorID = 0x0110, 0xA710
            return refused, None
        step.update(event.modification_list)
        return 0, step


@contextmanager
def clinic_at(clinic: Clinic, *classes: str) -> Iterator[int]:
    entity = AE("CLINIC")
    for one in classes:
        entity.add_supported_context(one)
    handlers: list[Any] = [(evt.EVT_N_CREATE, clinic.create), (evt.EVT_N_SET, clinic.set)]
    server = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=handlers)
    try:
        yield int(server.socket.getsockname()[1])
    finally:
        server.shutdown()


class Time:
    """A clock that a test moves."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 4, 14, 20, tzinfo=timezone.utc)
        self.count = 0

    def world(self) -> OutboxContext:
        return OutboxContext(lambda: self.now, lambda: 0.5, self.uid)

    def uid(self) -> str:
        self.count += 1
        return f"2.25.{self.count}"


@pytest.fixture
def visit(tmp_path: Path) -> Path:
    """An archive, and a card of two photographs that is not archived yet."""
    (tmp_path / "card").mkdir()
    for number, name in enumerate(("A.JPG", "B.JPG")):
        camera_jpeg(tmp_path / "card" / name, number)
    write_sheet(tmp_path / "card", [photo("A.JPG"), photo("B.JPG", 16, "buccal", False)])
    return new_archive(tmp_path / "archive")


def followed(archive: Archive, port: int, time: Time, kind: str) -> tuple[Follower, PerformedSteps]:
    peer = peers.peer_at(port, performed=kind)
    steps = PerformedSteps(archive, [peer], "PHOTOARCHIVE")
    follower = Follower(archive, [peer], [], steps)
    follower.follow(time.world())
    return follower, steps


def wrap(visit: Path) -> None:
    done = archiver("wrap", visit.parent / "card" / "sheet.toml", "--archive", visit)
    assert done.returncode == 0, done.stderr


def made(archive: Archive) -> set[str]:
    return {one.sop_instance_uid for one in archive.query(Query())}


@pytest.mark.parametrize("kind", ["mpps", "availability"])
def test_a_visit_that_was_archived_is_told_of_with_all_that_was_made(
    visit: Path, kind: str
) -> None:
    clinic, time = Clinic(), Time()
    with clinic_at(clinic, PERFORMED_STEP if kind == "mpps" else AVAILABILITY) as port:
        with Archive.open(visit) as archive:
            followed(archive, port, time, kind)
        wrap(visit)
        with Archive.open(visit) as archive:
            peer = peers.peer_at(port, performed=kind)
            steps = PerformedSteps(archive, [peer], "PHOTOARCHIVE")
            follower = Follower(archive, [peer], [], steps)
            follower.follow(time.world())
            assert steps.notify_due(time.world()) == []  # more may come
            time.now += QUIET
            assert [error for _, error in steps.notify_due(time.world())] == [None]
            assert steps.owed() == [] and steps.notify_due(time.world()) == []
            uids, (study,) = made(archive), {r.study_uid for r in archive.query(Query())}
    if kind == "mpps":
        ((uid, step),) = clinic.steps.items()
        assert uid == "2.25.1" and step.PerformedProcedureStepStatus == "COMPLETED"
        assert step.PatientID == "P-0417" and step.Modality == "XC"
        assert step.ScheduledStepAttributesSequence[0].StudyInstanceUID == study
        told = [
            (series.RetrieveAETitle, image.ReferencedSOPInstanceUID)
            for series in step.PerformedSeriesSequence
            for image in series.ReferencedImageSequence
        ]
        # PS3.4 table F.7.2-1: type 1 of the N-CREATE and of the final state.
        for keyword in ("PerformedProcedureStepID", "PerformedStationAETitle", "Modality"):
            assert step.get(keyword), keyword
        assert step.PerformedProcedureStepStartDate == "20260304"
        assert all(series.ProtocolName for series in step.PerformedSeriesSequence)
    else:
        (notice,) = clinic.notices.values()
        assert notice.StudyInstanceUID == study
        told = [
            (image.RetrieveAETitle, image.ReferencedSOPInstanceUID)
            for series in notice.ReferencedSeriesSequence
            for image in series.ReferencedSOPSequence
            if image.InstanceAvailability == "ONLINE"
        ]
    assert {uid for _, uid in told} == uids and {title for title, _ in told} == {"PHOTOARCHIVE"}


def test_a_peer_that_fails_or_goes_in_the_middle_is_told_again_of_the_same_step(
    visit: Path,
) -> None:
    clinic, time = Clinic(), Time()
    with clinic_at(clinic, PERFORMED_STEP) as port:
        with Archive.open(visit) as archive:
            followed(archive, port, time, "mpps")
        wrap(visit)
        for change in ({"status": 0x0110}, {"status": 0, "answers_create": False}):
            vars(clinic).update(change)
            with Archive.open(visit) as archive:
                _, steps = followed(archive, port, time, "mpps")
                time.now += QUIET
                ((_, error),) = steps.notify_due(time.world())
                assert error is not None
                assert steps.notify_due(time.world()) == []  # not at once
        clinic.answers_create = True
        with Archive.open(visit) as archive:
            _, steps = followed(archive, port, time, "mpps")
            ((owed, error),) = steps.notify_due(time.world())
            assert error is None
            # What was told and not struck, as by a kill in between, is told again without harm.
            steps._add(owed, time.world())
            time.now += QUIET
            assert [one for _, one in steps.notify_due(time.world())] == [None]
    assert clinic.steps["2.25.1"].PerformedProcedureStepStatus == "COMPLETED"


def test_what_others_store_and_what_replaces_is_no_visit(visit: Path, tmp_path: Path) -> None:
    time = Time()
    with Archive.open(visit) as archive:
        followed(archive, 104, time, "mpps")
    wrap(visit)
    with Archive.open(visit) as archive:
        follower, steps = followed(archive, 104, time, "mpps")
        (before,) = steps.owed()
        uid = next(iter(made(archive)))
    assert archiver("amend", uid, "--tooth", "iso:26", "--archive", visit).returncode == 0
    added = samples.save(samples.radiograph(1), tmp_path)
    assert archiver("add", added, "--archive", visit).returncode == 0
    with Archive.open(visit) as archive:
        follower, steps = followed(archive, 104, time, "mpps")
        follower.follow(time.world())
        assert steps.owed() == [before]


def test_rules_and_steps_go_side_by_side(visit: Path) -> None:
    time, peer = Time(), peers.peer_at(104, performed="availability")
    with Archive.open(visit) as archive:
        steps = PerformedSteps(archive, [peer], "A", timedelta(0))
        Follower(archive, [peer], [ForwardingRule("clinic")], steps).follow(time.world())
    wrap(visit)
    with Archive.open(visit) as archive:
        steps = PerformedSteps(archive, [peer], "A", timedelta(0))
        follower = Follower(archive, [peer], [ForwardingRule("clinic")], steps)
        assert follower.follow(time.world()) == len(made(archive))
        assert len(steps.owed()) == 1


@pytest.mark.parametrize("kind", ["mpps", "availability"])
def test_another_library_understands_what_is_told(visit: Path, tmp_path: Path, kind: str) -> None:
    time = Time()
    with dcmjs_server(tmp_path / "clinic") as port:
        with Archive.open(visit) as archive:
            followed(archive, port, time, kind)
        wrap(visit)
        with Archive.open(visit) as archive:
            _, steps = followed(archive, port, time, kind)
            time.now += QUIET
            assert [error for _, error in steps.notify_due(time.world())] == [None]
            uids = made(archive)
    told = (tmp_path / "clinic" / "2.25.1.told").read_text()
    assert all(uid in told for uid in uids)
    assert kind != "mpps" or '"COMPLETED"' in told
