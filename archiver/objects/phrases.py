"""What an instance says of itself in plain words, for the lists of any archive."""

from __future__ import annotations

from archiver.dentition import Numbering, Plan, Turn, named, shortened
from archiver.objects.session import Crop, Photograph
from archiver.wording import Text

#: What was wrong stands behind this, without a full stop in it.
AMENDED = "amended: "
#: What Derivation Description begins with. It is read again from objects, so it has no language.
TURNED = {
    Turn.IDENTITY: "nothing is turned",
    Turn.FLIP_LEFT_RIGHT: "flipped left to right",
    Turn.HALF: "turned by 180 degrees",
    Turn.FLIP_TOP_BOTTOM: "flipped top to bottom",
    Turn.TRANSPOSE: "flipped over the diagonal from top left",
    Turn.QUARTER_CLOCKWISE: "turned by 90 degrees clockwise",
    Turn.TRANSVERSE: "flipped over the diagonal from top right",
    Turn.QUARTER_ANTICLOCKWISE: "turned by 90 degrees anticlockwise",
}


def subject(plan: Plan, numbering: Numbering = Numbering.ISO) -> Text:
    """Return teeth in two numberings and the view: ``25 (Universal 13), occlusal``.

    Parameters
    ----------
    numbering
        In which teeth are named first; ISO 3950 stands beside any other.
    """
    teeth = plan.sight.teeth
    view = plan.sight.view.value
    if not teeth:
        return Text("objects.phrases.view", view=view)
    if numbering is not Numbering.ISO:
        first = ", ".join(named(tooth, numbering) for tooth in teeth)
        told = {"numbering": numbering.value, "first": first, "iso": shortened(teeth), "view": view}
        return Text("objects.phrases.in_numbering", **told)
    universal = tuple(tooth.universal for tooth in teeth)
    given = {"universal": universal, "view": view}
    if len(teeth) == 1:
        tooth = teeth[0]
        return Text("objects.phrases.tooth", iso=tooth.iso, name=tooth.text, **given)
    return Text("objects.phrases.teeth", iso=shortened(teeth), **given)


def _path(plan: Plan) -> str:
    return "through a mirror" if plan.mirror else "direct"


def _side(entry: Photograph) -> str:
    if entry.confirmed_by:
        names = reversed(entry.confirmed_by.split("^")[:2])
        return f"side confirmed by {' '.join(n for n in names if n)}"
    return "side unconfirmed"


def as_shot_comment(entry: Photograph, plan: Plan, amended: str = "") -> str:
    """Return Image Comments of the photograph as shot; the sheet's own comment comes last.

    Parameters
    ----------
    amended
        What was wrong with the instance in whose place this one comes; empty for none.
    """
    state = "REVERSED as shot, do not use for side" if plan.stored_is_reflected else "as shot"
    parts = [str(subject(plan)), _path(plan), state, _side(entry), *_amended(amended)]
    return _joined(parts, entry.comment)


def corrected_comment(entry: Photograph, plan: Plan, amended: str = "") -> str:
    """Return Image Comments of the corrected picture, as `as_shot_comment`."""
    done = [TURNED[plan.correction]] if plan.correction is not Turn.IDENTITY else []
    if entry.crop is not None:
        done.append("cropped")
    parts = [str(subject(plan)), _path(plan), f"right way round ({', '.join(done) or 'unturned'})"]
    return _joined([*parts, _side(entry), *_amended(amended)], entry.comment)


def _amended(words: str) -> list[str]:
    return [f"{AMENDED}{words}"] if words else []


def comment_in(text: str, without: str, *, ours: bool) -> str:
    """Return the sheet's own comment from Image Comments of an earlier version.

    Parameters
    ----------
    text
        Image Comments as kept.
    without
        What they would be without a comment.
    ours
        Whether this program wrote them. Where they do not begin as they would, all of another
        program's are the comment, and of ours there is none: they have words of another version.
    """
    start = without.removesuffix(".")
    if not text.startswith(start):
        return "" if ours else text
    rest = text[len(start) :]
    if rest.startswith(f"; {AMENDED}"):
        rest = "." + rest.partition(".")[2]
    return rest.removeprefix(".").strip()


def _joined(parts: list[str], comment: str) -> str:
    text = "; ".join(parts) + "."
    return f"{text} {comment}" if comment else text


def derivation(plan: Plan, crop: Crop | None, trimmed: str, codec: str) -> str:
    """Return Derivation Description: what was done, in order, with its numbers.

    Parameters
    ----------
    crop
        The crop as done, in pixels of the corrected, uncropped picture.
    trimmed
        What was left out at the edges, in words; empty for nothing.
    codec
        How the pixels were kept.
    """
    words = TURNED[plan.correction]
    steps = [words[0].upper() + words[1:]]
    if trimmed:
        steps.append(trimmed)
    if crop is not None:
        steps.append(f"cropped to {crop} (width x height + left + top)")
    return "; ".join([*steps, codec])
