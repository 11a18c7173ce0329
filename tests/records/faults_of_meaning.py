"""Faults of completeness, of single objects and their times, and of patients."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta

from fault_scene import AFTER, ARCHES, DIRECT, FAULTS, Put, Scene, entered, fault, pictured, tweaked
from made_up_archive import RESTORED, VISITED, camera_file, row
from pydicom import Dataset
from pydicom.uid import generate_uid

from archiver.objects.session import Circumstances, Visit

# Completeness


@fault("view-missing")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    views = ("frontal", "right buccal", *ARCHES)
    gone = scene.number(1, 2)
    for view in scene.world.rng.permutation(views)[:gone]:
        case.shots.remove(case.shot(str(view)))
    scene.told("view-missing", case, times=gone)


@fault("view-too-few")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    case.shots.remove(case.shot("left buccal"))
    scene.told("view-too-few", case)


@fault("view-recommended")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    case.shots.remove(case.shot("smile"))
    scene.told("view-recommended", case)


entered("mirror-not-allowed", ARCHES, mirror=False)
entered("confirmer-not-allowed", ("frontal",), confirmed_by="Vale^Iris")
entered("side-unconfirmed", ("right buccal", "left buccal", *ARCHES), confirmed_by="")
entered("consent-absent", (*DIRECT, *ARCHES), circumstances=Circumstances())
pictured(
    "quality-below-rule",
    ("frontal",),
    lambda s: camera_file(s.world.seed(), AFTER, s.number(66, 88), 64),
)
pictured(
    "picture-small",
    (*DIRECT[1:], *ARCHES),
    lambda s: camera_file(s.world.seed(), AFTER, s.number(32, 56), 40),
)


@fault("view-outside-window")
def _(scene: Scene) -> None:
    case = scene.restored()
    late = VISITED + timedelta(days=scene.number(36, 70))
    old = case.shots.pop()
    visit = Visit(late, time(9), "", RESTORED)
    teeth = "".join(t.iso for t in old.photograph.teeth)
    new = scene.world.shoot(case.patient, visit, "buccal", teeth, False, "finished")
    case.shots.append(new)
    scene.told("view-outside-window", case, "visit-without-episode", at=[new])


@fault("stage-not-told")
def _(scene: Scene) -> None:
    case = scene.restored()
    shot = case.shots[1]
    shot.photograph = replace(shot.photograph, circumstances=Circumstances(consent="record"))
    scene.told("stage-not-told", case, at=[shot])


@fault("taken-too-late")
def _(scene: Scene) -> None:
    case = scene.restored()
    shot = case.shots[0]
    late = AFTER + timedelta(minutes=scene.number(60, 200))
    shot.data = camera_file(scene.world.seed(), late)
    scene.told("taken-too-late", case, at=[shot])


@fault("view-substituted")
def _(scene: Scene) -> None:
    case = scene.restored()
    old = case.shots[0]
    arch = f"{old.photograph.teeth[0].arch.value} occlusal arch"
    case.shots[0] = scene.world.shoot(case.patient, old.visit, arch, "", True, "start")
    scene.told("view-substituted", case, at=case.shots[:1])


@fault("episode-without-photographs")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    day = date(2025, scene.number(1, 9), scene.number(1, 28))
    scene.rows.append(row(case.patient, str(scene.pick((37, 14, 25))), "Ceramic onlay", day, day))
    scene.told("episode-without-photographs", case)


@fault("episode-unknown-patient")
def _(scene: Scene) -> None:
    patient = scene.world.person()
    scene.rows.append(row(patient, "16", "Root filling", VISITED))
    label = f"{patient.id} ({patient.issuer})"
    scene.put.append(Put("episode-unknown-patient", (), {label}))


@fault("episode-unreadable")
def _(scene: Scene) -> None:
    patient = scene.world.person()
    good = [patient.id, "", "36", "ISO 3950", "Filling", VISITED.isoformat(), "", ""]
    wrong = (
        (2, "19"),
        (3, ""),
        (5, "31.02.2026"),
        (5, "soon"),
        (5, ""),
        (4, ""),
        (6, "2025-01-01"),
    )
    column, cell = scene.pick(wrong)
    good[column] = cell
    scene.rows.append(good)
    scene.put.append(Put("episode-unreadable", (), paths={f"row of {patient.id}"}))


@fault("visit-without-episode")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    case.rows.clear()
    scene.told("visit-without-episode", case)


# Single objects

tweaked(
    "object-invalid",
    (*DIRECT, *ARCHES),
    lambda ds, _: setattr(ds, "BurnedInAnnotation", "PERHAPS"),
)
tweaked("object-doubtful", DIRECT, lambda ds, _: setattr(ds, "LossyImageCompressionRatio", "900"))
tweaked(
    "side-contradiction",
    ("right buccal", "left buccal"),
    lambda ds, _: setattr(ds, "ImageLaterality", {"R": "L", "L": "R"}[ds.ImageLaterality]),
    "side-contradiction",  # more than one rule of the validator is broken by it
)
tweaked(
    "view-unknown",
    ("left buccal",),
    lambda ds, _: delattr(ds, "ViewCodeSequence"),
    "view-too-few",
    "object-doubtful",
    "object-invalid",
)


tweaked(
    "mirror-unknown",
    DIRECT,
    lambda ds, _: setattr(ds, "PatientOrientation", ""),
    "object-doubtful",
    "object-invalid",
    "side-contradiction",
)


@fault("tooth-unknown")
def _(scene: Scene) -> None:
    case = scene.restored()

    def unknown(ds: Dataset) -> None:
        for item in ds.PrimaryAnatomicStructureSequence:
            item.CodeValue, item.CodeMeaning = "99999", "some tooth"

    case.shots[2].tweaks.append(unknown)
    follow = ("view-missing", "object-doubtful", "object-invalid", "side-contradiction")
    scene.told("tooth-unknown", case, *follow, at=case.shots[2:])


@fault("tooth-not-of-age")
def _(scene: Scene) -> None:
    case = scene.restored()
    patient = replace(case.patient, birth_date=date(2024, scene.number(1, 12), 5))
    for shot in case.shots:
        shot.patient = patient
    scene.told("tooth-not-of-age", case, at=case.shots, times=3)


@fault("born-after-visit")
def _(scene: Scene) -> None:
    case = scene.restored()
    patient = replace(case.patient, birth_date=date(2026, 5, scene.number(1, 28)))
    for shot in case.shots:
        shot.patient = patient
    follow = ("object-invalid", "object-doubtful")
    scene.told("born-after-visit", case, *follow, at=case.shots, times=2)


@fault("tooth-extracted")
def _(scene: Scene) -> None:
    case = scene.restored()
    tooth = case.shots[0].photograph.teeth[0].iso
    day = date(2025, scene.number(1, 12), scene.number(1, 28))
    scene.rows.append(row(case.patient, tooth, "Extraction", day))
    scene.told("tooth-extracted", case, at=case.shots, times=3)


# Times


def acquired(kind: str, low: datetime, high: datetime, *also: str) -> None:
    """Register a fault of the camera's clock, anywhere between two times."""

    def change(ds: Dataset, scene: Scene) -> None:
        when = low + timedelta(seconds=scene.number(0, int((high - low).total_seconds())))
        ds.AcquisitionDateTime = f"{when:%Y%m%d%H%M%S}"

    tweaked(kind, DIRECT, change, "object-doubtful", *also, each=False)


def _forget(ds: Dataset, _: Scene) -> None:
    for name in ("AcquisitionDateTime", "AcquisitionDate", "AcquisitionTime"):
        if name in ds:
            delattr(ds, name)


acquired("date-outside-visit", AFTER - timedelta(days=40), AFTER - timedelta(days=2))
acquired("date-in-future", datetime(2027, 2, 1), datetime(2035, 12, 31))
acquired("clock-at-default", datetime(2012, 1, 1), datetime(2012, 1, 1, 23, 59))
acquired("clock-after-archiving", datetime(2026, 5, 4), datetime(2026, 6, 14))
acquired("clock-spread", AFTER + timedelta(hours=7), AFTER + timedelta(hours=14))
tweaked("date-missing", DIRECT, _forget, "object-doubtful")


@fault("visit-date-missing")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    shot = scene.extra(case)
    shot.tweaks.append(lambda ds: setattr(ds, "StudyDate", ""))
    scene.told("visit-date-missing", case, at=[shot])


# Patients

_ALL = (*DIRECT, *ARCHES)


@fault("patient-name-differs")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    sister = case.patient.name.split("^")[0] + "^Xquz"  # a family's name is no witness
    other = scene.pick(("Qvist^Otto", "Xylander^Yrsa", "Wyk^Uhuru", sister))
    shot = case.shot(scene.pick(_ALL))
    shot.tweaks.append(lambda ds: setattr(ds, "PatientName", other))
    scene.told("patient-name-differs", case)


@fault("patient-name-spelling")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    family, given = case.patient.name.split("^")
    other = scene.pick(
        (f"{family}^{given}son", f"{family}^{given}^Q", f"{family}-Ek^{given}", f"Vale^{given}")
    )
    shot = case.shot(scene.pick(_ALL))
    shot.tweaks.append(lambda ds: setattr(ds, "PatientName", other))
    scene.told("patient-name-spelling", case)


tweaked(
    "patient-birth-date-differs",
    _ALL,
    lambda ds, s: setattr(ds, "PatientBirthDate", f"19{s.number(30, 59)}0809"),
    each=False,
)
tweaked("patient-sex-differs", _ALL, lambda ds, _: setattr(ds, "PatientSex", "O"), each=False)


@fault("patient-without-id")
def _(scene: Scene) -> None:
    case = scene.restored()
    shot = scene.extra(case, "close-up", teeth="11")
    shot.tweaks.append(lambda ds: setattr(ds, "PatientID", ""))
    follow = ("study-two-patients", "visit-without-episode", "object-doubtful")
    scene.told("patient-without-id", case, *follow, at=[shot]).patients.add(
        f"(no identifier) ({case.patient.issuer})"
    )


@fault("patient-two-ids")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    twin = replace(case.patient, id=case.patient.id.replace("T", "U"))
    scene.told("patient-two-ids", scene.orthodontic(patient=twin)).patients.add(case.label)


@fault("radiographs-other-id")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    other = f"X{case.patient.id}"
    scene.radiograph(case, patient=other)
    scene.told("radiographs-other-id", case).patients.add(f"{other} (RIVERBEND)")


@fault("radiographs-other-issuer")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    other = scene.pick(("HILLTOP", "SEAGATE", ""))
    scene.radiograph(case, issuer=other)
    told = scene.told("radiographs-other-issuer", case)
    told.patients.add(f"{case.patient.id} ({other})" if other else case.patient.id)


@fault("study-two-patients")
def _(scene: Scene) -> None:
    case, other = scene.orthodontic(), scene.orthodontic()
    p = other.patient

    def move(ds: Dataset) -> None:
        ds.PatientID, ds.PatientName, ds.PatientSex = p.id, p.name, p.sex
        ds.PatientBirthDate = f"{p.birth_date:%Y%m%d}"

    scene.extra(case, scene.pick(DIRECT)).tweaks.append(move)
    scene.told("study-two-patients", case).patients.add(other.label)


@fault("series-two-studies")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    uid = generate_uid()
    scene.extra(case, scene.pick(DIRECT)).tweaks.append(
        lambda ds: setattr(ds, "StudyInstanceUID", uid)
    )
    scene.told("series-two-studies", case)


__all__ = ["FAULTS"]
