"""Whether patients have consented to what is sent to a peer, where the settings ask for it."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from archiver.archive.statements import Consent, consents_of, evidence, judge
from archiver.archive.store import Layout, describe_file
from archiver.errors import ObjectError, Problem
from archiver.network.peers import Peer


class ConsentCheck:
    """Asks the record of consents before an object is sent.

    Parameters
    ----------
    folder
        Of the archive.
    peer
        Its key ``consent`` says which purpose sending to it serves; its name is the recipient.
    day
        On which consents have to hold.
    """

    def __init__(self, folder: Path, peer: Peer, day: date) -> None:
        self._layout, self._peer, self._day = Layout(folder), peer, day
        self._known: dict[tuple[str, str], list[Consent]] = {}

    def demand(self, path: Path) -> None:
        """Refuse an object whose patient has not consented.

        Notes that something is rejected go without: who has it has to be told.

        Raises
        ------
        ObjectError
            If no consent holds.
        IntegrityError
            If the record of consents is not whole.
        """
        purpose = self._peer.consent
        if purpose is None:
            return
        said = describe_file(path)
        if said.selection is not None and said.selection.rejects:
            return
        layout, patient = self._layout, (said.patient_id, said.issuer)
        if not self._known:
            evidence.demand_whole(layout.root, layout.journal, (evidence.CONSENTS, evidence.SECRET))
        if patient not in self._known:
            self._known[patient] = consents_of(layout.root, *patient)
        pictures = {said.sop_instance_uid: said.study_uid}
        found = judge(
            self._known[patient], purpose, self._day, to=self._peer.name, pictures=pictures
        )
        if isinstance(found, Problem):
            raise ObjectError(found)
