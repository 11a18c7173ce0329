"""How fast an index of 100,000 made-up instances answers, or of 20,000 with ``--brief``.

Run: ``python tests/benchmarks/bench_query.py [--brief] [--check]``. The figures printed are
medians and the slowest of many different questions; the slowest has to keep the limit.
"""

from __future__ import annotations

import random
import statistics
import sys
import time
from collections.abc import Iterable, Iterator

import pytest

from archiver.archive.query import Query, Record, RecordOrder, answer
from archiver.archive.store.index import Index, IndexedInstance
from archiver.archive.store.journal_lines import START
from archiver.archive.store.known_people import patients_in_doubt
from archiver.archive.store.layout import Layout
from archiver.archive.store.sqlite import reading_engine, writing_engine
from archiver.dentition.sights import sight
from archiver.dentition.teeth import PERMANENT_TEETH, Tooth
from archiver.dentition.views import View
from archiver.objects.concepts import VL_PHOTOGRAPHIC_IMAGE
from archiver.objects.description import Description

INSTANCES = 20_000 if "--brief" in sys.argv else 100_000
PATIENTS = INSTANCES // 40
VISITS = 4
LIMIT = 0.020  # seconds

_FAMILIES = ("Ødegård", "Okafor", "Brânză", "Nakamura", "Petrov", "Lindqvist", "Sá", "Abara")
_GIVEN = ("Liv", "Nadia", "Ilinca", "Haru", "Mila", "Åse", "João", "Chidi")
#: Kinds of pictures of a visit, by weight: single teeth, arches, the mouth, radiographs.
_KINDS = (["tooth"] * 12) + ["upper", "lower", "right", "left", "frontal"] + ["radiograph"] * 3
_WHOLE = {
    "upper": View.UPPER_OCCLUSAL_ARCH,
    "lower": View.LOWER_OCCLUSAL_ARCH,
    "right": View.RIGHT_BUCCAL,
    "left": View.LEFT_BUCCAL,
    "frontal": View.FRONTAL,
}


def _facing(tooth: Tooth, chance: random.Random) -> View:
    wanted = chance.choice((View.OCCLUSAL, View.OCCLUSAL, View.BUCCAL, View.BUCCAL, View.LINGUAL))
    return sight(wanted, (tooth,)).view


def made_up(count: int, seed: int = 20260304) -> Iterator[Description]:
    """Descriptions of a practice's photographs and radiographs."""
    chance = random.Random(seed)
    for number in range(count):
        patient = number * PATIENTS // count
        visit = number * PATIENTS * VISITS // count
        kind = chance.choice(_KINDS)
        teeth: tuple[Tooth, ...] = ()
        view = _WHOLE.get(kind)
        if kind in ("tooth", "radiograph"):
            tooth = chance.choice(PERMANENT_TEETH)
            behind = tooth.distal_neighbour
            teeth = (tooth, behind) if behind and chance.random() < 0.3 else (tooth,)
            view = _facing(tooth, chance) if kind == "tooth" else None
        photograph = kind != "radiograph"
        yield Description(
            patient_id=f"P-{patient:05}",
            issuer="RIVERBEND",
            patient_name=f"{_FAMILIES[patient % 8]}^{_GIVEN[patient // 8 % 8]}^{patient}",
            birth_date="19880217",
            sex="O",
            study_uid=f"2.25.1.{visit}",
            series_uid=f"2.25.2.{visit}.{int(photograph)}",
            sop_instance_uid=f"2.25.3.{number}",
            sop_class_uid=VL_PHOTOGRAPHIC_IMAGE if photograph else "1.2.840.10008.5.1.4.1.1.1.3",
            modality="XC" if photograph else "IO",
            study_date=f"20{20 + visit % 7:02}{1 + visit // 7 % 12:02}{1 + visit // 84 % 28:02}",
            study_time="142000",
            acquired="",
            accession=f"A-{visit}",
            study_description="Recall",
            series_description="Photographs, right way round",
            instance_number=number % 40,
            rows=4000,
            columns=6000,
            laterality="R",
            orientation=None,
            teeth=teeth,
            arch=None,
            view=view,
            surface=None,
            mirror=chance.choice(("direct", "corrected", "uncorrected")) if photograph else None,
            confirmed=chance.random() < 0.7 if photograph else None,
            confirmed_by="",
            role="derived" if photograph else None,
            source_uids=(),
            turn=None,
        )


def fill(index: Index, descriptions: Iterable[Description]) -> None:
    batch: list[IndexedInstance] = []
    for number, d in enumerate(descriptions, start=1):
        path = f"objects/{d.study_uid}/{d.series_uid}/{d.sop_instance_uid}.dcm"
        digest = f"{number:064x}"
        batch.append(
            IndexedInstance(d, path, 8_200_000, digest, digest, number, "2026-03-04T12:00:00+00:00")
        )
        if len(batch) == 2000:
            index.add(batch, START)
            batch = []
    index.add(batch, START)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Index, Layout]]:
    layout = Layout(tmp_path_factory.mktemp("archive"))
    index = Index(writing_engine(layout.index), layout.index)
    index.prepare()
    began = time.perf_counter()
    fill(index, made_up(INSTANCES))
    index.close()
    took = time.perf_counter() - began
    size = layout.index.stat().st_size / 1e6
    print(f"\n{INSTANCES} instances indexed in {took:.1f} s, {size:.0f} MB")
    index = Index(reading_engine(layout.index), layout.index)
    yield index, layout
    index.close()


def ask(filled: tuple[Index, Layout], query: Query) -> tuple[float, list[Record]]:
    index, layout = filled
    began = time.perf_counter()
    with index.reading() as connection:
        records = answer(connection, query, layout)
    return time.perf_counter() - began, records


def measure(filled: tuple[Index, Layout], name: str, queries: list[Query]) -> float:
    """Return the time of the slowest question; of five askings the best counts."""
    times, counts = [], []
    for query in queries:
        asked = [ask(filled, query) for _ in range(5)]
        times.append(min(took for took, _ in asked))
        counts.append(len(asked[0][1]))
    assert sum(counts)
    print(
        f"{name:44} median {statistics.median(times) * 1e3:6.2f} ms, "
        f"slowest {max(times) * 1e3:6.2f} ms, {min(counts)} to {max(counts)} records"
    )
    return max(times)


def test_all_instances_of_a_patient_come_within_the_limit(filled: tuple[Index, Layout]) -> None:
    queries = [Query(patient_id=f"P-{n:05}") for n in range(0, PATIENTS, 25)]
    assert measure(filled, "by patient", queries) < LIMIT
    queries = [Query(patient_id=f"P-{n:05}", issuer="RIVERBEND") for n in range(0, PATIENTS, 25)]
    assert measure(filled, "by patient and issuer", queries) < LIMIT


def test_a_tooth_of_a_patient_comes_within_the_limit(filled: tuple[Index, Layout]) -> None:
    queries = [
        Query(patient_id=f"P-{n:05}", teeth=(tooth,))
        for n, tooth in zip(range(0, PATIENTS, 75), PERMANENT_TEETH, strict=False)
    ]
    assert measure(filled, "by patient and tooth", queries) < LIMIT
    queries = [
        Query(patient_id=f"P-{n:05}", teeth=(tooth,), view=view)
        for n, tooth in zip(range(0, PATIENTS, 75), PERMANENT_TEETH, strict=False)
        for view in ("occlusal", "buccal")
    ]
    assert measure(filled, "by patient, tooth and view", queries) < LIMIT


def test_a_tooth_in_a_view_over_all_patients_comes_within_the_limit(
    filled: tuple[Index, Layout],
) -> None:
    queries = [
        Query(teeth=(tooth,), view=view, limit=200)
        for tooth in PERMANENT_TEETH
        for view in ("occlusal", "buccal", "lingual")
    ]
    assert measure(filled, "by tooth and view, 200 newest", queries) < LIMIT
    queries = [
        Query(teeth=(tooth,), view=view, since="2026-01-01")
        for tooth in PERMANENT_TEETH[:16]
        for view in ("lingual", "palatal")
    ]
    assert measure(filled, "by tooth and view since a date", queries) < LIMIT


def test_every_instance_of_a_tooth_in_a_view_comes_within_the_limit(
    filled: tuple[Index, Layout],
) -> None:
    queries = [Query(teeth=(tooth,), view="lingual") for tooth in PERMANENT_TEETH]
    assert measure(filled, "by tooth and lingual view, all", queries) < LIMIT
    # With the arches that contain the tooth this is one instance in eighteen: told, not limited.
    queries = [Query(teeth=(tooth,), view="occlusal") for tooth in PERMANENT_TEETH]
    measure(filled, "by tooth and occlusal view, all", queries)


def test_names_and_days_come_within_the_limit(filled: tuple[Index, Layout]) -> None:
    names = ["ødegård^*^8", "OKAFOR^nadia^9", "brânză^*1?0", "*^åse^2414"]
    assert measure(filled, "by name with wildcards", [Query(name=n) for n in names]) < LIMIT
    days = [Query(since=f"2024-{m:02}-03", until=f"2024-{m:02}-03") for m in range(1, 13)]
    assert measure(filled, "by day", days) < LIMIT


def test_the_newest_come_within_the_limit(filled: tuple[Index, Layout]) -> None:
    queries = [Query(limit=50, order=order) for order in RecordOrder]
    assert measure(filled, "newest, oldest, last added 50", queries) < LIMIT


def test_patients_of_doubtful_identity_come_within_the_limit(
    filled: tuple[Index, Layout],
) -> None:
    index, layout = filled
    times = []
    for _ in range(5):
        began = time.perf_counter()
        with index.reading() as connection:
            assert patients_in_doubt(connection, layout.root) == []
        times.append(time.perf_counter() - began)
    print(f"{'patients of doubtful identity':44} {min(times) * 1e3:6.2f} ms")
    assert min(times) < LIMIT


if __name__ == "__main__":
    # The limits fail a run only where that is asked for: a busy machine passes them by chance.
    outcome = pytest.main(["-s", "-p", "no:cacheprovider", __file__])
    sys.exit(outcome if "--check" in sys.argv else 0)
