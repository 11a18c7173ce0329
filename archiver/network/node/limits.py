"""What a peer of the node may take up, and what is expected of an archive that is well."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class NodeLimits:
    """What a peer may take up.

    Parameters
    ----------
    associations, associations_of_one_address, connections, connections_of_one_address
        At one time.
    bodies, bodies_of_one_address
        HTTP requests with a body at one time.
    processor_seconds, journal_megabytes
        Of decoding, and of the journal, in a minute and for one address.
    pdu_bytes
        Largest P-DATA-TF PDU that we take (PS3.8 D.1); DCMTK sends 128 KiB at most.
    object_megabytes, request_megabytes
        Largest object, and largest HTTP request.
    parts
        Of a request to store, and objects that its metadata tell of.
    attributes, nesting
        Of the metadata of a request to store: how many, and sequences within sequences.
    headers
        That one question has read for values that the index does not keep.
    negotiation_seconds
        For TLS and the first PDU.
    network_seconds
        Without a byte, or for one PDU.
    """

    associations: int = 64
    associations_of_one_address: int = 48
    connections: int = 256
    connections_of_one_address: int = 128
    bodies: int = 64
    bodies_of_one_address: int = 48
    processor_seconds: float = 120.0
    journal_megabytes: int = 64
    pdu_bytes: int = 256 << 10
    object_megabytes: int = 2048
    request_megabytes: int = 4096
    parts: int = 10_000
    attributes: int = 100_000
    nesting: int = 32
    headers: int = 10_000
    negotiation_seconds: float = 10.0
    network_seconds: float = 60.0

    @property
    def object_bytes(self) -> int:
        """Largest object in bytes."""
        return self.object_megabytes << 20

    @property
    def request_bytes(self) -> int:
        """Largest HTTP request in bytes."""
        return self.request_megabytes << 20


@dataclass(frozen=True)
class NodeWatch:
    """What is expected of an archive that is well; /health tells where it is otherwise.

    Parameters
    ----------
    reserve_megabytes
        Free space below which nothing more is received.
    space_days
        That the free space lasts, at the pace of late.
    outbox_hours
        Within which an object or a report goes out.
    certificate_days
        That a certificate is still valid.
    backup_days, audit_days
        Within which a backup and an audit are made; 0 where none is expected.
    """

    reserve_megabytes: int = 1024
    space_days: float = 30.0
    outbox_hours: float = 24.0
    certificate_days: float = 21.0
    backup_days: float = 7.0
    audit_days: float = 100.0

    @property
    def reserve_bytes(self) -> int:
        """Free space below which nothing more is received, in bytes."""
        return self.reserve_megabytes << 20
