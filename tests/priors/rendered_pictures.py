"""Base pictures of invented mouths whose truth is known, from which pairs are derived.

The renderer of the demo studies gives light, distance and tooth of every pixel. Its crowns of one
kind are alike in all mouths and left ones are exact reflections of right ones, which no two
patients are; here each patient's surfaces are therefore bent and tinted by a smooth field of
their own. A base picture is wider than a photograph, so that photographs taken nearer, farther,
turned and shifted can be cut out of it: with the camera's axis unchanged these are exact.

Base pictures are kept in a folder (``ARCHIVER_PICTURES``, else one of the system's temporary
folder) under a name that holds everything they depend on.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from dataclasses import astuple, dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from embreex import rtcore_scene
from embreex.mesh_construction import TriangleMesh
from numpy.typing import NDArray

from demo_studies.render.arches import LOWER_ADULT, UPPER_ADULT, Stand
from demo_studies.render.camera import Pose, Setup, Shot, direct_twin, set_up
from demo_studies.render.dimensions import crown_size
from demo_studies.render.marks import Mark, amalgam, composite, stain, white_spot
from demo_studies.render.noise import noise
from demo_studies.render.patients.common import PERMANENT_LOWER, PERMANENT_UPPER
from demo_studies.render.scene import Mouth, Scene, Surface
from demo_studies.render.tracing import Look, cast, labels_of, near_start, rays, shade

Array = NDArray[np.float64]

#: A base picture is this much wider than the photographs that are cut out of it.
WIDER = 1.6
_VERSION = 3
#: Linear light is kept as 16-bit numbers in these steps.
STEPS = 8192.0


@dataclass(frozen=True)
class Sight:
    """What a base picture shows.

    Parameters
    ----------
    patient
        Seed of the mouth.
    tooth, view
        ISO 3950 number and trade word.
    later
        True for the second visit: a new filling, the neighbour behind lost, wet teeth, other
        light.
    tilt
        Degrees by which the camera looks from the side and from above.
    columns
        Of the base picture.
    detail
        Of the surfaces.
    """

    patient: int
    tooth: int
    view: str
    later: bool = False
    tilt: tuple[float, float] = (0.0, 0.0)
    columns: int = 2400
    detail: float = 0.6

    @property
    def rows(self) -> int:
        """Of the base picture."""
        return self.columns * 2 // 3


@dataclass(frozen=True)
class Base:
    """A base picture and what is true of it.

    Attributes
    ----------
    light
        uint16, shape (rows, columns, 3), linear, in steps of 1 / `STEPS`.
    reach
        float32, mm from the eye; 0 where nothing is met.
    labels
        uint8, ISO number of the tooth.
    points
        float64, shape (n, 3): places on the tooth that are seen here, in patient millimetres.
    pose
        The camera.
    field
        Breadth in mm of a photograph cut out at scale 1.
    """

    light: NDArray[np.uint16]
    reach: NDArray[np.float32]
    labels: NDArray[np.uint8]
    points: Array
    pose: Pose
    field: float

    def project(self, points: Array) -> Array:
        """Places (n, 3) to pixels (n, 2) of the base picture, pixel centres at whole numbers."""
        rows, columns = self.labels.shape
        at = self.pose.project(points, columns / rows)
        return at * [columns, rows] - 0.5

    def sees(self, points: Array) -> NDArray[np.bool_]:
        """Whether each place is seen: nothing nearer or farther by 0.3 mm lies there."""
        rows, columns = self.labels.shape
        at = np.round(self.project(points)).astype(int)
        inside = (at >= 0).all(1) & (at[:, 0] < columns) & (at[:, 1] < rows)
        x, y = np.where(inside[:, None], at, 0).T
        away = np.linalg.norm(points - self.pose.eye, axis=1)
        return inside & (np.abs(self.reach[y, x] - away) < 0.3)


def _marks(rng: np.random.Generator) -> tuple[Mark, ...]:
    kind = rng.integers(0, 6)
    x, y = rng.uniform(-0.4, 0.4, 2)
    if kind == 0:
        return amalgam((x - 0.3, y), (x + 0.3, y * 0.5), radius=0.2)
    if kind == 1:
        return (composite(x, y, 0.25),)
    if kind == 2:
        return (stain(x, 0.8, rng.uniform(0.2, 0.8), 0.2),)
    return (white_spot(x, 0.8, rng.uniform(0.2, 0.8)),) if kind == 3 else ()


def _new_filling(tooth: int, patient: int) -> tuple[Mark, ...]:
    if tooth % 10 <= 3:
        return (stain(0.4, 0.9, 0.4, 0.25), white_spot(-0.3, 0.9, 0.6, 0.3))
    if patient % 2:
        return amalgam((-0.5, -0.05), (0.05, 0.0), (0.45, 0.08), radius=0.22)
    return (composite(0.15, 0.0, 0.33),)


def mouth(patient: int, tooth: int, later: bool) -> Mouth:
    """Invent a mouth; at the later visit with what has happened to the tooth since."""
    rng = np.random.default_rng(patient)
    upper, lower = list(PERMANENT_UPPER), list(PERMANENT_LOWER)
    marks = {iso: _marks(rng) for iso in upper + lower}
    stands = {iso: Stand(turned=float(rng.normal(0, 6))) for iso in upper + lower}
    if later:
        marks[tooth] = (*marks[tooth], *_new_filling(tooth, patient))
        behind, next_but_one = tooth + 1, tooth + 2
        for jaw in (upper, lower):
            if behind in jaw:
                jaw.remove(behind)
                width = crown_size(behind).width * 0.96
                if next_but_one in stands:
                    stands[next_but_one] = replace(stands[next_but_one], space=width)
    return Mouth(tuple(upper), tuple(lower), (UPPER_ADULT, LOWER_ADULT), stands, marks)


def _own(patient: int, vertices: Array) -> tuple[Array, Array]:
    """Return displacement (n, 3) in mm and tint (n,) of this patient at each place."""
    places = np.random.default_rng(patient + 5000).uniform(0, 60, (5, 3))
    bent = np.stack([noise(vertices + p, 3.2, 2) for p in places[:3]], axis=1) * 0.28
    tint = (
        1 + 0.045 * noise(vertices + places[3], 2.0, 2) + 0.03 * noise(vertices + places[4], 0.6, 2)
    )
    return bent, tint


def _personal(surface: Surface, patient: int, wet: bool) -> Surface:
    bent, tint = _own(patient, surface.vertices)
    vertices = surface.vertices + bent
    corners = vertices[surface.faces]
    flat = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = np.zeros_like(vertices)
    for k in range(3):
        np.add.at(normals, surface.faces[:, k], flat)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True) + 1e-12
    normals *= np.where(np.einsum("ij,ij->i", normals, surface.normals) < 0, -1.0, 1.0)[:, None]
    caster = rtcore_scene.EmbreeScene()
    TriangleMesh(caster, vertices[surface.faces].astype(np.float32))
    gloss = surface.gloss
    if wet:
        pool = np.clip(noise(vertices + 11.0, 2.5, 2), 0, 2)
        gloss = gloss * (1.3 + 1.5 * pool).astype(np.float32)
        normals = normals + 0.10 * np.stack([noise(vertices + s, 1.1, 1) for s in (3, 9, 27)], 1)
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return replace(
        surface,
        vertices=vertices,
        normals=normals.astype(np.float32),
        colours=np.clip(surface.colours * tint[:, None], 0, 1).astype(np.float32),
        gloss=gloss,
        caster=caster,
    )


@lru_cache(maxsize=2)
def _surface(patient: int, tooth: int, later: bool, jaws: str, detail: float) -> Surface:
    return _personal(Scene(mouth(patient, tooth, later), detail).surface(jaws), patient, later)


@lru_cache(maxsize=4)
def _placing(patient: int, tooth: int) -> Scene:
    return Scene(mouth(patient, tooth, False), 0.1)


def _setup(sight: Sight) -> Setup:
    front = sight.tooth % 10 <= 3
    mirror = sight.view in ("occlusal", "lingual", "palatal") or not front
    scene = _placing(sight.patient, sight.tooth)
    # A tilt here is of the camera as the tooth sees it, so it is put in by turning about the
    # tooth: the camera keeps looking at it.
    shot = Shot((sight.tooth,), sight.view, mirror)
    setup = set_up(scene, shot)
    setup = direct_twin(setup) if mirror else setup
    pose = replace(setup.seen, width=setup.seen.width * WIDER)
    if sight.tilt != (0.0, 0.0):
        pose = _tilted(pose, scene.tooth(sight.tooth).centre, sight.tilt)
    return Setup(pose, pose, setup.jaws)


def _tilted(pose: Pose, about: Array, tilt: tuple[float, float]) -> Pose:
    matrix = np.eye(3)
    for axis, degrees in ((pose.top, tilt[0]), (pose.right, tilt[1])):
        angle = np.radians(degrees)
        x, y, z = axis
        skew = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
        matrix = (np.eye(3) + np.sin(angle) * skew + (1 - np.cos(angle)) * skew @ skew) @ matrix
    return replace(
        pose,
        eye=about + matrix @ (pose.eye - about),
        forward=matrix @ pose.forward,
        right=matrix @ pose.right,
        top=matrix @ pose.top,
    )


def _folder() -> Path:
    named = os.environ.get("ARCHIVER_PICTURES")
    folder = Path(named) if named else Path(tempfile.gettempdir()) / "archiver-test-pictures"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def base(sight: Sight) -> Base:
    """Return a base picture, drawn if it has not been drawn before."""
    digest = hashlib.sha256(repr((_VERSION, astuple(sight))).encode()).hexdigest()[:24]
    path = _folder() / f"{digest}.npz"
    setup = _setup(sight)
    if path.exists():
        with np.load(path) as kept:
            return Base(
                kept["light"], kept["reach"], kept["labels"], kept["points"], setup.seen,
                setup.seen.width / WIDER,
            )  # fmt: skip
    made = _drawn(sight, setup)
    aside = path.with_suffix(f".{os.getpid()}.npz")
    np.savez(aside, light=made.light, reach=made.reach, labels=made.labels, points=made.points)
    aside.replace(path)
    return made


def _drawn(sight: Sight, setup: Setup) -> Base:
    surface = _surface(sight.patient, sight.tooth, sight.later, setup.jaws, sight.detail)
    pose, shape = setup.seen, (sight.rows, sight.columns)
    direction = rays(pose, *shape)
    start = near_start(pose, direction)
    right, top = (pose.right, pose.top) if not sight.later else (pose.top, -pose.right)
    look = Look(start, direction, pose.eye, right, top)
    hits = cast(surface, start, direction)
    light = shade(surface, hits, look, -0.35 if sight.later else 0.25)
    reach = np.where(hits.found, hits.reach + np.linalg.norm(start - pose.eye, axis=1), 0.0)
    labels = labels_of(surface, hits)
    on = np.flatnonzero(labels == sight.tooth)
    pick = np.random.default_rng(sight.tooth).choice(on, min(400, len(on)), replace=False)
    points = pose.eye + direction[pick] * reach[pick, None]
    return Base(
        np.clip(np.round(light * STEPS), 0, 65535).astype(np.uint16).reshape(*shape, 3),
        reach.astype(np.float32).reshape(shape),
        labels.astype(np.uint8).reshape(shape),
        points,
        pose,
        pose.width / WIDER,
    )
