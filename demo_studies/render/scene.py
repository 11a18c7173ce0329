"""A mouth ready for ray casting: crowns, gum, palate or tongue, as one bag of triangles."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from embreex import rtcore_scene
from embreex.mesh_construction import TriangleMesh
from numpy.typing import NDArray

from .arches import Arch, ArchCurve, PlacedTooth, Stand, build_arch
from .colouring import enamel, fractions, soft
from .crowns import Field, crown_field
from .gums import floor, gum, palate, tongue
from .marks import Mark
from .meshing import Mesh, star_mesh
from .noise import noise

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Mouth:
    """What a patient's mouth is like at one visit.

    Attributes
    ----------
    upper, lower : tuple of int
        ISO 3950 numbers of the teeth present.
    curves : tuple of ArchCurve
        Of the upper and the lower arch.
    stands : mapping of int to Stand
        Teeth that are turned, displaced or not fully erupted.
    marks : mapping of int to tuple of Mark
        Fillings, chips, stains.
    """

    upper: tuple[int, ...]
    lower: tuple[int, ...]
    curves: tuple[ArchCurve, ArchCurve]
    stands: Mapping[int, Stand] = field(default_factory=dict)
    marks: Mapping[int, tuple[Mark, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Surface:
    """Triangles with everything that shading asks of a hit.

    Attributes
    ----------
    vertices, normals, colours : ndarray, shape (n, 3)
        mm, unit vectors, linear light 0 to 1.
    gloss, open_sky : ndarray, shape (n,)
        Strength of highlights; how much of the hemisphere is free (ambient occlusion).
    faces : ndarray, shape (m, 3)
    labels : ndarray, shape (m,)
        ISO number of the tooth that a triangle belongs to, 0 for soft parts.
    """

    vertices: Array
    normals: Array
    colours: Array
    gloss: Array
    open_sky: Array
    faces: NDArray[np.int64]
    labels: NDArray[np.int64]
    caster: rtcore_scene.EmbreeScene


def to_linear(srgb: Array) -> Array:
    """Decode sRGB (IEC 61966-2-1)."""
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


# mesh, colours, gloss, tooth (0 for soft parts), which vertices can be seen at all
_Part = tuple[Mesh, Array, Array, int, NDArray[np.bool_]]


@lru_cache(maxsize=256)
def _crown(iso: int, marks: tuple[Mark, ...], detail: int) -> tuple[Mesh, Array, Array]:
    crown: Field = crown_field(iso)
    size = crown.size

    def carved(p: Array) -> Array:
        value = crown.value(p)
        for mark in marks:
            if mark.cut or mark.level:
                cover = mark.cover(fractions(crown, p))
                value = value + mark.cut * cover
            if mark.level:
                lie = size.height - mark.level + 0.10 * noise(p, 1.6, 2)
                filled = np.minimum(value, (p[:, 2] - lie) * 0.75)
                value = value + (filled - value) * cover
        return value

    centre = np.array([0.0, 0.0, (0.45 if iso % 10 <= 3 else 0.22) * size.height])
    radii = np.array([size.width * 0.75, size.depth * 0.75, size.height])
    mesh = star_mesh(carved, centre, radii, detail)
    colour, gloss = enamel(iso, crown, mesh.vertices, mesh.normals, marks)
    return mesh, colour, gloss


def _arch_parts(arch: Arch, mouth: Mouth, detail: float, dressed: bool) -> list[_Part]:
    parts = []
    for tooth in arch.teeth:
        kind = tooth.iso - tooth.iso // 10 * 10
        right = {1: 10, 2: 10, 3: 40, 4: 40, 5: 50, 6: 50, 7: 80, 8: 80}[tooth.iso // 10] + kind
        mesh, colour, gloss = _crown(right, mouth.marks.get(tooth.iso, ()), int(92 * detail) + 6)
        normals = mesh.normals @ tooth.axes
        if np.linalg.det(tooth.axes) < 0:
            normals = -normals if _inward(mesh) else normals
        placed = Mesh(tooth.to_patient(mesh.vertices), normals, mesh.faces)
        parts.append((placed, colour, gloss, tooth.iso, mesh.vertices[:, 2] > -0.4))
    tissues = [gum(arch, detail, dressed)]
    if arch.upper:
        tissues.append(palate(arch, detail))
    else:
        tissues.append(floor(arch, detail))
        if dressed:
            tissues.append(tongue(arch, detail))
    for tissue in tissues:
        colour, gloss = soft(tissue)
        parts.append((tissue.mesh, colour, gloss, 0, np.ones(len(colour), bool)))
    return parts


def _inward(mesh: Mesh) -> bool:
    centre = mesh.vertices.mean(axis=0)
    return bool(np.einsum("ij,ij->i", mesh.normals, mesh.vertices - centre).mean() < 0)


def _hemisphere(count: int) -> Array:
    """Cosine-weighted directions about +z, a spiral."""
    k = (np.arange(count) + 0.5) / count
    turn = np.pi * (1 + 5**0.5) * np.arange(count)
    r = np.sqrt(k)
    return np.stack([r * np.cos(turn), r * np.sin(turn), np.sqrt(1 - k)], axis=1)


def _open_sky(
    caster: rtcore_scene.EmbreeScene, vertices: Array, normals: Array, rays: int
) -> Array:
    """Share of rays from each vertex that meet nothing within 14 mm, near hits counting most."""
    aside = np.where(np.abs(normals[:, :1]) > 0.8, [[0.0, 1.0, 0.0]], [[1.0, 0.0, 0.0]])
    side = np.cross(normals, aside)
    side /= np.linalg.norm(side, axis=1, keepdims=True) + 1e-12
    other = np.cross(normals, side)
    start = (vertices + normals * 0.06).astype(np.float32)
    blocked = np.zeros(len(vertices))
    for x, y, z in _hemisphere(rays):
        direction = (side * x + other * y + normals * z).astype(np.float32)
        reach = caster.run(start, direction, output=1)["tfar"]
        blocked += np.where(reach < 14.0, 1.0 - np.clip(reach / 14.0, 0, 1) ** 0.7, 0.0)
    return 1.0 - blocked / rays


def _unburied(sky: Array, faces: NDArray[np.int64]) -> Array:
    """Give vertices that lie inside another part the light of their neighbours outside.

    Otherwise the triangles that cross a surface would draw a dark saw along it.
    """
    buried = sky < 0.16
    for _ in range(4):
        edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
        edges = np.concatenate([edges, edges[:, ::-1]])
        edges = edges[buried[edges[:, 0]] & ~buried[edges[:, 1]]]
        total = np.bincount(edges[:, 0], sky[edges[:, 1]], len(sky))
        count = np.bincount(edges[:, 0], minlength=len(sky))
        reached = buried & (count > 0)
        sky = np.where(reached, total / np.maximum(count, 1) * 0.93, sky)
        buried = buried & ~reached
    return sky


class Scene:
    """A mouth in three dimensions.

    Parameters
    ----------
    mouth : Mouth
    detail : float
        1 for pictures; 0.3 is enough for tests.
    """

    def __init__(self, mouth: Mouth, detail: float = 1.0) -> None:
        self.mouth = mouth
        self.detail = detail
        self.upper = build_arch(mouth.upper, mouth.curves[0], mouth.stands)
        self.lower = build_arch(mouth.lower, mouth.curves[1], mouth.stands)
        self._surfaces: dict[str, Surface] = {}

    def tooth(self, iso: int) -> PlacedTooth:
        """Give a tooth of this mouth; KeyError where it is not there."""
        return self.upper[iso] if iso in self.upper else self.lower[iso]

    def surface(self, jaws: str) -> Surface:
        """Triangles of ``"upper"``, ``"lower"``, ``"closed"``, or, held clear of cheeks and tongue,
        ``"upper held"``, ``"lower held"``.
        """
        if jaws not in self._surfaces:
            self._surfaces[jaws] = self._build(jaws)
        return self._surfaces[jaws]

    def _build(self, jaws: str) -> Surface:
        parts = []
        if not jaws.startswith("lower"):
            parts += _arch_parts(self.upper, self.mouth, self.detail, jaws == "upper")
        if not jaws.startswith("upper"):
            parts += _arch_parts(self.lower, self.mouth, self.detail, jaws == "lower")
        offset = np.cumsum([0] + [len(p[0].vertices) for p in parts])
        vertices = np.concatenate([p[0].vertices for p in parts])
        normals = np.concatenate([p[0].normals for p in parts])
        faces = np.concatenate([p[0].faces + o for p, o in zip(parts, offset, strict=False)])
        labels = np.concatenate([np.full(len(p[0].faces), p[3]) for p in parts])
        caster = rtcore_scene.EmbreeScene()
        TriangleMesh(caster, vertices[faces].astype(np.float32))
        shown = np.concatenate([p[4] for p in parts])
        sky = np.full(len(vertices), 0.3)
        sky[shown] = _open_sky(
            caster, vertices[shown], normals[shown], 18 if self.detail > 0.6 else 10
        )
        colours = to_linear(np.concatenate([p[1] for p in parts]))
        gloss = np.concatenate([p[2] for p in parts])
        sky = _unburied(sky, faces)
        normals, colours, gloss, sky = (
            a.astype(np.float32) for a in (normals, colours, gloss, sky)
        )
        return Surface(vertices, normals, colours, gloss, sky, faces, labels, caster)
