"""Headers of TIFF files (TIFF revision 6.0; 64-bit TIFF alike), and how to tell camera raw."""

from __future__ import annotations

from archiver.errors import PhotoError, Problem
from archiver.photo.camera_file import Format, Limits, LossyStep
from archiver.photo.exif import read_directories
from archiver.photo.header import ALPHA_NOTE, PictureHeader, check_budget, cut_short, ratio
from archiver.photo.ifd import SUB_IFDS, Directory, TiffLayout
from archiver.wording import Text

_REDUCED, _WIDTH, _LENGTH, _BITS, _COMPRESSION = 254, 256, 257, 258, 259
_PHOTOMETRIC, _SAMPLES, _PLANAR, _FORMAT = 262, 277, 284, 339
_STRIPS, _STRIP_SIZES, _TILES, _TILE_SIZES = 273, 279, 324, 325
_ORIENTATION, _ICC, _DNG = 274, 34675, 50706

_MOSAIC, _LINEAR_RAW = 32803, 34892
_JPEGS = (6, 7)
# Uncompressed, the fax codings of bilevel pictures, LZW, Deflate (two numbers), PackBits.
_LOSSLESS = (1, 2, 3, 4, 5, 8, 32946, 32773)
_GREY, _RGB, _PALETTE, _YCBCR = (0, 1), 2, 3, 6
#: Transparency mask, CMYK, CIELAB, ICCLAB, LogLuv.
_REFUSED = (4, 5, 8, 9, 32845)


def is_raw(data: bytes) -> bool:
    """Tell whether a file with the layout of a TIFF holds what a sensor gave.

    It does where a directory's pixels are a colour filter mosaic or linear raw samples
    (DNG 1.6, PhotometricInterpretation), where it tells a version of DNG, or where its magic
    number or the mark behind it is one that makers of cameras use in the place of TIFF's.
    """
    if data[:2] not in (b"II", b"MM"):
        return False
    if data[2:4] in (b"RO", b"RS", b"U\0") or data[8:10] == b"CR":
        return True
    try:
        layout = TiffLayout(data)
    except ValueError:
        return False
    if layout.magic not in (42, 43):
        return False
    for directory in layout.chain(limit=8):
        below = [layout.directory(offset) for offset in directory.numbers(SUB_IFDS)[:16]]
        for found in (directory, *below):
            if found is None:
                continue
            if found.number(_PHOTOMETRIC) in (_MOSAIC, _LINEAR_RAW) or _DNG in found.tags:
                return True
    return False


def read_tiff(data: bytes, limits: Limits) -> PictureHeader:
    """Read the header of a TIFF file's first picture.

    Raises
    ------
    PhotoError
        If it is damaged, cut short, too large, or of a kind that is not read.
    """
    try:
        layout = TiffLayout(data)
    except ValueError:
        raise cut_short(Format.TIFF) from None
    main = layout.directory(layout.first)
    if main is None:
        raise cut_short(Format.TIFF)
    if layout.big and layout.order == ">":
        raise PhotoError(Problem("photo.tiff.big_of_mm"))
    columns, rows = main.number(_WIDTH), main.number(_LENGTH)
    if columns is None or rows is None:
        raise PhotoError("photo.tiff.no_size")
    check_budget(columns, rows, limits)
    compressed = _compressed_size(main, len(data))
    notes: list[Problem] = []
    samples = _samples(main, notes)
    past = _lossy_past(main, data, ratio(columns, rows, samples, compressed))
    others = sum(1 for page in layout.chain() if not (page.number(_REDUCED) or 0) & 1) - 1
    if others > 0:
        notes.append(Problem("photo.tiff.further_pictures", others=others))
    return PictureHeader(
        columns,
        rows,
        samples,
        exif=read_directories(layout, main),
        icc=main.octets(_ICC),
        lossy_past=past,
        notes=tuple(notes),
    )


def for_decoder(data: bytes) -> tuple[bytes, bool]:
    """Return the file as its decoder must see it to give the stored pixels.

    Pillow turns a TIFF's pixels by Orientation, or by the orientation that its XMP packet
    tells; here they are to stay as they are stored, so both are neutralised in a copy. It
    turns "white is zero" round for 8 bits but not for 16, so that is told as "black is zero".

    Returns
    -------
    tuple
        The bytes, and whether the values still have to be inverted.
    """
    layout = TiffLayout(data)
    copy = bytes(layout.with_short(_ORIENTATION, 1))
    copy = copy.replace(b"tiff:Orientation", b"tiff:orientation")
    main = layout.directory(layout.first) or Directory()
    inverted = main.number(_PHOTOMETRIC) == 0 and main.number(_BITS) == 16
    if inverted:
        copy = bytes(TiffLayout(copy).with_short(_PHOTOMETRIC, 1))
    return copy, inverted


def _samples(main: Directory, notes: list[Problem]) -> int:
    """Check the kind of pixels; return 1 for grey, 3 for colour."""
    photometric = main.number(_PHOTOMETRIC)
    bits = main.numbers(_BITS) or (1,)
    count = main.number(_SAMPLES) or 1
    if photometric in _REFUSED:
        raise PhotoError(Problem("photo.tiff.refused_kind", kind=Text(f"photo.tiff.{photometric}")))
    wanted = {_RGB: 3, _YCBCR: 3, _PALETTE: 1, 0: 1, 1: 1}.get(
        -1 if photometric is None else photometric
    )
    if wanted is None or not wanted <= count <= wanted + 1:
        kind = "?" if photometric is None else photometric
        raise PhotoError(Problem("photo.tiff.unknown_kind", kind=kind, count=count))
    whole = set(main.numbers(_FORMAT) or (1,)) <= {1}
    allowed = {8, 16} if wanted == 3 else {1, 2, 4, 8} | ({16} if photometric in _GREY else set())
    if len(set(bits)) != 1 or bits[0] not in allowed or not whole:
        shown = "/".join(str(b) for b in bits)
        code = "photo.tiff.bits" if whole else "photo.tiff.not_whole"
        raise PhotoError(Problem(code, bits=shown))
    if count > wanted:
        notes.append(ALPHA_NOTE)
    if bits[0] == 16:
        if count > 1 and (main.number(_PLANAR) == 2 or wanted == 1):
            raise PhotoError(Problem("photo.tiff.deep_planes"))
        notes.append(Problem("photo.header.bits_rounded", depth=16))
    return 1 if photometric in _GREY else 3


def _compressed_size(main: Directory, length: int) -> int:
    """Return the bytes of the first picture; refuse a file that does not hold them all."""
    starts = main.numbers(_STRIPS) or main.numbers(_TILES)
    sizes = main.numbers(_STRIP_SIZES) or main.numbers(_TILE_SIZES)
    if not starts:
        raise PhotoError("photo.tiff.no_pixels")
    if len(sizes) == len(starts):
        if any(a + b > length for a, b in zip(starts, sizes, strict=True)):
            raise cut_short(Format.TIFF)
        return sum(sizes)
    if max(starts) >= length:
        raise cut_short(Format.TIFF)
    return length


def _lossy_past(main: Directory, data: bytes, found: float) -> tuple[LossyStep, ...]:
    compression = main.number(_COMPRESSION) or 1
    if compression in _LOSSLESS:
        return ()
    if compression not in _JPEGS:
        raise PhotoError(Problem("photo.tiff.unknown_compression", compression=compression))
    if len(set(main.numbers(_BITS))) == 1 and main.numbers(_BITS)[0] != 8:
        raise PhotoError(Problem("photo.tiff.deep_jpeg"))
    first = (main.numbers(_STRIPS) or main.numbers(_TILES))[0]
    # FFC3 is the frame header of lossless JPEG (T.81 Table B.1); it comes early.
    if b"\xff\xc3" in data[first : first + 1024] and b"\xff\xc0" not in data[first : first + 1024]:
        raise PhotoError(Problem("photo.tiff.lossless_jpeg"))
    return (LossyStep("ISO_10918_1", found),)
