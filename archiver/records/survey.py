"""What an audit looks at: an archive, another one over the network, or a folder of DICOM files."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, field

from archiver.archive.store import START, Position
from archiver.records.checks.witness_checks import Vouched
from archiver.records.disk_store import InstanceStore
from archiver.records.examination import Depth
from archiver.records.instance_reader import InstanceRow
from archiver.records.model import Concern, Instance, ObjectFacts
from archiver.records.record_parts import divided
from archiver.wording import Text


@dataclass
class Survey:
    """What is there.

    Parameters
    ----------
    instances
        By the index; where that cannot be read, by the objects.
    facts
        By SOP Instance UID, of every object read now or remembered.
    concerns
        About integrity.
    read, remembered, octets
        Objects read now, objects taken from memory, bytes read.
    oldest
        When the object was read that was read longest ago, ISO 8601.
    lines, end
        Of the journal, and its last position.
    heeded
        Instances that the journal says are heeded as statements; None where there is no journal.
    vouched
        By whom, and up to which line, the journal is vouched for.
    tells_all
        Whether the journal tells of statements, users and the secret, too, and they are as it says.
    way
        Of another archive: how its headers were had, in words.
    store
        Where instances and facts of an archive are kept.
    """

    where: str
    depth: Depth
    instances: Sequence[Instance] = ()
    facts: MutableMapping[str, ObjectFacts] = field(default_factory=dict)
    concerns: list[Concern] = field(default_factory=list)
    read: int = 0
    remembered: int = 0
    octets: int = 0
    oldest: str = ""
    lines: int = 0
    end: Position = START
    way: Text | str = ""
    heeded: set[str] | None = None
    tells_all: bool = False
    vouched: list[Vouched] = field(default_factory=list)
    store: InstanceStore | None = None

    def parts(self) -> Iterator[tuple[Sequence[Instance], Mapping[str, ObjectFacts], bool]]:
        """Yield what can be judged one after the other, and whether it is the last.

        `archiver.records.record_parts` says what is together in a part.
        """
        if self.store is None:
            yield self.instances, self.facts, True
            return
        count = self.store.divide(divided(len(self.instances), self.store.known()))
        for number in range(count):
            yield *self.store.part(number), number == count - 1

    def keep(self, rows: Iterable[InstanceRow]) -> None:
        """Take the instances of an index."""
        assert self.store is not None
        self.store.take(rows)
        self.instances = self.store.instances

    def forget(self) -> None:
        """Forget the instances of an index that turned out to be damaged."""
        assert self.store is not None
        self.store.forget()
        self.instances = self.store.instances
