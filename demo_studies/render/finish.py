"""What lies between light and a camera file: tone, blur, noise, mirror rim, lips and retractor."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from .camera import Setup
from .noise import noise, smoothstep
from .tracing import plane_reach

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Finish:
    """How a photograph came out.

    Attributes
    ----------
    seed : int
        Of the noise.
    exposure : float
        Stops.
    soft : float
        Pixels of misfocus (standard deviation) all over.
    grain : float
        Noise at mid grey, in 8-bit steps.
    warmth : float
        Positive is yellower.
    retractor : str
        "plastic", "metal" or "" for none in the picture.
    glass_shift : tuple of float
        mm by which the mirror is off the middle of the picture, to its right and up.
    glass_size : float
        Breadth and height of the mirror relative to the field.
    """

    seed: int = 1
    exposure: float = 0.0
    soft: float = 0.0
    grain: float = 1.5
    warmth: float = 0.0
    retractor: str = "plastic"
    glass_shift: tuple[float, float] = (0.0, 0.0)
    glass_size: float = 1.06


def develop(light: Array, exposure: float = 0.0) -> NDArray[np.uint8]:
    """Turn linear light into sRGB bytes, with a shoulder instead of a hard clip."""
    return np.round(_tone(light, exposure) * 255).astype(np.uint8)


def _tone(light: Array, exposure: float) -> Array:
    x = np.clip(light * 1.22 * 2.0**exposure, 0, None)
    x = np.where(x < 0.7, x, 0.7 + 0.3 * np.tanh((x - 0.7) / 0.3))
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)


def mirror_outline(setup: Setup, direction: Array, finish: Finish) -> tuple[Array, Array]:
    """Whether each ray meets the glass, and how bright it finds the rim (0 off the rim)."""
    assert setup.mirror_point is not None and setup.mirror_normal is not None
    reach = plane_reach(setup, direction)
    at = setup.real.eye + direction * np.where(np.isfinite(reach), reach, 0)[:, None]
    normal = setup.mirror_normal
    across = setup.real.right - (setup.real.right @ normal) * normal
    across /= np.linalg.norm(across)
    along = np.cross(normal, across)
    if along @ setup.real.top < 0:
        along = -along
    offset = at - setup.mirror_point
    lean_x = abs(float(across @ setup.real.right))
    lean_y = abs(float(along @ setup.real.top))
    half_x = 0.49 * setup.real.width * finish.glass_size / lean_x
    half_y = 0.345 * setup.real.width * finish.glass_size / lean_y
    x = (offset @ across - finish.glass_shift[0] / lean_x) / half_x
    y = (offset @ along - finish.glass_shift[1] / lean_y) / half_y
    taper = 1.0 - 0.10 * y
    rho = (np.abs(x / taper) ** 3.6 + np.abs(y) ** 3.6) ** (1 / 3.6)
    edge = (rho - 1.0) * min(half_x, half_y)
    on = np.isfinite(reach)
    glass = ((edge < 0) & on).astype(float)
    thickness = 1.1
    profile = np.clip(edge / thickness, 0, 1)
    rim = ((edge >= 0) & (edge < thickness) & on) * (
        0.12 + 0.55 * np.exp(-(((profile - 0.35) / 0.16) ** 2))
    )
    return glass, rim * (0.75 + 0.25 * np.sin(3 * x + 2 * y))


def _depth_blur(light: Array, depth: Array, per_mm: float) -> Array:
    """Blend a few Gaussian blurs by how far each pixel is from the plane of focus."""
    want = np.clip(np.abs(gaussian_filter(depth, 1.5)) - 2.5, 0, None) * per_mm
    levels = (0.0, 0.8, 1.8, 3.6, 7.0)
    blurred = [light if s == 0 else gaussian_filter(light, (s, s, 0)) for s in levels]
    position = np.interp(want, levels, np.arange(len(levels)))
    result = np.zeros_like(light)
    for index, picture in enumerate(blurred):
        result += picture * np.clip(1 - np.abs(position - index), 0, 1)[..., None]
    return result


def _border(shape: tuple[int, int], tight: float) -> tuple[Array, Array, Array]:
    """Distance beyond the opening of the lips, as a fraction of the picture's height, and x, y."""
    rows, columns = shape
    y, x = np.mgrid[0:rows, 0:columns]
    x = (x + 0.5 - columns / 2) / rows
    y = (y + 0.5 - rows / 2) / rows
    a, b = 0.5 * columns / rows * tight, 0.53 * tight
    rho = (np.abs(x / a) ** 3.0 + np.abs(y / b) ** 3.0) ** (1 / 3.0)
    return (rho - 1.0) * b, x, y


def _frame(light: Array, setup: Setup, finish: Finish) -> Array:
    """Lay lips and the edge of a retractor round the picture, out of focus."""
    rows, columns = light.shape[:2]
    beyond, x, y = _border((rows, columns), 1.08 if setup.mirror_point is not None else 1.03)
    rng = np.random.default_rng(finish.seed + 77)
    spot = np.stack([x.ravel() * 9, y.ravel() * 9, np.full(x.size, rng.uniform(0, 20))], axis=1)
    beyond = beyond + 0.006 * noise(spot, 3.0, 2).reshape(x.shape)
    bulge = np.clip(beyond / 0.10, 0, 2)
    lip = np.array([0.50, 0.20, 0.17]) * (0.20 + 0.75 * np.sin(np.clip(bulge, 0, 1.6)))[..., None]
    lip = lip + 0.35 * np.exp(-(((beyond - 0.062) / 0.006) ** 2) - (y / 0.3) ** 2)[..., None] * 0.4
    soft = max(rows / 330.0, 0.6)
    cover = gaussian_filter(smoothstep(0.0, 0.012, beyond), soft)[..., None]
    out = light * (1 - cover) + gaussian_filter(lip, (soft, soft, 0)) * cover
    if not finish.retractor:
        return out
    side = smoothstep(0.42, 0.60, np.abs(x) / (columns / rows) * 1.25)
    band = np.exp(-(((beyond + 0.012) / 0.022) ** 4)) * side
    gleam = np.exp(-(((beyond + 0.022) / 0.004) ** 2)) + 0.6 * np.exp(
        -(((beyond - 0.003) / 0.003) ** 2)
    )
    gleam = gaussian_filter(gleam * side * (0.6 + 0.4 * np.sin(9 * y + 2)), soft)[..., None]
    band = gaussian_filter(band, soft)[..., None]
    if finish.retractor == "metal":
        steel = (0.16 + 0.22 * np.sin(np.clip(bulge, 0, 1) * 3 + 3 * y))[..., None] * np.array(
            [1.0, 1.0, 1.04]
        )
        return out * (1 - band) + steel * band + 0.8 * gleam
    clear = gaussian_filter(out, (soft * 2, soft * 2, 0)) * 0.80 + np.array([0.055, 0.058, 0.062])
    return out * (1 - band) + clear * band + 0.5 * gleam


def photograph(light: Array, depth: Array, setup: Setup, finish: Finish) -> NDArray[np.uint8]:
    """Finish a picture: blur by depth, frame, glow, misfocus, vignette, tone, noise.

    Parameters
    ----------
    light : ndarray, shape (rows, columns, 3)
        Linear.
    depth : ndarray, shape (rows, columns)
        mm beyond the plane of focus.
    """
    rows, columns = light.shape[:2]
    light = light + np.array([0.016, 0.0055, 0.005])
    light = _depth_blur(light, depth, per_mm=0.075 * rows / 900.0 * 60.0 / setup.real.width)
    light = _frame(light, setup, finish)
    light = light + 0.035 * gaussian_filter(np.clip(light - 0.5, 0, 2), (rows / 60, rows / 60, 0))
    light = gaussian_filter(light, (0.45 + finish.soft,) * 2 + (0,))
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    light = light * (1 - 0.14 * (0.6 * x * x + 0.4 * y * y))[..., None]
    light = light * [1 + 0.05 * finish.warmth, 1.0, 1 - 0.09 * finish.warmth]
    value = _tone(light, finish.exposure) * 255
    rng = np.random.default_rng(finish.seed)
    sigma = finish.grain * (0.45 + 0.75 * np.sqrt(np.clip(value, 4, 255) / 128.0))
    grain = rng.standard_normal(value.shape) * 0.6 + rng.standard_normal((rows, columns, 1)) * 0.8
    grain = gaussian_filter(grain, (0.5, 0.5, 0)) * 1.6
    return np.clip(np.round(value + sigma * grain), 0, 255).astype(np.uint8)
