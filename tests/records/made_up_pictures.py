"""Pictures and treatments as plain values, for tests of the rules."""

from __future__ import annotations

from datetime import date

from archiver.dentition.teeth import Tooth
from archiver.records.episodes import Episode
from archiver.records.model import Instance, RecordPerson
from archiver.records.pictures import RecordPicture

PERSON = RecordPerson("T-1", "RIVERBEND", "Okafor^Nadia", "1988-02-17", "F")
DAY = date(2026, 3, 4)


def instance(
    number: int = 1,
    view: str = "frontal",
    teeth: tuple[str, ...] = (),
    day: date | str = DAY,
    *,
    person: RecordPerson = PERSON,
    description: str = "",
    size: int = 4000,
    **other: object,
) -> Instance:
    """A photograph as the index has it."""
    said: dict[str, object] = {
        "uid": f"1.2.3.{number}",
        "series": "1.2.2.1",
        "study": f"1.2.1.{day}".replace("-", ""),
        "sop_class": "1.2.840.10008.5.1.4.1.1.77.1.4",
        "person": person,
        "modality": "XC",
        "date": str(day),
        "time": "09:00:00",
        "acquired": f"{day}090500".replace("-", ""),
        "description": description,
        "teeth": teeth,
        "view": view,
        "surface": "",
        "mirror": "direct",
        "confirmed": True,
        "role": "original",
        "laterality": "",
        "rows": size * 2 // 3,
        "columns": size,
        "path": f"objects/1/{number}.dcm",
        "size": 1000,
        "digest": f"{number:064x}",
        "source": f"{number + 10**6:064x}",
        "seq": number,
        "added": f"{day}T18:00:00.000+00:00",
        "who": "assistant",
        **other,
    }
    return Instance(**said)  # type: ignore[arg-type]


def picture(
    number: int = 1,
    view: str = "frontal",
    teeth: tuple[str, ...] = (),
    day: date = DAY,
    *,
    mirror: bool | None = None,
    stage: str = "",
    confirmed_by: str = "Haugen^Liv",
    description: str = "",
    size: int = 4000,
    figures: dict[str, float] | None = None,
    certainty: str = "",
    frame: str | None = "",
    functional_state: str = "",
    magnification: str = "",
    seen_from: str = "",
    acquired: str | None = None,
) -> RecordPicture:
    """A photograph as the rules see it; an arch is taken through a mirror unless said."""
    through = view.endswith("arch") if mirror is None else mirror
    one = instance(
        number,
        view,
        teeth,
        day,
        description=description,
        size=size,
        mirror="uncorrected" if through else "direct",
        confirmed=bool(confirmed_by),
        **({} if acquired is None else {"acquired": acquired}),
    )
    return RecordPicture(
        (one,),
        frozenset(teeth),
        view,
        through,
        bool(confirmed_by),
        confirmed_by,
        stage,
        figures or {},
        certainty=certainty,
        frame=frame,
        functional_state=functional_state,
        magnification=magnification,
        seen_from=seen_from,
    )


def tooth(iso: str) -> Tooth:
    return Tooth(int(iso[0]), int(iso[1]))


def episode(
    treatment: str,
    teeth: tuple[str, ...] = (),
    start: date = DAY,
    prepared: date | None = None,
    finished: date | None = None,
) -> Episode:
    named = tuple(map(tooth, teeth))
    return Episode(2, "T-1", "RIVERBEND", named, treatment, start, prepared, finished)
