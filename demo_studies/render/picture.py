"""From a shot to pixels: plain for comparison, or with all that a real photograph has on it.

This is the module that tests use: ``render``, ``label_map``, ``tooth_centres``.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .camera import Setup, Shot, direct_twin, set_up
from .finish import Finish, develop, mirror_outline, photograph
from .scene import Scene, Surface
from .tracing import Hits, Look, cast, labels_of, near_start, plane_reach, rays, reflected, shade

Pixels = NDArray[np.uint8]
Array = NDArray[np.float64]


def _plain_look(setup: Setup, rows: int, columns: int) -> Look:
    if setup.mirror_point is None:
        direction = rays(setup.seen, rows, columns)
        start = near_start(setup.seen, direction)
        return Look(start, direction, setup.seen.eye, setup.seen.right, setup.seen.top)
    direction = rays(setup.real, rows, columns)
    return reflected(setup, direction, plane_reach(setup, direction))


def _average(light: Array, rows: int, columns: int, finer: int) -> Array:
    return light.reshape(rows, finer, columns, finer, -1).mean(axis=(1, 3))


def render_setup(scene: Scene, setup: Setup, width: int, height: int) -> Pixels:
    """Render camera and mirror as placed, plainly: unbounded mirror, even light, nothing added."""
    surface = scene.surface(setup.jaws)
    look = _plain_look(setup, height * 2, width * 2)
    light = shade(surface, cast(surface, look.start, look.direction), look, 0.0)
    return develop(_average(light, height, width, 2))


def _photographed(
    surface: Surface, setup: Setup, size: tuple[int, int], finish: Finish
) -> tuple[Array, Array]:
    """Linear light and distance from the lens of each ray: in the mirror, on its rim, beside it."""
    rows, columns = size
    light = np.zeros((rows * columns, 3))
    reach = np.full(rows * columns, np.inf)
    glass = np.zeros(rows * columns)
    direction = rays(setup.real, rows, columns)
    start = near_start(replace(setup.real, slant=None), direction)
    if setup.mirror_point is not None:
        glass, rim = mirror_outline(setup, direction, finish)
        to_glass = plane_reach(setup, direction)
        pick = glass > 0
        part = direction[pick]
        look = reflected(setup, part, to_glass[pick])
        hits = cast(surface, look.start, look.direction)
        light[pick] = shade(surface, hits, look, 0.25) * [0.90, 0.915, 0.90]
        light[rim > 0] = rim[rim > 0, None] * [0.62, 0.64, 0.66]
        reach[pick] = to_glass[pick] + hits.reach
        _paint_direct(surface, setup, direction, (light, reach, to_glass, (glass > 0) | (rim > 0)))
    else:
        look = Look(start, direction, setup.real.eye, setup.real.right, setup.real.top)
        hits = cast(surface, look.start, look.direction)
        light = shade(surface, hits, look, 0.25)
        reach = hits.reach + np.linalg.norm(start - setup.real.eye, axis=1)
    return light, reach


def render(
    scene: Scene,
    shot: Shot,
    width: int,
    height: int,
    *,
    plain: bool = False,
    finish: Finish | None = None,
) -> Pixels:
    """Take a photograph, as the camera shows it (a mirror shot comes out reflected).

    Parameters
    ----------
    scene : Scene
    shot : Shot
    width, height : int
        Pixels.
    plain : bool
        No rim of the mirror, retractor, lips, noise, blur or uneven light, and a mirror without
        end: then a mirror shot equals the flipped picture of its `direct_twin`.
    finish : Finish, optional
        Effects of a photograph and their seed; a default when not plain.

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
        sRGB.
    """
    setup = set_up(scene, shot)
    if plain:
        return render_setup(scene, setup, width, height)
    finish = finish or Finish()
    grid, depth, setup = lit(scene, shot, width, height, finish)
    return photograph(grid, depth, setup, finish)


def lit(
    scene: Scene, shot: Shot, width: int, height: int, finish: Finish
) -> tuple[Array, Array, Setup]:
    """Give linear light (height, width, 3), mm beyond the plane of focus, and the placed camera."""
    setup = set_up(scene, shot)
    light, reach = _photographed(scene.surface(setup.jaws), setup, (height * 2, width * 2), finish)
    deep = np.where(np.isfinite(reach), reach, setup.real.focus + 40.0)
    depth = _average(deep[:, None], height, width, 2)[..., 0] - setup.real.focus
    return _average(light, height, width, 2), depth, setup


def _paint_direct(
    surface: Surface,
    setup: Setup,
    direction: Array,
    canvas: tuple[Array, Array, Array, NDArray[np.bool_]],
) -> None:
    """Add what the camera sees beside the mirror or before it."""
    light, reach, to_glass, covered = canvas
    eye = setup.real.eye
    begin = np.broadcast_to(eye, direction.shape)
    hits = cast(surface, begin, direction)
    front = hits.found & (~covered | (hits.reach < to_glass))
    shown = Hits(front, hits.triangle, hits.weights, hits.reach)
    look = Look(begin, direction, eye, setup.real.right, setup.real.top)
    direct = shade(surface, shown, look, 0.25)
    light[front] = direct[front]
    reach[front] = hits.reach[front]


def label_map(scene: Scene, shot: Shot, width: int, height: int) -> NDArray[np.int64]:
    """ISO number of the tooth each pixel of the plain picture shows (height, width), 0 for none."""
    setup = set_up(scene, shot)
    look = _plain_look(setup, height, width)
    surface = scene.surface(setup.jaws)
    return labels_of(surface, cast(surface, look.start, look.direction)).reshape(height, width)


def render_twin(scene: Scene, shot: Shot, width: int, height: int) -> Pixels:
    """Plain picture by the right-handed camera at the virtual one's place (see `direct_twin`)."""
    return render_setup(scene, direct_twin(set_up(scene, shot)), width, height)


def tooth_centres(
    scene: Scene, shot: Shot, aspect: float, teeth: Iterable[int]
) -> dict[int, tuple[float, float]]:
    """Where the middles of crowns lie in the picture as shown: fractions from left and top."""
    pose = set_up(scene, shot).seen
    found = {}
    for iso in teeth:
        x, y = pose.project(scene.tooth(iso).centre, aspect)
        found[iso] = (float(x), float(y))
    return found
