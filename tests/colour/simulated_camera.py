"""Cameras made of published spectra: from the light on a surface to the levels of a JPEG.

Sensitivities, illuminants, the observer and the chart's reflectances are colour-science's.
Spectra of tooth colours follow W. Jakob and J. Hanika, Comput Graph Forum 38:147-155, 2019 (a
sigmoid of a quadratic in wavelength), solved for L*a*b* under D50; the range of natural teeth,
L* 60-86, a* -1-9, b* 9-30, is common practice.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache, lru_cache

import colour
import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from archiver.colour.colours import lab_of_xyz
from archiver.photo import icc

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]

SHAPE = colour.SpectralShape(400, 700, 10)
D50 = np.array(icc.D50)
#: Tooth colours as L*a*b* under D50.
TEETH = np.array(
    [
        (light, a, b)
        for light, a, b in (
            *((86, 0, 10), (83, 0, 14), (80, -1, 12), (79, 2, 19), (77, 3, 22), (75, 1, 16)),
            *((73, 4, 24), (72, 2, 20), (70, 6, 27), (68, 3, 18), (66, 7, 29), (63, 5, 22)),
            *((60, 9, 30), (84, 2, 20)),
        )
    ],
    float,
)


@dataclass(frozen=True)
class Camera:
    """A camera with its settings, none of which is automatic.

    Parameters
    ----------
    sensitivities
        Name in colour-science; `shift` moves them, nanometres.
    light
        Of the flash: name of an illuminant; `set_for` is the one its white balance is set for.
    exposure
        Linear level of the perfect diffuser.
    contrast
        Strength of the tone curve on top of that of sRGB.
    vignetting
        Share of light lost in the corners.
    """

    sensitivities: str
    light: str
    set_for: str = "D55"
    exposure: float = 0.75
    contrast: float = 0.0
    vignetting: float = 0.04
    noise: float = 1.5
    shift: int = 0

    @property
    def name(self) -> str:
        """What it is, in a row of a table."""
        moved = f" {self.shift:+d} nm" if self.shift else ""
        style = f", contrast {self.contrast}" if self.contrast else ""
        return f"{self.sensitivities.split()[0]}{moved}, {self.light}{style}"


#: Lit by flash, with a neutral picture style.
PLAIN = (
    Camera("Nikon 5100 (NPL)", "D55"),
    Camera("Nikon 5100 (NPL)", "D65", exposure=0.65),
    Camera("Nikon 5100 (NPL)", "D60", exposure=0.7, shift=8),
    Camera("Nikon 5100 (NPL)", "ISO 7589 Photographic Daylight", exposure=0.8, shift=-5),
    Camera("Sigma SDMerill (NPL)", "D65", exposure=0.65),
)
#: With a picture style that adds contrast, or under light that is none of a flash.
OTHERS = (
    Camera("Nikon 5100 (NPL)", "D65", exposure=0.6, contrast=0.3),
    Camera("Nikon 5100 (NPL)", "D55", contrast=0.5),
    Camera("Sigma SDMerill (NPL)", "D55", contrast=0.3),
    Camera("Nikon 5100 (NPL)", "LED-B4", exposure=0.85),
)
CAMERAS = (*PLAIN, *OTHERS)


@cache
def spectrum(name: str) -> Array:
    """Return an illuminant at `SHAPE`."""
    return np.asarray(colour.SDS_ILLUMINANTS[name].copy().align(SHAPE).values)


@lru_cache(maxsize=1)
def observer() -> Array:
    """Return the CIE 1931 2-degree observer at `SHAPE`, shape (31, 3)."""
    name = "CIE 1931 2 Degree Standard Observer"
    return np.asarray(colour.MSDS_CMFS[name].copy().align(SHAPE).values)


@lru_cache(maxsize=1)
def chart_reflectances() -> Array:
    """Return the reflectances of the chart's patches, shape (24, 31)."""
    patches = colour.SDS_COLOURCHECKERS["BabelColor Average"].values()
    return np.array([sd.copy().align(SHAPE).values for sd in patches])


def xyz_of(reflectances: Array) -> Array:
    """Return XYZ under D50 of reflectances (n, 31), white being that of ICC."""
    weights = spectrum("D50")[:, None] * observer()
    xyz = reflectances @ weights / weights[:, 1].sum()
    return np.asarray(xyz / (weights.sum(axis=0) / weights[:, 1].sum()) * D50)


def lab_of(reflectances: Array) -> Array:
    """Return L*a*b* under D50 of reflectances (n, 31)."""
    return lab_of_xyz(xyz_of(reflectances), D50)


@lru_cache(maxsize=1)
def tooth_reflectances() -> Array:
    """Return spectra of the tooth colours, shape (n, 31)."""
    return np.array([_sigmoid_spectrum(lab) for lab in TEETH])


def _sigmoid_spectrum(lab: Array) -> Array:
    at = np.linspace(-1, 1, SHAPE.wavelengths.size)

    def spectrum_of(c: Array) -> Array:
        x = c[0] * at**2 + c[1] * at + c[2]
        return np.asarray(0.5 + x / (2 * np.sqrt(1 + x**2)))

    c = np.array([0.0, 0.3, 0.1])
    for _ in range(30):
        left = lab_of(spectrum_of(c)[None])[0] - lab
        moved = [lab_of(spectrum_of(c + 1e-5 * np.eye(3)[n])[None])[0] for n in range(3)]
        slopes = (np.array(moved).T - (left + lab)[:, None]) / 1e-5
        c = c - np.clip(np.linalg.solve(slopes, left), -0.5, 0.5)
    assert np.abs(lab_of(spectrum_of(c)[None])[0] - lab).max() < 0.01
    return spectrum_of(c)


@cache
def _seen(camera: Camera, light: str) -> Array:
    sensitivities = colour.MSDS_CAMERA_SENSITIVITIES[camera.sensitivities].copy().align(SHAPE)
    values = np.asarray(sensitivities.values)
    if camera.shift:
        w = SHAPE.wavelengths
        values = np.stack([np.interp(w - camera.shift, w, v) for v in values.T], axis=-1)
    return np.asarray(spectrum(light)[:, None] * values)


@cache
def _to_srgb(camera: Camera) -> Array:
    """Return the matrix by which the camera makes its own picture: right for `set_for`."""
    weights = _seen(camera, camera.set_for)
    raw = chart_reflectances() @ weights / weights.sum(axis=0)
    srgb = np.linalg.inv(np.array(icc.columns(icc.SRGB)).T)
    wanted = xyz_of(chart_reflectances()) @ srgb.T
    return np.asarray(np.linalg.lstsq(raw, wanted, rcond=None)[0])


def linear_of(camera: Camera, reflectances: Array) -> Array:
    """Return the linear red, green and blue that the camera makes of surfaces (n, 31)."""
    balance = _seen(camera, camera.set_for).sum(axis=0)
    raw = reflectances @ _seen(camera, camera.light) / balance
    # The flash is as strong as the one its balance is set for, in green.
    raw /= (_seen(camera, camera.light).sum(axis=0) / balance)[1]
    return np.asarray(raw @ _to_srgb(camera) * camera.exposure)


def developed(camera: Camera, linear: Array, seed: int = 1, quality: int = 92) -> bytes:
    """Return the JPEG of a linear picture (rows, columns, 3)."""
    rows, columns = linear.shape[:2]
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    linear = linear * (1 - camera.vignetting * (x**2 + y**2) / 2)[..., None]
    levels = encoded(camera, linear)
    levels = levels + np.random.default_rng(seed).normal(0, camera.noise, levels.shape)
    out = io.BytesIO()
    picture = Image.fromarray(np.clip(np.round(levels), 0, 255).astype(np.uint8))
    picture.save(out, "JPEG", quality=quality)
    return out.getvalue()


def encoded(camera: Camera, linear: Array) -> Array:
    """Return levels (0 to 255, not rounded): sRGB's curve, then the camera's contrast."""
    v = np.clip(linear, 0, 1)
    v = np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.maximum(v, 1e-9) ** (1 / 2.4) - 0.055)
    s_curve = v * v * (3 - 2 * v)
    return np.asarray(255 * ((1 - camera.contrast) * v + camera.contrast * s_curve))


def pixels_of(jpeg: bytes) -> Pixels:
    """Decode a JPEG."""
    with Image.open(io.BytesIO(jpeg)) as picture:
        return np.asarray(picture.convert("RGB"))


def chart_scene(
    camera: Camera,
    turn: float = 0.0,
    *,
    mirrored: bool = False,
    size: tuple[int, int] = (720, 540),
    share: float = 0.55,
    light: Array | None = None,
) -> Array:
    """Return a linear picture (rows, columns, 3) of the chart on gum-coloured ground.

    Parameters
    ----------
    turn
        Degrees.
    share
        Width of the chart as a share of the picture's.
    light
        Light on the scene beside the camera's own fall (rows, columns, 1 or 3).
    """
    patches = linear_of(camera, chart_reflectances()).reshape(4, 6, 3)
    cell, gap = 40, 7
    chart = np.full((4 * cell + 5 * gap, 6 * cell + 7 * gap, 3), 0.02 * camera.exposure)
    for row in range(4):
        for column in range(6):
            y, x = gap + row * (cell + gap), gap + column * (cell + gap)
            chart[y : y + cell, x : x + cell] = patches[row, column]
    columns, rows = size
    ground = np.array([0.32, 0.14, 0.12]) * camera.exposure
    scene = np.tile(ground, (rows, columns, 1))
    high, wide = chart.shape[:2]
    matrix = cv2.getRotationMatrix2D((wide / 2, high / 2), turn, share * columns / wide)
    matrix[:, 2] += (columns / 2 - wide / 2, rows / 2 - high / 2)
    cv2.warpAffine(chart, matrix, size, scene, cv2.INTER_LINEAR, cv2.BORDER_TRANSPARENT)
    if mirrored:
        scene = np.ascontiguousarray(scene[:, ::-1])
    return scene if light is None else scene * light


def tooth_scene(camera: Camera) -> Array:
    """Return a linear picture of the tooth colours, one beside the other, near the middle."""
    fields = linear_of(camera, tooth_reflectances())
    return np.repeat(np.repeat(fields[None], 48, axis=0), 48, axis=1)


def tooth_levels(camera: Camera) -> Array:
    """Return the mean levels (n, 3) that a JPEG of the tooth colours has."""
    pixels = pixels_of(developed(camera, tooth_scene(camera)))
    return np.array(
        [pixels[12:36, 48 * n + 12 : 48 * n + 36].mean(axis=(0, 1)) for n in range(len(TEETH))]
    )


def grey_scene(camera: Camera, reflectance: float = 0.18) -> Array:
    """Return a linear picture of an even grey card on gum-coloured ground."""
    card = linear_of(camera, np.full((1, SHAPE.wavelengths.size), reflectance))[0]
    scene = np.tile(np.array([0.32, 0.14, 0.12]) * camera.exposure, (240, 320, 1))
    scene[60:180, 80:240] = card
    return scene
