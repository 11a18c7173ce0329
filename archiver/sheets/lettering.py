"""Writing on pictures, in whatever letters a name has.

The font lies in the package, so that a sheet looks the same everywhere: DejaVu Sans has Latin,
Greek, Cyrillic, Armenian, Hebrew and Arabic letters. For others (Chinese, Japanese, Korean,
Indian scripts) fonts of the system are tried. A letter that no font has is written as its
Unicode number in brackets: a box would hide that something is not shown. Right-to-left letters
are ordered and joined by the Raqm library that Pillow carries; without it they are at least put
in the right order.
"""

from __future__ import annotations

import gzip
import io
import unicodedata
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

from PIL import ImageDraw, ImageFont, features

from archiver.wording import words_of

_FONTS = Path(__file__).with_name("fonts")
REGULAR = _FONTS / "DejaVuSans.ttf.gz"
BOLD = _FONTS / "DejaVuSans-Bold.ttf.gz"
_SYSTEM_FOLDERS = (
    Path("/usr/share/fonts"),
    Path("/usr/local/share/fonts"),
    Path("/System/Library/Fonts"),
    Path("/Library/Fonts"),
    Path("C:/Windows/Fonts"),
)

_LIKELY = (
    *("notosanscjk", "notosansjp", "notosans", "pingfang", "hiragino", "msgothic", "msyh"),
    *("malgun", "nirmala", "arialuni", "wqy", "unifont", "droidsansfallback"),
)
_MISSING = "\U0010ffff"
_RIGHT_TO_LEFT = {"R", "AL"}
_NEUTRAL = {"WS", "ON", "CS", "ES", "ET", "NSM", "BN", "EN"}


def sheet_words(key: str, **values: object) -> str:
    """Return a text for a sheet."""
    return words_of()(f"sheets.{key}", **values)


@dataclass(frozen=True)
class Face:
    """A size and weight of letters.

    Parameters
    ----------
    size
        Pixels.
    bold
        True for heavy letters.
    """

    size: int
    bold: bool = False


@dataclass(frozen=True)
class _Run:
    text: str
    font: ImageFont.FreeTypeFont


@cache
def _unpacked(path: Path) -> bytes:
    return gzip.decompress(path.read_bytes())


def font_file(path: Path) -> io.BytesIO:
    """Return the bytes of `REGULAR` or `BOLD`, as a file to be read."""
    return io.BytesIO(_unpacked(path))


@lru_cache(maxsize=256)
def _load(path: Path, size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(font_file(path) if path.suffix == ".gz" else str(path), size)


@lru_cache(maxsize=1)
def _system_fonts() -> tuple[Path, ...]:
    """Fonts of the system that may have what ours lacks; empty where there are none."""
    found = [
        path
        for folder in _SYSTEM_FOLDERS
        if folder.is_dir()
        for path in folder.rglob("*")
        if path.suffix.lower() in (".ttf", ".ttc", ".otf")
        and path.stem.lower().replace("-", "").startswith(_LIKELY)
    ]

    def rank(path: Path) -> tuple[int, str]:
        name = path.stem.lower().replace("-", "")
        return next(n for n, start in enumerate(_LIKELY) if name.startswith(start)), path.name

    return tuple(sorted(found, key=rank))


@lru_cache(maxsize=4096)
def _has(path: Path, letter: str) -> bool:
    """Return whether a font has a letter: it draws it otherwise than one that nothing has."""
    try:
        font = _load(path, 24)
        return bytes(font.getmask(letter)) != bytes(font.getmask(_MISSING))
    except OSError:
        return False


@lru_cache(maxsize=4096)
def _font_for(letter: str, face: Face, fonts: tuple[Path, ...]) -> Path | None:
    for path in (BOLD if face.bold else REGULAR, REGULAR, *fonts):
        if letter.isspace() or _has(path, letter):
            return path
    return None


# A page measures most of its lines several times before it writes them.
@lru_cache(maxsize=4096)
def _runs(text: str, face: Face) -> tuple[_Run, ...]:
    """Split a line into pieces that one font can write."""
    pieces: list[tuple[str, Path]] = []
    for letter in unicodedata.normalize("NFC", " ".join(text.split())):
        # Spaces and signs stay with the letters before them: what is read from right to left
        # must stay in one piece to be put in order.
        current = pieces[-1][1] if pieces else None
        if current and not letter.isalnum() and (letter.isspace() or _has(current, letter)):
            path: Path | None = current
        else:
            path = _font_for(letter, face, ())
        if path is None and unicodedata.category(letter) not in ("Cc", "Cf", "Cn"):
            path = _font_for(letter, face, _system_fonts())
        shown = letter
        if path is None:
            path, shown = REGULAR, f"[U+{ord(letter):04X}]"
        if pieces and pieces[-1][1] is path:  # comparing paths takes longer than all else here
            pieces[-1] = (pieces[-1][0] + shown, path)
        else:
            pieces.append((shown, path))
    return tuple(_Run(text, _load(path, face.size)) for text, path in pieces)


def _in_order(text: str) -> str:
    """Put right-to-left letters in the order of drawing, where Raqm is not there to do it."""
    if features.check("raqm") or not _is_right_to_left(text):
        return text
    kinds = {unicodedata.bidirectional(c) for c in text}
    return text[::-1] if kinds <= _RIGHT_TO_LEFT | _NEUTRAL else text


def _is_right_to_left(text: str) -> bool:
    return any(unicodedata.bidirectional(c) in _RIGHT_TO_LEFT for c in text)


def width(text: str, face: Face) -> int:
    """Return the width of a line in pixels."""
    return round(sum(run.font.getlength(_in_order(run.text)) for run in _runs(text, face)))


def write(
    draw: ImageDraw.ImageDraw, place: tuple[int, int], text: str, face: Face, colour: str
) -> int:
    """Write a line.

    Parameters
    ----------
    place
        Left end of the baseline, (x, y) in pixels.

    Returns
    -------
    int
        The x at which the line ends.
    """
    x = float(place[0])
    for run in _runs(text, face):
        shown = _in_order(run.text)
        draw.text((x, place[1]), shown, font=run.font, fill=colour, anchor="ls")
        x += run.font.getlength(shown)
    return round(x)


def shortened(text: str, face: Face, room: int) -> str:
    """Return the line, cut with an ellipsis where it is wider than the room in pixels."""
    text = " ".join(text.split())
    if width(text, face) <= room:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if width(text[:middle].rstrip() + "…", face) <= room:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip(" ,;·") + "…"


def fitted(text: str, face: Face, room: int, smallest: int) -> tuple[str, Face]:
    """Return the line with letters small enough for the room in pixels, cut only below that.

    Parameters
    ----------
    face
        As large as the letters may be.
    smallest
        Pixels below which a line is shortened instead.
    """
    text = " ".join(text.split())
    wide = width(text, face)
    if wide > room:
        face = Face(max(smallest, face.size * room // wide), face.bold)
    return shortened(text, face, room), face


def wrapped(text: str, face: Face, room: int, lines: int) -> list[str]:
    """Return the text in lines no wider than the room; the last is cut where it must be."""
    made: list[str] = []
    words = text.split()
    while words and len(made) < lines:
        if len(made) == lines - 1:
            made.append(shortened(" ".join(words), face, room))
            break
        count = 1
        while count < len(words) and width(" ".join(words[: count + 1]), face) <= room:
            count += 1
        made.append(shortened(" ".join(words[:count]), face, room))
        words = words[count:]
    return made
