"""Claims of the conformance statement, drawn at random, each with the tests that prove it.

They were drawn by ``python -m tests.conformance.claims --seed 16``; those in `FOUND_UNTRUE` were
untrue when somebody looked. A claim that is changed is to be proved anew.
"""

from __future__ import annotations

import ast
import io
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import httpx
import psutil
import pytest
from PIL import Image
from pydicom import dcmread
from pynetdicom import AE, build_context

from archiver.archive.ingest.foreign_files import add_files
from archiver.archive.store import Archive
from archiver.network.node.node import Node
from tests.conformance.claims import STATEMENT, claims
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served, run, serving, store
from tests.new_archive import new_archive

TESTS = Path(__file__).parents[1]
HERE = "conformance/test_claims.py::"
#: Seconds that a busy machine may take to answer.
PATIENCE = 60
#: How a claim begins, and what proves it.
DRAWN: tuple[tuple[str, str], ...] = (
    ("Thumbnails are at most 256 pixels", HERE + "test_thumbnails_are_at_most_256_pixels"),
    (
        "More is removed than the table asks",
        "handover/test_deidentified_objects.py::"
        "test_a_word_planted_in_every_attribute_at_every_depth_is_in_none",
    ),
    (
        "Pixel data are the camera's own JPEG frame",
        "objects/test_part10.py::test_the_frame_comes_back_byte_for_byte",
    ),
    (
        "A peer that is silent longer",
        "network/test_client_outbox.py::"
        "test_what_a_peer_breaks_off_is_queued_and_arrives_once_it_behaves",
    ),
    (
        "Objects that are made, answers with text outside ASCII",
        "network/test_node_find.py::test_names_outside_ascii_come_back_in_unicode",
    ),
    (
        "Modality, Scheduled Station AE Title and Patient ID are matched by single",
        "network/test_node_worklist.py::"
        "test_a_key_finds_the_visits_that_have_its_value_and_no_others",
    ),
    (
        "Whoever reaches a node that is bound to loopback comes in, until",
        "network/test_node_web.py::test_only_credentials_open_it",
    ),
    (
        "It waits for associations and HTTP requests",
        "network/test_node_audit.py::test_what_was_begun_is_finished_after_sigterm",
    ),
    (
        "An object goes out in its own transfer syntax",
        "network/test_node_retrieve.py::"
        "test_a_peer_without_jpeg_gets_decoded_copies_that_own_up_to_their_loss",
    ),
    (
        "NODE authenticates clients by certificate",
        "network/test_node_tls.py::test_only_certificates_of_the_named_authorities_open_it",
    ),
    (
        "A frame is read alone",
        "network/test_node_frames.py::test_every_frame_is_itself_by_every_table",
    ),
    ("`annotation` and `iccprofile` are ignored", HERE + "test_annotation_is_ignored"),
    (
        "NODE opens associations for the sub-operations of C-MOVE",
        "network/test_node_retrieve.py::"
        "test_a_peer_that_has_left_gets_its_report_on_a_new_association",
    ),
    (
        "What is against PS3.7 or PS3.8 ends that association",
        "network/test_node_faults.py::test_what_is_against_the_protocol_ends_that_association_alone",
    ),
    (
        "`fuzzymatching`, `emptyvaluematching` and `multiplevaluematching` are not",
        "network/test_node_web.py::test_fuzzy_matching_is_answered_without_it_and_a_warning",
    ),
    (
        "A connection from an address that is not allowed",
        "network/test_node_store.py::test_an_address_that_is_not_allowed_is_turned_away",
    ),
    (
        "What arrives by C-STORE or STOW-RS goes into the archive",
        "network/test_node_store.py::test_a_photograph_is_kept_byte_for_byte",
    ),
    ("C-FIND is hierarchical", HERE + "test_find_is_hierarchical_and_qido_asks_at_any_level"),
    ("QIDO-RS asks at any level", HERE + "test_find_is_hierarchical_and_qido_asks_at_any_level"),
    (
        "`archiver add` is a file-set reader",
        "archive/test_add.py::test_what_a_directory_forgot_misnames_or_lists_in_vain_is_told",
    ),
    (
        "A key that is not supported at its level",
        "network/test_node_find.py::test_unsupported_keys_are_told_with_every_answer",
    ),
    (
        "`Accept: image/jpeg` without a transfer syntax",
        "network/test_node_web.py::"
        "test_jpeg_without_a_transfer_syntax_gives_the_baseline_that_is_held",
    ),
    (
        "CLIENT sends an object as it is kept",
        "network/test_client_store.py::test_objects_reach_storescp_byte_for_byte",
    ),
    (
        "Compressed bulk data are kept unchanged",
        "network/test_node_web.py::test_metadata_and_a_jpeg_become_an_object_with_that_jpeg",
    ),
    ("`accept` as a parameter takes the place", HERE + "test_accept_as_a_parameter_outranks"),
    (
        "Matching: single value, list of UIDs",
        "network/test_node_find.py::test_a_key_matches_as_the_standard_says",
    ),
    (
        "C-FIND and QIDO-RS ask its index",
        "network/test_node_keys_agree.py::test_find_and_qido_give_nobody_out_as_somebody",
    ),
    ("Files of the archive conform to PS3.10", HERE + "test_kept_files_are_files_of_ps3_10"),
    ("It is not sent to an audit repository", HERE + "test_the_trail_goes_nowhere"),
    (
        "Photographs that are rejected or marked get a Key Object",
        "objects/test_key_objects.py::test_verifiers_find_nothing_wrong_with_a_note",
    ),
    (
        "Of several transfer syntaxes in one context",
        HERE + "test_the_first_syntax_that_is_offered_is_taken",
    ),
    (
        "Objects that come in keep theirs; all defined terms",
        "standard/test_real_files.py::test_the_character_sets_of_the_samples_are_read",
    ),
    (
        "A peer that takes only uncompressed transfer syntaxes gets",
        "network/test_client_store.py::"
        "test_a_peer_that_takes_only_uncompressed_gets_a_decoded_copy_that_declares_its_loss",
    ),
    (
        "The index takes patient, study, series and instance attributes",
        "archive/test_index_rows.py::test_a_photograph_has_all_it_says_in_its_row",
    ),
    (
        "NULL ciphers are never on",
        "network/test_node_tls.py::test_a_suite_without_encryption_is_never_agreed",
    ),
)
FOUND_UNTRUE: tuple[tuple[str, str], ...] = (
    (
        "Rendered pictures of grey objects go through the modality and VOI",
        "network/test_node_rendered.py::test_a_picture_is_within_one_grey_level_of_dcmj2pnm",
    ),
    (
        "Whichever way an object comes",
        "network/test_storage_classes.py::"
        "test_a_class_of_nobody_is_refused_by_every_way_until_the_settings_add_it",
    ),
    (
        "A unique key that is missing, empty or a wildcard is refused",
        "network/test_node_keys_agree.py::"
        "test_a_retrieval_without_its_unique_keys_is_refused_and_gives_nothing",
    ),
    (
        "Metadata carry Pixel Data, and other binary values of more than 64 KiB",
        HERE + "test_small_profiles_stand_in_metadata_and_large_ones_are_referred_to",
    ),
    (
        "`archiver media` is a file-set creator",
        "handover/test_media.py::test_its_directory_says_what_an_outside_maker_of_directories_says",
    ),
    ("C-FIND is hierarchical", HERE + "test_find_is_hierarchical_and_qido_asks_at_any_level"),
)


@cache
def _told() -> tuple[str, ...]:
    return tuple(claims(STATEMENT.read_text("utf-8")))


@cache
def _tests_of(file: str) -> frozenset[str]:
    tree = ast.parse((TESTS / file).read_text("utf-8"))
    return frozenset(one.name for one in ast.walk(tree) if isinstance(one, ast.FunctionDef))


def test_there_are_35_of_them() -> None:
    assert len({claim for claim, _ in DRAWN}) == 35


@pytest.mark.parametrize(("claim", "proof"), [*DRAWN, *FOUND_UNTRUE])
def test_the_claim_stands_in_the_statement_and_its_proof_among_the_tests(
    claim: str, proof: str
) -> None:
    assert any(one.startswith(claim) for one in _told())
    file, _, name = proof.partition("::")
    assert name in _tests_of(file)


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    folder = tmp_path_factory.mktemp("claims")
    with serving(folder / "archive") as one:
        large = samples.jpeg(600, 800)
        objects = [
            samples.photograph(1, frame=large, Rows=600, Columns=800, ICCProfile=b"\1" * 3000),
            samples.photograph(2, study=2, series=2, ICCProfile=b"\1" * 70_000),
        ]
        store(one.dimse.port, *(samples.save(ds, folder) for ds in objects))
        yield one


def _get(node: Node, ending: str, study: int = 1, **headers: str) -> httpx.Response:
    assert node.web is not None
    where = f"/studies/{samples.study_uid(study)}/series/{samples.series_uid(study)}"
    where += f"/instances/{samples.instance_uid(study)}"
    base = f"http://127.0.0.1:{node.web.port}/dicomweb"
    return httpx.get(base + where + ending, headers=headers, timeout=PATIENCE)


def test_thumbnails_are_at_most_256_pixels(node: Node) -> None:
    for ending, side in (("/thumbnail", 256), ("/thumbnail?viewport=300,300", 300)):
        assert max(Image.open(io.BytesIO(_get(node, ending).content)).size) == side


def test_annotation_is_ignored(node: Node) -> None:
    plain = _get(node, "/rendered")
    with_more = _get(node, "/rendered?annotation=patient,technique&iccprofile=srgb")
    assert with_more.status_code == 200 and with_more.content == plain.content


def test_accept_as_a_parameter_outranks(node: Node) -> None:
    answer = _get(node, "/rendered?accept=image/png", Accept="image/jpeg")
    assert answer.headers["content-type"] == "image/png"


def test_small_profiles_stand_in_metadata_and_large_ones_are_referred_to(node: Node) -> None:
    small, large = (_get(node, "/metadata", study).json()[0]["00282000"] for study in (1, 2))
    assert "InlineBinary" in small and "BulkDataURI" in large
    for study in (1, 2):
        assert "BulkDataURI" in _get(node, "/metadata", study).json()[0]["7FE00010"]


def test_find_is_hierarchical_and_qido_asks_at_any_level(node: Node, tmp_path: Path) -> None:
    words = ["findscu", "-d", "-S", "-aec", TITLE, "-k", "QueryRetrieveLevel=SERIES"]
    words += ["-k", "SeriesInstanceUID"]
    port = str(node.dimse.port)
    assert "0xa900" in run(*words, "127.0.0.1", port).stdout.lower()
    words += ["-k", f"StudyInstanceUID={samples.study_uid(1)}"]
    for name, found in (("Okafor*", True), ("Nobody*", False)):
        told = run(*words, "-k", f"PatientName={name}", "127.0.0.1", port).stdout
        assert (samples.series_uid(1) in told) is found
    assert node.web is not None
    url = f"http://127.0.0.1:{node.web.port}/dicomweb/instances?PatientName=Okafor*"
    assert len(httpx.get(url, timeout=PATIENCE).json()) == 2


def test_the_first_syntax_that_is_offered_is_taken(node: Node) -> None:
    ways = ["1.2.840.10008.1.2.4.90", "1.2.840.10008.1.2.4.50", "1.2.840.10008.1.2.1"]
    for order in (ways, ways[::-1], ["1.2.3.4", *ways[1:]]):
        entity = AE()
        entity.requested_contexts = [build_context(samples.PHOTOGRAPH, order)]
        link = entity.associate("127.0.0.1", node.dimse.port, ae_title=TITLE)
        taken = str(link.accepted_contexts[0].transfer_syntax[0])
        link.release()
        assert taken == next(one for one in order if one != "1.2.3.4")


def test_kept_files_are_files_of_ps3_10(node: Node) -> None:
    for number in (1, 2):
        path = node.archive.path_of(samples.instance_uid(number))
        assert path is not None and path.read_bytes()[128:132] == b"DICM"
        assert dcmread(path).file_meta.MediaStorageSOPInstanceUID
        assert run("dcmftest", path).returncode == 0


def _port(url: str) -> int:
    return int(url.rpartition(":")[2].partition("/")[0])


def test_the_trail_goes_nowhere(tmp_path: Path) -> None:
    with Archive.open(new_archive(tmp_path / "archive"), actor="tests") as archive:
        add_files(archive, [samples.save(samples.photograph(1), tmp_path)])
    with Served(tmp_path / "archive") as served:
        answer = httpx.get(f"{served.web}/dicomweb/studies", timeout=PATIENCE)
        assert answer.status_code == 200
        # Whatever it has open is what others have opened to it.
        process = psutil.Process(served.process.pid)
        for one in process.net_connections("inet"):
            ours = _port(served.web), served.port
            assert one.laddr.port in ours
