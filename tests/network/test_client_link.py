"""The association that we open: whoever asks gets the answer, whatever the threads do."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from pydicom import Dataset
from pynetdicom import evt
from pynetdicom.presentation import build_context

from archiver.errors import NetworkError
from archiver.network.client.dimse import commitment
from archiver.network.client.dimse.link import _Checkpoint, open_link
from tests.network import client_peers as peers


@pytest.fixture
def hasty_threads() -> Iterator[None]:
    """Let threads be switched at every chance."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(before)


@pytest.mark.usefixtures("hasty_threads")
def test_a_thread_that_was_seen_paused_does_nothing_until_it_is_let_go() -> None:
    checkpoint = _Checkpoint()
    asking, ended = threading.Event(), threading.Event()
    taken: list[int] = []

    def reactor() -> None:
        while not ended.is_set():
            checkpoint.wait()
            if asking.is_set():
                taken.append(1)

    thread = threading.Thread(target=reactor)
    thread.start()
    for _ in range(3000):
        checkpoint.clear()
        while not checkpoint.paused:
            pass
        asking.set()
        asking.clear()
        checkpoint.set()
    ended.set()
    thread.join(10)
    assert not thread.is_alive() and not taken


@pytest.mark.usefixtures("hasty_threads")
def test_many_associations_in_a_row_ask_and_are_released() -> None:
    with peers.pynetdicom_server([]) as port:
        peer = peers.peer_at(port)
        for _ in range(15):
            with open_link(peer, [build_context(peers.VERIFICATION)]) as link:
                for _ in range(10):
                    assert link.association.send_c_echo(link.next_message()).Status == 0


def test_the_peer_gets_its_answer_to_a_report_before_we_release() -> None:
    """A peer that gets none would report once more, on an association of its own."""
    answers: list[int] = []
    answered = threading.Event()

    def act(event: Any) -> tuple[int, None]:
        told = Dataset()
        told.TransactionUID = event.action_information.TransactionUID
        told.ReferencedSOPSequence = event.action_information.ReferencedSOPSequence

        def report() -> None:
            status, _ = event.assoc.send_n_event_report(
                told, 1, peers.COMMITMENT, peers.COMMITMENT + ".1"
            )
            answers.append(status.get("Status", -1))
            answered.set()

        threading.Thread(target=report).start()
        return 0, None

    with peers.pynetdicom_server([(evt.EVT_N_ACTION, act)]) as port:
        for number in range(10):
            answered.clear()
            references = [("1.2.840.10008.5.1.4.1.1.77.1.4", f"1.2.{number}")]
            report = commitment.request_commitment(
                peers.peer_at(port), references, f"1.2.3.{number}"
            )
            assert report is not None and report.committed == {f"1.2.{number}"}
            assert answered.wait(10)
    assert answers == [0] * 10


def test_an_association_that_ended_before_the_next_question_is_told_in_words() -> None:
    with peers.pynetdicom_server([]) as port:
        words = "the peer ended the association while it was asked"
        with (
            pytest.raises(NetworkError, match=words),
            open_link(peers.peer_at(port), [build_context(peers.VERIFICATION)]) as link,
        ):
            link.association.abort()
            link.association.send_c_echo()
