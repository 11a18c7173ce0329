"""Examples:

  archiver consent --patient-id P-0417 --purpose laboratory --noted-by "Haugen^Liv"
  archiver consent --patient-id P-0417 --purpose teaching --noted-by "Haugen^Liv" --until 2027-03-04
  archiver consent --patient-id P-0417 --purpose teaching --noted-by "Haugen^Liv" --withdrawn
  archiver consent --patient-id P-0417 --purpose referral --noted-by "Haugen^Liv" \
    --to "North clinic" --visit STUDY-UID --given-by parent --giver "Okafor^Amara" \
    --form signed.pdf
  archiver consent --patient-id P-0417

Notes that a patient has consented to a hand-over of photographs for a purpose, or has withdrawn
the consent; without --purpose it says what is on record. A withdrawal holds for every later
package; packages that are outside already are listed with it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.cli.command import Option, Options, verb
from archiver.cli.parameters import DAY, FILE, FOLDER, PURPOSE, Choice
from archiver.errors import InputError, ObjectError, Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.archive.statements import Consent, ConsentScope, HandedOver
    from archiver.archive.store import Archive


@verb(
    Option("--archive", type=FOLDER, help="archive to note it in"),
    Option("--patient-id", required=True, metavar="ID"),
    Option("--issuer", help="who issued the patient identifier"),
    Option("--purpose", type=PURPOSE),
    Option("--noted-by", metavar="NAME", help="who notes it, as family^given"),
    Option("--until", type=DAY, not_with=["withdrawn"], help="last day on which it holds"),
    Option("--to", metavar="NAME", help="the only recipient, as named at handover"),
    Option(
        "--visit",
        multiple=True,
        metavar="STUDY-UID",
        not_with=["withdrawn"],
        help="limit it to this visit; may be given repeatedly",
    ),
    Option(
        "--picture",
        multiple=True,
        metavar="SOP-UID",
        not_with=["withdrawn"],
        help="limit it to this picture; may be given repeatedly",
    ),
    Option("--form", type=FILE, not_with=["withdrawn"], help="the signed paper, scanned as PDF"),
    Option("--given-by", type=Choice(("patient", "parent", "guardian"))),
    Option("--giver", metavar="NAME", help="of the parent or guardian, as family^given"),
    Option("--withdrawn", is_flag=True, help="the patient has withdrawn it"),
    Option("--json", is_flag=True, help="what is on record, as JSON"),
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.statements import consents_of, patient_of
    from archiver.archive.store import Archive
    from archiver.cli.practice_archive import writable_folder
    from archiver.cli.settings import read_settings

    practice = read_settings()
    if options.purpose is None:
        said = (options.noted_by, options.until, options.withdrawn, options.to, options.visit,
                options.picture, options.form, options.given_by, options.giver)  # fmt: skip
        if any(said):
            raise UsageError(Problem("cli.consent.to_what").at("archiver consent"))
        with Archive.open(options.archive or practice.archive, read_only=True) as archive:
            patient = patient_of(archive, options.patient_id, options.issuer)
            return _print_consents(consents_of(archive.layout.root, *patient), [], options)
    if not (options.noted_by or "").strip("^ "):
        raise UsageError(Problem("cli.consent.by_whom").at("archiver consent"))
    return _note(writable_folder(options, practice), options)


def _note(folder: Path, options: Options) -> int:
    from archiver.archive.statements import (
        GIVEN,
        WITHDRAWN,
        ConsentScope,
        consents_of,
        note,
        patient_of,
    )
    from archiver.cli.context import now
    from archiver.cli.practice_archive import open_for_writing

    with open_for_writing(folder) as archive:
        patient = patient_of(archive, options.patient_id, options.issuer)
        about = ConsentScope(
            (options.to or "").strip(),
            tuple(options.visit),
            options.given_by or "",
            (options.giver or "").strip(),
            tuple(options.picture),
        )
        if options.form is not None:
            about = _with_form(archive, patient, about, options.form)
        note(
            archive,
            patient,
            options.purpose,
            by=options.noted_by.strip(),
            now=now(),
            until=options.until,
            state=WITHDRAWN if options.withdrawn else GIVEN,
            scope=about,
        )
        outside = _outside(archive, patient, options) if options.withdrawn else []
        return _print_consents(consents_of(archive.layout.root, *patient), outside, options)


def _with_form(
    archive: Archive, patient: tuple[str, str], about: ConsentScope, path: Path
) -> ConsentScope:
    """Keep the signed paper, and return the scope that names it."""
    from archiver.archive.statements import attach_form, checked_scope
    from archiver.cli.context import now

    # Before the paper is kept: it is not left without its consent.
    about = checked_scope(archive, patient, about)
    visit = about.visits[0] if about.visits else ""
    try:
        form = attach_form(archive, patient, _read(path), now(), visit=visit)
    except ObjectError as error:
        raise ObjectError(*(one.at(file=str(path)) for one in error.problems)) from None
    return replace(about, form=form)


def _outside(archive: Archive, patient: tuple[str, str], options: Options) -> list[HandedOver]:
    """Return the packages outside that a withdrawal concerns."""
    from archiver.archive import Query
    from archiver.archive.statements import handovers

    asked = Query(patient_id=patient[0], issuer=patient[1], include_rejected=True)
    uids = {record.sop_instance_uid for record in archive.query(asked)}
    return [
        one
        for one in handovers(archive.layout.root)
        if one.purpose == options.purpose and uids & set(one.uids)
        if options.to is None or one.to == options.to.strip()
    ]


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        said = (error.strerror or str(error)).lower()
        raise InputError(
            Problem("cli.consent.unreadable", reason=said).at(file=str(path))
        ) from None


def _print_consents(consents: list[Consent], outside: list[HandedOver], options: Options) -> int:
    from archiver.cli.context import now

    today = now().date()
    if options.json:
        rows = [
            {
                **one.__dict__,
                "purpose": one.purpose.value,
                "until": one.until.isoformat() if one.until else None,
                "said_on": one.said_on.isoformat() if one.said_on else None,
                "holds": not one.against(today),
            }
            for one in consents
        ]
        print(json.dumps(rows, ensure_ascii=False, indent=2))
        return 0
    words = words_of()
    if not consents:
        print(words("cli.consent.none"))
    for one in consents:
        told = one.against(today) or _given(one)
        print(f"{one.purpose.value:<13} {told}{''.join(map(str, _scope(one)))}")
    for package in outside:
        given = {"case": package.case, "to": package.to, "day": package.when[:10]}
        print(words("cli.consent.outside", **given))
    return 0


def _scope(one: Consent) -> Iterator[str]:
    words = words_of()
    if one.recipient:
        yield words("cli.consent.scope.to", to=one.recipient)
    if one.visits:
        yield words("cli.consent.scope.visits", visits=one.visits)
    if one.pictures:
        yield words("cli.consent.scope.pictures", n=len(one.pictures))
    if one.form:
        yield words("cli.consent.scope.form", uid=one.form)
    if one.given_by:
        who = words(f"cli.consent.giver.{one.given_by}")
        yield words("cli.consent.scope.given_by", who=f"{who} {one.giver}".strip())


def _given(one: Consent) -> str:
    noted = {"on": one.noted_at[:10], "by": one.noted_by}
    if one.until:
        return words_of()("cli.consent.given_until", until=one.until, **noted)
    return words_of()("cli.consent.given", **noted)
