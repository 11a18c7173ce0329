"""What this node takes and gives: SOP classes and transfer syntaxes (PS3.4 B.5, PS3.6 A)."""

from __future__ import annotations

from collections.abc import Iterable

from pynetdicom.presentation import PresentationContext, build_context

from archiver.standard import storage_classes

VERIFICATION = "1.2.840.10008.1.1"
COMMITMENT = "1.2.840.10008.1.20.1"
COMMITMENT_INSTANCE = "1.2.840.10008.1.20.1.1"
WORKLIST = "1.2.840.10008.5.1.4.31"
PATIENT_ROOT = "1.2.840.10008.5.1.4.1.2.1"
STUDY_ROOT = "1.2.840.10008.5.1.4.1.2.2"
FIND, MOVE, GET = ".1", ".2", ".3"

#: Whatever way an object comes, it is of one of these, or of those that the settings add.
STORAGE: tuple[str, ...] = storage_classes()

IMPLICIT = "1.2.840.10008.1.2"
EXPLICIT = "1.2.840.10008.1.2.1"
DEFLATED = "1.2.840.10008.1.2.1.99"
JPEG_BASELINE = "1.2.840.10008.1.2.4.50"
JPEG_LOSSLESS = "1.2.840.10008.1.2.4.70"
#: All are stored as they come; which of several offers in a context is taken says `as_offered`.
STORAGE_SYNTAXES: tuple[str, ...] = (
    JPEG_BASELINE,
    JPEG_LOSSLESS,
    "1.2.840.10008.1.2.4.57",  # JPEG Lossless, any predictor
    "1.2.840.10008.1.2.4.51",  # JPEG Extended
    "1.2.840.10008.1.2.4.80",  # JPEG-LS Lossless
    "1.2.840.10008.1.2.4.81",  # JPEG-LS Near-Lossless
    "1.2.840.10008.1.2.4.90",  # JPEG 2000 Lossless
    "1.2.840.10008.1.2.4.91",  # JPEG 2000
    "1.2.840.10008.1.2.4.201",  # HTJ2K Lossless
    "1.2.840.10008.1.2.4.202",  # HTJ2K Lossless RPCL
    "1.2.840.10008.1.2.4.203",  # HTJ2K
    "1.2.840.10008.1.2.4.110",  # JPEG XL Lossless
    "1.2.840.10008.1.2.4.111",  # JPEG XL JPEG Recompression
    "1.2.840.10008.1.2.4.112",  # JPEG XL
    "1.2.840.10008.1.2.5",  # RLE Lossless
    "1.2.840.10008.1.2.4.102",  # MPEG-4 AVC/H.264 High Profile
    "1.2.840.10008.1.2.4.103",  # the same, BD-compatible
    EXPLICIT,
    IMPLICIT,
    DEFLATED,
    "1.2.840.10008.1.2.2",  # Explicit VR Big Endian, retired, still met
)
_QUERY_SYNTAXES = [EXPLICIT, IMPLICIT]


def contexts(*, worklist: bool, more: Iterable[str] = ()) -> list[PresentationContext]:
    """Return what the node accepts.

    Parameters
    ----------
    worklist
        Whether it has a table of visits to answer from.
    more
        Storage classes beside the standard's: those that the settings add, and those of objects
        that are kept, since what can be found must be fetched.
    """
    found = []
    for uid in dict.fromkeys((*STORAGE, *more)):
        context = build_context(uid, list(STORAGE_SYNTAXES))
        # We store as SCP, and as SCU in the sub-operations of a C-GET (PS3.4 C.5.3.1).
        context.scu_role = context.scp_role = True
        found.append(context)
    services = [VERIFICATION, COMMITMENT]
    services += [
        root + service for root in (PATIENT_ROOT, STUDY_ROOT) for service in (FIND, MOVE, GET)
    ]
    if worklist:
        services.append(WORKLIST)
    for uid in services:
        context = build_context(uid, _QUERY_SYNTAXES)
        if uid == COMMITMENT:
            context.scu_role = context.scp_role = True
        found.append(context)
    return found


def as_offered(
    ours: list[PresentationContext], offered: list[PresentationContext]
) -> list[PresentationContext]:
    """Return our contexts with transfer syntaxes in the order in which a peer offers them.

    What a peer names first is most likely what its objects are in; to take another one would
    make it transcode, and perhaps compress with loss, what it could have sent as it is.
    """
    wishes: dict[str, list[str]] = {}
    for context in offered:
        wishes.setdefault(str(context.abstract_syntax), []).extend(context.transfer_syntax)
    arranged = []
    for context in ours:
        wished = wishes.get(str(context.abstract_syntax))
        if not wished:
            continue
        known = set(context.transfer_syntax)
        order = [uid for uid in dict.fromkeys(wished) if uid in known]
        one = build_context(str(context.abstract_syntax), order or list(context.transfer_syntax))
        one.scu_role, one.scp_role = context.scu_role, context.scp_role
        arranged.append(one)
    return arranged
