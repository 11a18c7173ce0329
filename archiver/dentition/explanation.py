"""Everything that follows from what a person said about a photograph, ready to be told."""

from __future__ import annotations

from dataclasses import dataclass

from archiver.dentition import codes
from archiver.dentition.codes import Code
from archiver.dentition.correction import Operator, Plan
from archiver.dentition.orientation import Direction, Orientation, Turn, is_true
from archiver.dentition.teeth import Tooth
from archiver.dentition.views import View
from archiver.wording import Text

#: What no computation can take off a person's shoulders.
CAUTION = Text("dentition.explanation.caution")


@dataclass(frozen=True)
class Appearance:
    """How the picture stands at one stage.

    Parameters
    ----------
    orientation
        Directions of its rows and columns.
    is_true
        Whether it passes the truth test; False for a reflection.
    """

    orientation: Orientation
    is_true: bool

    @property
    def patient_orientation(self) -> tuple[str, str]:
        """The two values of Patient Orientation (0020,0020): rows, columns."""
        return (self.orientation.rows.value, self.orientation.columns.value)

    def to_json(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return {
            "patient_orientation": list(self.patient_orientation),
            "edges": {edge: d.word for edge, d in self.orientation.edges.items()},
            "true_picture": self.is_true,
        }


@dataclass(frozen=True)
class Explanation:
    """A plan, with every consequence written out.

    Parameters
    ----------
    teeth, view, mirror, operator, top, exif
        What was said, the view with its synonym settled.
    looking
        Where the picture looks if it is true.
    on_camera, in_file, corrected
        The picture on the camera's own screen (EXIF orientation applied), its pixels as they are
        stored in the file (the instance as shot), and the pixels of the corrected instance.
    correction
        The turn from the pixels of the file to the corrected ones.
    camera_correction
        The turn from what the camera shows to the corrected picture.
    laterality
        Image Laterality (0020,0062).
    region, region_side, structures, surface, view_code
        Codes that both instances carry.
    modifiers_as_shot, modifiers_corrected
        View Modifier codes of either instance.
    devices
        Devices that are in the picture.
    notes
        What was settled on the way.
    """

    teeth: tuple[Tooth, ...]
    view: View
    mirror: bool
    operator: Operator
    top: Direction | None
    exif: Turn
    looking: Direction
    on_camera: Appearance
    in_file: Appearance
    corrected: Appearance
    correction: Turn
    camera_correction: Turn
    laterality: str
    region: Code
    region_side: Code | None
    arch_or_face: Code | None
    structures: tuple[tuple[Tooth, Code], ...]
    surface: Code | None
    view_code: Code
    modifiers_as_shot: tuple[Code, ...]
    modifiers_corrected: tuple[Code, ...]
    devices: tuple[Code, ...]
    notes: tuple[Text, ...]

    @property
    def has_corrected_instance(self) -> bool:
        """False where the pixels of the file are right as they are."""
        return self.correction is not Turn.IDENTITY

    def to_json(self) -> dict[str, object]:
        """Return plain values for JSON; the keys are part of the command line's promise."""
        return {
            "teeth": [_tooth_json(t) for t in self.teeth],
            "view": self.view.value,
            "mirror": self.mirror,
            "operator": self.operator.value,
            "top": self.top.word if self.top else None,
            "exif": int(self.exif),
            "looking": self.looking.word,
            "on_camera": self.on_camera.to_json(),
            "in_file": self.in_file.to_json(),
            "corrected": self.corrected.to_json(),
            "correction": {
                "from_file": _turn_json(self.correction),
                "from_camera": _turn_json(self.camera_correction),
            },
            "corrected_instance": self.has_corrected_instance,
            "image_laterality": self.laterality,
            "anatomic_region": {
                **_code_json(self.region),
                "modifier": _code_json(self.region_side) if self.region_side else None,
            },
            "primary_anatomic_structures": [
                *({"tooth": t.iso, **_code_json(c)} for t, c in self.structures),
                *([_code_json(self.arch_or_face)] if self.arch_or_face else []),
            ],
            "surface": _code_json(self.surface) if self.surface else None,
            "view_code": _code_json(self.view_code),
            "view_modifiers": {
                "as_shot": [_code_json(c) for c in self.modifiers_as_shot],
                "corrected": [_code_json(c) for c in self.modifiers_corrected],
            },
            "devices": [_code_json(c) for c in self.devices],
            "notes": [str(note) for note in self.notes],
            "side_confirmed": False,
            "caution": str(CAUTION),
        }


def turn_name(turn: Turn) -> str:
    """Return the name of an element of the group, such as ``flip left right``."""
    return turn.name.lower().replace("_", " ")


def _tooth_json(tooth: Tooth) -> dict[str, str]:
    return {
        "iso": tooth.iso,
        "universal": tooth.universal,
        "palmer": tooth.palmer,
        "name": tooth.name,
    }


def _code_json(code: Code) -> dict[str, str]:
    return {"value": code.value, "scheme": code.scheme, "meaning": code.meaning}


def _turn_json(turn: Turn) -> dict[str, object]:
    return {
        "number": int(turn),
        "name": turn_name(turn),
        "words": turn.words,
        "reflects": turn.sign == -1,
    }


def explain(plan: Plan) -> Explanation:
    """Write out all that follows from a plan."""
    seen = plan.sight

    def appearance(orientation: Orientation) -> Appearance:
        return Appearance(orientation, is_true(orientation, seen.looking))

    return Explanation(
        teeth=seen.teeth,
        view=seen.view,
        mirror=plan.mirror,
        operator=plan.operator,
        top=plan.top,
        exif=plan.exif,
        looking=seen.looking,
        on_camera=appearance(plan.shown),
        in_file=appearance(plan.stored),
        corrected=appearance(plan.display),
        correction=plan.correction,
        camera_correction=plan.shown_correction,
        laterality=plan.laterality,
        region=plan.region,
        region_side=plan.region_side,
        arch_or_face=plan.arch_or_face,
        structures=plan.structures,
        surface=plan.surface,
        view_code=plan.view,
        modifiers_as_shot=plan.original_modifiers,
        modifiers_corrected=plan.corrected_modifiers,
        devices=(codes.MIRROR_DEVICE,) if plan.mirror else (),
        notes=seen.notes,
    )
