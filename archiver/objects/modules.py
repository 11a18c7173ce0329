"""The DICOM modules of our instances, one function a module (PS3.3 A.32.4).

Each function sets the attributes of its module on a dataset. None reads a clock or a file.
"""

from __future__ import annotations

import copy
from datetime import date, datetime

from pydicom import Dataset
from pydicom.sequence import Sequence
from pydicom.valuerep import PersonName

from archiver import __version__
from archiver.dentition import Code, Plan, View, codes, may_identify
from archiver.objects import concepts
from archiver.objects.series import PhotographSeries
from archiver.objects.session import (
    CHART_FRAME,
    IN_OCCLUSION,
    LIPS_CLOSED,
    LIPS_RELAXED,
    MANDIBLE_FORWARD,
    TEETH_APART,
    Patient,
    Photograph,
    Places,
    Visit,
)
from archiver.photo import PLACES_IN_PIXELS, CameraFile, ColourClaim, EncodedPixels, LossyStep


def code_item(code: Code) -> Dataset:
    """Return a code sequence item (PS3.3 table 8.8-1)."""
    item = Dataset()
    item.CodeValue = code.value
    item.CodingSchemeDesignator = code.scheme
    item.CodeMeaning = code.meaning
    return item


def code_sequence(*items: Code) -> Sequence:
    """Return a code sequence."""
    return Sequence([code_item(c) for c in items])


def _date(moment: date) -> str:
    # strftime does not fill years before 1000 up to four digits on every system.
    return f"{moment.year:04}{moment.month:02}{moment.day:02}"


def _time(moment: datetime) -> str:
    return moment.strftime("%H%M%S.%f") if moment.microsecond else moment.strftime("%H%M%S")


def set_patient(ds: Dataset, patient: Patient) -> None:
    """Patient (C.7.1.1)."""
    ds.PatientName = PersonName(patient.name)
    ds.PatientID = patient.id
    if patient.issuer:
        ds.IssuerOfPatientID = patient.issuer
    ds.PatientBirthDate = _date(patient.birth_date) if patient.birth_date else ""
    ds.PatientSex = patient.sex


def set_study(ds: Dataset, visit: Visit, study_uid: str) -> None:
    """General Study (C.7.2.1)."""
    ds.StudyInstanceUID = study_uid
    ds.StudyDate = _date(visit.date)
    # Type 2: empty where nobody said when. Media directories want one (PS3.3 F.5.2) and get none.
    ds.StudyTime = visit.time.strftime("%H%M%S") if visit.time else ""
    ds.ReferringPhysicianName = visit.referring_physician
    # Media directories want one (PS3.3 F.5.2); the day tells visits apart for a reader.
    ds.StudyID = visit.study_id or ds.StudyDate
    ds.AccessionNumber = visit.accession
    if visit.description:
        ds.StudyDescription = visit.description


def set_beside(ds: Dataset, visit: Visit) -> None:
    """Whatever else the objects of a study that is joined say of patient and study."""
    if visit.beside is not None:
        ds.update(copy.deepcopy(visit.beside))


def set_series(ds: Dataset, series: PhotographSeries) -> None:
    """General Series (C.7.3.1); the side is told by Image Laterality alone."""
    ds.Modality = "XC"
    ds.SeriesInstanceUID = series.uid
    ds.SeriesNumber = series.number
    ds.SeriesDescription = series.description


def set_request(ds: Dataset, visit: Visit, study_uid: str) -> None:
    """Request Attributes (C.7.3.1, table 10-9): which request the photographs answer."""
    request = visit.request
    if request is None:
        return
    item = Dataset()
    item.StudyInstanceUID = study_uid
    told = {
        "AccessionNumber": visit.accession,
        "RequestedProcedureID": request.procedure_id,
        "RequestedProcedureDescription": request.procedure,
        "ScheduledProcedureStepID": request.step_id,
        "ScheduledProcedureStepDescription": request.step,
    }
    for keyword, value in told.items():
        if value:
            setattr(item, keyword, value)
    if request.protocol:
        item.ScheduledProtocolCodeSequence = code_sequence(*request.protocol)
    ds.RequestAttributesSequence = Sequence([item])


def set_equipment(ds: Dataset, photo: CameraFile, taken: datetime | None) -> None:
    """General Equipment (C.7.5.1) is this program; the camera contributed (C.12.1.1.5)."""
    ds.Manufacturer = concepts.MANUFACTURER
    ds.ManufacturerModelName = concepts.MODEL_NAME
    ds.SoftwareVersions = __version__
    claims = photo.claims
    if not claims.make and not claims.model:
        return
    camera = Dataset()
    camera.PurposeOfReferenceCodeSequence = code_sequence(concepts.ACQUISITION_EQUIPMENT)
    camera.Manufacturer = claims.make or "unknown"
    if claims.model:
        camera.ManufacturerModelName = claims.model
    if claims.serial_number:
        camera.DeviceSerialNumber = claims.serial_number
    if claims.software:
        camera.SoftwareVersions = claims.software
    if taken is not None:
        camera.ContributionDateTime = _date(taken) + _time(taken)
    ds.ContributingEquipmentSequence = Sequence([camera])


def set_whereabouts(ds: Dataset, visit: Visit) -> None:
    """Institution Name (C.7.5.1) and, who photographed, Operators' Name (C.7.3.1)."""
    if visit.institution:
        ds.InstitutionName = visit.institution
    if visit.photographer:
        ds.OperatorsName = PersonName(visit.photographer)


def set_camera_settings(ds: Dataset, photo: CameraFile, *, pixels_moved: bool) -> None:
    """VL Photographic Equipment and Acquisition, as the camera claims (PS3.17 Annex NNNN).

    Parameters
    ----------
    pixels_moved
        True where the picture is turned or cropped: places in it are no longer where they were.
    """
    for keyword, value in photo.claims.rows:
        if pixels_moved and keyword in PLACES_IN_PIXELS:
            continue
        setattr(ds, keyword, list(value) if isinstance(value, tuple) else value)


def set_times(ds: Dataset, taken: datetime | None, created: datetime) -> None:
    """General Acquisition, and content and creation times, all in one time zone (C.12.1)."""
    if taken is not None:
        ds.AcquisitionDate = ds.ContentDate = _date(taken)
        ds.AcquisitionTime = ds.ContentTime = _time(taken)
        offset = taken.strftime("%z")
        ds.AcquisitionDateTime = _date(taken) + _time(taken) + offset
        if offset:
            ds.TimezoneOffsetFromUTC = offset
            created = created.astimezone(taken.tzinfo)
    ds.InstanceCreationDate = _date(created)
    ds.InstanceCreationTime = _time(created.replace(microsecond=0))


def set_pixels(ds: Dataset, pixels: EncodedPixels) -> None:
    """Image Pixel (C.7.6.3) and the pixel values of VL Image (C.8.12.1), without the data."""
    ds.SamplesPerPixel = pixels.samples
    ds.PhotometricInterpretation = pixels.photometric
    if pixels.samples > 1:
        ds.PlanarConfiguration = 0
    ds.Rows, ds.Columns = pixels.rows, pixels.columns
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 8, 8, 7
    ds.PixelRepresentation = 0


def set_lossy_history(ds: Dataset, past: tuple[LossyStep, ...]) -> None:
    """Lossy Image Compression (C.7.6.1.1.5): once lossy, flagged for ever."""
    ds.LossyImageCompression = "01" if past else "00"
    if past:
        ds.LossyImageCompressionRatio = [f"{step.ratio:.4g}" for step in past]
        # Ratios and methods pair up, so a method without a term leaves out all of them.
        if all(step.method for step in past):
            ds.LossyImageCompressionMethod = [step.method for step in past]


def set_colour(ds: Dataset, colour: ColourClaim) -> None:
    """ICC Profile (C.11.15)."""
    if colour.icc is not None:
        ds.ICCProfile = colour.icc
        if colour.color_space:
            ds.ColorSpace = colour.color_space


def set_anatomy(ds: Dataset, plan: Plan, modifiers: tuple[Code, ...], places: Places = ()) -> None:
    """VL Image (C.8.12.1): region, teeth with their surface, view, side.

    Parameters
    ----------
    places
        Where no natural tooth stands: a region of its jaw (CID 4017) says so in the tooth's place,
        and has no surface.
    """
    sight = plan.sight
    absent = {tooth for tooth, _ in places}
    found = (codes.place_code(tooth) for tooth in sight.teeth if tooth in absent)
    place_codes = dict.fromkeys(code for code in found if code is not None)
    jaws = {tooth.arch for tooth in absent}
    region = code_item(codes.jaw_code(jaws) if place_codes else plan.region)
    narrower = [plan.region_side] if plan.region_side is not None else []
    narrower += place_codes
    if narrower:
        region.AnatomicRegionModifierSequence = code_sequence(*narrower)
    ds.AnatomicRegionSequence = Sequence([region])
    structures = []
    for tooth, code in plan.structures:
        if tooth in absent:
            continue
        structure = code_item(code)
        if plan.surface is not None:
            structure.PrimaryAnatomicStructureModifierSequence = code_sequence(plan.surface)
        structures.append(structure)
    if plan.arch_or_face is not None:
        structures.append(code_item(plan.arch_or_face))
    if structures:
        ds.PrimaryAnatomicStructureSequence = Sequence(structures)
    view = code_item(plan.view)
    if modifiers:
        view.ViewModifierCodeSequence = code_sequence(*modifiers)
    ds.ViewCodeSequence = Sequence([view])
    ds.ImageLaterality = plan.laterality
    # A face or a smile identifies; teeth alone are not taken to (C.7.6.1).
    ds.RecognizableVisualFeatures = "YES" if may_identify(sight.view, sight.teeth) else "NO"


def _context_item(name: Code, value_type: str) -> Dataset:
    item = Dataset()
    item.ValueType = value_type
    item.ConceptNameCodeSequence = code_sequence(name)
    return item


def comment_item(start: str, words: str) -> Dataset:
    item = _context_item(concepts.COMMENT, "TEXT")
    item.TextValue = f"{start}: {words}"
    return item


def smile_items(plan: Plan) -> list[Dataset]:
    """Return the item that says that the patient smiles, where the view has it."""
    if plan.sight.view is not View.SMILE:
        return []
    return [_condition_item(concepts.SMILES)]


def _condition_item(code: Code) -> Dataset:
    item = _context_item(concepts.FUNCTIONAL_CONDITION, "CODE")
    item.ConceptCodeSequence = code_sequence(code)
    return item


#: What teeth and lips do, where it stands in Acquisition Context (PS3.16 CID 4066 and 4069).
_CONDITIONS = {
    IN_OCCLUSION: concepts.CENTRIC_OCCLUSION,
    LIPS_RELAXED: concepts.LIPS_RELAXED,
    LIPS_CLOSED: concepts.LIPS_CLOSED,
    MANDIBLE_FORWARD: concepts.MANDIBLE_FORWARD,
}


def state_modifiers(entry: Photograph) -> tuple[Code, ...]:
    """Return the view modifier that says that the teeth are apart (PS3.16 CID 4065)."""
    is_apart = entry.circumstances.functional_state == TEETH_APART
    return (codes.TEETH_APART,) if is_apart else ()


def set_acquisition_context(
    ds: Dataset, entry: Photograph, plan: Plan, photo: CameraFile, clock_correction: str
) -> None:
    """Acquisition Context (C.7.6.14): how the photograph was taken.

    Parameters
    ----------
    clock_correction
        What was added to the camera's clock, as text; empty for nothing.
    """
    items = smile_items(plan)
    condition = _CONDITIONS.get(entry.circumstances.functional_state)
    if condition is not None:
        items.append(_condition_item(condition))
    captured = photo.claims.captured
    how = entry.circumstances
    nameless = any(not step.method for step in photo.lossy_past)
    said = (
        (concepts.CAMERA_CLOCK, captured.text if captured else ""),
        (concepts.CLOCK_CORRECTION, clock_correction if captured else ""),
        (concepts.LIGHT, how.light),
        (concepts.POLARISER, how.polariser),
        (concepts.STAGE, how.stage),
        (concepts.PURPOSE, how.purpose),
        (concepts.CONSENT, how.consent),
        (concepts.COLOUR_FRAME, how.colour_frame),
        (concepts.MAGNIFICATION, how.magnification),
        (concepts.SEEN_FROM, how.seen_from),
        (concepts.GREY_CARD, str(how.grey_card or "")),
        (concepts.TAB_REGION, str(how.tab_region or "")),
        (concepts.TOOTH_REGION, str(how.tooth_region or "")),
        (concepts.SCALE_REGION, str(how.scale_region or "")),
        *((start, getattr(how, key)) for key, start in concepts.SHADE.items()),
        (concepts.LOSSY_CODING, f"{photo.format}, which has no term in DICOM" if nameless else ""),
        (concepts.REMARK, entry.comment),
    )
    items += [comment_item(start, words) for start, words in said if words]
    ds.AcquisitionContextSequence = Sequence(items)


def set_places(ds: Dataset, plan: Plan, places: Places) -> None:
    """Acquisition Context: what stands where no natural tooth does; the rest stays."""
    starts = tuple(f"{start}: " for start in (*concepts.PLACES.values(), concepts.VIEW))
    kept = [
        item
        for item in ds.get("AcquisitionContextSequence", [])
        if not str(item.get("TextValue", "")).startswith(starts)
    ]
    for kind, start in concepts.PLACES.items():
        teeth = [tooth.iso for tooth, said in places if said == kind]
        kept += [comment_item(start, ", ".join(teeth))] if teeth else []
    if places and {tooth for tooth, _ in places} == set(plan.sight.teeth):
        kept.append(comment_item(concepts.VIEW, plan.sight.view.value))
    ds.AcquisitionContextSequence = Sequence(kept)


def set_devices(ds: Dataset, entry: Photograph, plan: Plan) -> None:
    """Device (C.7.6.12): mirror, retractor, contraster (PS3.16 CID 4072)."""
    how = entry.circumstances
    present = (
        (codes.MIRROR_DEVICE, "", plan.mirror),
        (codes.RETRACTOR_DEVICE, how.retraction, bool(how.retraction)),
        (codes.CONTRASTER_DEVICE, how.contraster, bool(how.contraster)),
    )
    devices = []
    for code, words, is_there in present:
        if is_there:
            device = code_item(code)
            if words:
                device.DeviceDescription = words
            devices.append(device)
    if devices:
        ds.DeviceSequence = Sequence(devices)


#: Frames that show a card or a tab beside the teeth, against which others are judged.
_CONTROLS = (CHART_FRAME, "neutral reference", "shade tab")


def set_control(ds: Dataset, entry: Photograph) -> None:
    """Quality Control Image (C.7.6.1): BOTH, since a card stands beside the patient's teeth."""
    how = entry.circumstances
    if how.colour_frame in _CONTROLS or how.grey_card:
        ds.QualityControlImage = "BOTH"


def set_sop_common(ds: Dataset, sop_instance_uid: str) -> None:
    """SOP Common (C.12.1)."""
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.SOPClassUID = concepts.VL_PHOTOGRAPHIC_IMAGE
    ds.SOPInstanceUID = sop_instance_uid
