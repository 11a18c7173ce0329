"""Do tooth, side, region, surface, view, mirror, orientation and derivation agree?

No rule here can know what is in the picture. They find what contradicts itself.
"""

from __future__ import annotations

from archiver.dentition import Orientation, Side, Surface, Turn, codes
from archiver.standard.coded_rules import concept_of
from archiver.standard.depiction import Depiction, NamedTooth, SourceImage, depiction_of
from archiver.standard.dictionary import tag_of
from archiver.standard.elements import Item
from archiver.standard.report import ObjectFindings
from archiver.wording import Text

_DEVICES = "DeviceSequence"
_LATERALITY = 0x00200062
_ORIENTATION = 0x00200020
_VIEW = "ViewCodeSequence[1].CodeValue (0008,0100)"
_MODIFIER = "ViewCodeSequence[1].ViewModifierCodeSequence (0054,0222)"
_LETTER = {Side.RIGHT: "R", Side.LEFT: "L"}
_LATERAL = {codes.RIGHT_LATERAL.value: "R", codes.LEFT_LATERAL.value: "L"}
# The turn that a modifier of CID 4065 names.
_NAMED_TURNS = {
    codes.MIRRORED_CORRECTED_HORIZONTALLY.value: Turn.FLIP_LEFT_RIGHT,
    codes.MIRRORED_CORRECTED_VERTICALLY.value: Turn.FLIP_TOP_BOTTOM,
}


def check_clinical(dataset: Item, report: ObjectFindings) -> None:
    """Check what a picture says of teeth, side, view, mirror and derivation."""
    shown = depiction_of(dataset)
    check_teeth(shown, report)
    if dataset.text("Modality") != "XC":
        return
    _check_derivation(shown, dataset, report)
    if shown.is_dental:
        _check_view(shown, report)
        _check_truth(shown, dataset, report)
        _check_mirror(shown, dataset, report)


def _check_mirror(shown: Depiction, dataset: Item, report: ObjectFindings) -> None:
    """Check that a mirrored view names the mirror; a picture may have been flipped without one."""
    devices = {concept_of(one).value for one in dataset.items(_DEVICES)}
    mirrored = shown.is_corrected or shown.is_uncorrected
    if mirrored and codes.MIRROR_DEVICE.value not in devices:
        found = Text("standard.clinical.no_mirror")
        report.add_at("mirror-device-missing", "", tag_of(_DEVICES), found=found)


def check_teeth(shown: Depiction, report: ObjectFindings) -> None:
    """Check the teeth: codes, side, arch, surface. Holds for radiographs as well."""
    seen: set[str] = set()
    for named in shown.teeth:
        _check_code(named, report)
        if str(named.tooth) in seen:
            report.add(
                "tooth-twice",
                _code_at(named),
                found=Text("standard.clinical.tooth_again", iso=named.tooth.iso),
            )
        seen.add(str(named.tooth))
        for arch in shown.named_arches - {named.tooth.arch}:
            report.add(
                "tooth-contradicts-region",
                _code_at(named),
                found=Text(
                    "standard.clinical.tooth_region_jaw",
                    iso=named.tooth.iso,
                    arch=Text(f"dentition.tooth.{arch.value}"),
                ),
            )
    _check_sides(shown, report)
    if shown.all_anterior and Surface.OCCLUSAL in shown.surfaces:
        at = _code_at(shown.teeth[0])
        report.add(
            "surface-contradicts-tooth", at, found=Text("standard.clinical.occlusal_surface_front")
        )


def _code_at(named: NamedTooth) -> str:
    return f"{named.prefix}CodeValue (0008,0100)"


def _check_code(named: NamedTooth, report: ObjectFindings) -> None:
    value, scheme = named.concept.value, named.concept.scheme
    if not codes.is_current(value, scheme):
        current = codes.code_of(named.tooth)
        report.add(
            "tooth-code-earlier",
            _code_at(named),
            found=Text("standard.clinical.value_of_scheme", value=value, scheme=scheme),
            expected=Text("standard.clinical.sct_tooth", value=current.value, iso=named.tooth.iso),
        )
    other = _tooth_meant(named.concept.meaning)
    if other is not None and other != named.tooth.iso:
        report.add(
            "tooth-meaning-contradicts",
            f"{named.prefix}CodeMeaning (0008,0104)",
            found=Text("standard.clinical.meaning_tooth_code", other=other, iso=named.tooth.iso),
        )


def _tooth_meant(meaning: str) -> str | None:
    """Return the ISO number of the permanent or deciduous tooth that a meaning names."""
    from archiver.dentition import ALL_TEETH

    for tooth in ALL_TEETH:
        if codes.code_of(tooth).meaning.casefold() == meaning.casefold():
            return str(tooth.iso)
    return None


def _check_sides(shown: Depiction, report: ObjectFindings) -> None:
    side, letters = shown.laterality, {_LETTER[s] for s in shown.sides}
    if shown.region_side and side in ("R", "L", "B") and shown.region_side != side:
        report.add(
            "region-side-contradicts",
            "AnatomicRegionSequence[1].AnatomicRegionModifierSequence (0008,2220)",
            found=Text(
                "standard.clinical.side_image_laterality", region_side=shown.region_side, side=side
            ),
        )
    if not letters:
        return
    if side in ("R", "L"):
        strangers = [n for n in shown.teeth if _LETTER[n.tooth.side] != side]
        # A view of one side as a whole may name front teeth that reach over the midline.
        whole_side = shown.view in _LATERAL and not shown.surfaces
        if strangers and not (whole_side and all(n.tooth.is_anterior for n in strangers)):
            numbers = ", ".join(n.tooth.iso for n in strangers)
            report.add_at(
                "tooth-contradicts-laterality",
                "",
                _LATERALITY,
                found=Text("standard.clinical.tooth", side=side, numbers=numbers),
                expected="'B'" if len(letters) == 2 else f"'{letters.pop()}'",
            )
    elif side == "U" or (side == "B" and shown.surfaces and len(letters) == 1):
        report.add_at(
            "tooth-contradicts-laterality",
            "",
            _LATERALITY,
            found=Text("standard.clinical.teeth_side", side=side, letters=tuple(sorted(letters))),
            expected=Text(
                "standard.report.one_of", terms=tuple(f"'{letter}'" for letter in sorted(letters))
            ),
        )


def _check_view(shown: Depiction, report: ObjectFindings) -> None:
    lateral = _LATERAL.get(shown.view)
    if lateral and shown.laterality and shown.laterality != lateral:
        found = Text(
            "standard.clinical.lateral_view_side", lateral=lateral, laterality=shown.laterality[:4]
        )
        report.add("view-contradicts-side", _VIEW, found=found)
    occlusal_view = shown.view == codes.OCCLUSAL_PROJECTION.value
    if shown.surfaces and shown.view:
        occlusal = Surface.OCCLUSAL in shown.surfaces
        known = occlusal_view or lateral or shown.view == codes.FRONTAL.value
        if known and occlusal != occlusal_view:
            words = ", ".join(sorted(s.value for s in shown.surfaces))
            report.add(
                "view-contradicts-surface",
                _VIEW,
                found=Text("standard.clinical.view_surfaces", words=words),
            )
    one_side_of_back_teeth = len(shown.sides) == 1 and not any(
        named.tooth.is_anterior for named in shown.teeth
    )
    if shown.view == codes.FRONTAL.value and shown.surfaces and one_side_of_back_teeth:
        report.add(
            "view-contradicts-side", _VIEW, found=Text("standard.clinical.frontal_view_back")
        )
    if codes.ANTERIOR_TEETH.value in shown.modifiers and shown.teeth and not shown.all_anterior:
        report.add(
            "modifier-contradicts-teeth",
            _MODIFIER,
            found=Text("standard.clinical.anterior_teeth_others"),
        )
    if shown.is_uncorrected and shown.is_corrected:
        report.add(
            "modifiers-contradict",
            _MODIFIER,
            found=Text("standard.clinical.corrected_uncorrected_at"),
        )


def _check_truth(shown: Depiction, dataset: Item, report: ObjectFindings) -> None:
    """Rows x columns is where a true picture looks, the opposite for a reflected one."""
    looking, orientation = shown.looking, shown.orientation
    if orientation is None:
        if dataset.get("PatientOrientation") is not None and looking is not None:
            report.add_at(
                "orientation-unknown",
                "",
                _ORIENTATION,
                found=Text("standard.clinical.no_orientation"),
            )
        return
    if looking is None:
        return
    if orientation.normal not in (looking, looking.opposite):
        report.add_at(
            "orientation-contradicts-view",
            "",
            _ORIENTATION,
            found=Text(
                "standard.clinical.plane_across_axis",
                orientation=orientation,
                word=orientation.normal.word,
            ),
            expected=Text("standard.clinical.plane_across_looking", word=looking.word),
        )
        return
    reflected = orientation.normal is not looking
    if reflected and not shown.is_uncorrected:
        report.add_at(
            "truth-test",
            "",
            _ORIENTATION,
            found=Text("standard.clinical.which_reflection_view", orientation=orientation),
        )
    elif not reflected and shown.is_uncorrected:
        report.add_at(
            "truth-test",
            "",
            _ORIENTATION,
            found=Text("standard.clinical.which_true_view", orientation=orientation),
        )


def _check_derivation(shown: Depiction, dataset: Item, report: ObjectFindings) -> None:
    if shown.image_type == "ORIGINAL":
        if shown.sources:
            report.add_at("original-with-source", "", tag_of("ImageType"), found="'ORIGINAL'")
        if shown.is_corrected:
            report.add(
                "original-but-corrected",
                _MODIFIER,
                found=Text("standard.clinical.correction_original"),
            )
    elif (
        shown.image_type == "DERIVED"
        and not shown.sources
        # De-identification takes the reference away (PS3.15 table E.1-1).
        and dataset.text("PatientIdentityRemoved") != "YES"
    ):
        report.add_at("derived-without-source", "", tag_of("ImageType"), found="'DERIVED'")
    for source in shown.sources:
        if source.orientation is not None and shown.orientation is not None:
            check_turn(shown, source.orientation, source, report)


def check_turn(
    shown: Depiction, before: Orientation, source: SourceImage, report: ObjectFindings
) -> None:
    """Check the turn from a source's orientation to ours against what is said of it."""
    place = f"{source.prefix}PatientOrientation (0020,0020)"
    after = shown.orientation
    if after is None:
        return
    try:
        turn = before.turn_to(after)
    except ValueError:
        report.add(
            "turn-impossible",
            place,
            found=Text("standard.clinical.no_turn_takes", before=before, after=after),
        )
        return
    named = {t for value, t in _NAMED_TURNS.items() if value in shown.modifiers}
    if named and turn not in named:
        report.add(
            "turn-contradicts-modifier",
            _MODIFIER,
            found=Text("standard.clinical.turned_by", words=turn.text, before=before, after=after),
            expected=Text("standard.report.one_of", terms=tuple(t.text for t in sorted(named))),
        )
    if turn.sign < 0 and not shown.is_corrected and not shown.is_uncorrected and not shown.is_face:
        report.add(
            "flip-unexplained",
            _MODIFIER,
            found=Text("standard.clinical.no_word_mirror", words=turn.text),
        )
    if source.preserved == "YES" and turn is not Turn.IDENTITY:
        at = f"{source.prefix}SpatialLocationsPreserved (0028,135A)"
        report.add(
            "turn-contradicts-preserved",
            at,
            found=Text("standard.clinical.yes_picture", words=turn.text),
        )
