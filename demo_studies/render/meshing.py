"""Triangles: cube spheres walked in to an implicit surface, sheets, tubes, vertex normals."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Faces = NDArray[np.int64]


@dataclass(frozen=True)
class Mesh:
    """A triangle mesh.

    Attributes
    ----------
    vertices, normals : ndarray, shape (n, 3)
        mm, and unit outward normals.
    faces : ndarray, shape (m, 3)
        Vertex numbers.
    """

    vertices: Array
    normals: Array
    faces: Faces


def sheet_faces(rows: int, columns: int) -> Faces:
    """Triangulate a grid of rows x columns vertices."""
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    return np.concatenate(
        [np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)]
    )


def vertex_normals(vertices: Array, faces: Faces) -> Array:
    """Area-weighted unit normals."""
    corner = vertices[faces]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    total = np.stack(
        [
            sum(np.bincount(faces[:, k], normal[:, axis], len(vertices)) for k in range(3))
            for axis in range(3)
        ],
        axis=1,
    )
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)


def cube_sphere(detail: int) -> tuple[Array, Faces]:
    """Unit directions of a subdivided cube, shared along its edges, and its triangles."""
    t = np.tan(np.linspace(-np.pi / 4, np.pi / 4, detail + 1))
    u, v = np.meshgrid(t, t)
    one = np.ones_like(u)
    sides = [(one, u, v), (-one, -u, v), (-u, one, v), (u, -one, v), (u, v, one), (-u, v, -one)]
    points = np.concatenate([np.stack(s, -1).reshape(-1, 3) for s in sides])
    faces = np.concatenate(
        [sheet_faces(detail + 1, detail + 1) + k * (detail + 1) ** 2 for k in range(6)]
    )
    points /= np.linalg.norm(points, axis=1, keepdims=True)
    _, first, inverse = np.unique(
        np.round(points, 9), axis=0, return_index=True, return_inverse=True
    )
    return points[first], inverse.reshape(-1)[faces]


def star_mesh(field: Callable[[Array], Array], centre: Array, radii: Array, detail: int) -> Mesh:
    """Mesh a surface that is seen whole from a point within it.

    Parameters
    ----------
    field : callable
        Positions (n, 3) to signed distance, negative inside.
    centre, radii : ndarray, shape (3,)
        The point within, and an ellipsoid round the whole.
    detail : int
        Cells along each edge of the cube sphere.
    """
    directions, faces = cube_sphere(detail)
    reach = directions * radii
    length = np.linalg.norm(reach, axis=1)
    t = np.ones(len(reach))
    for _ in range(36):
        value = field(centre + reach * t[:, None])
        t = np.clip(t - 0.55 * value / length, 0.02, 1.6)
    vertices = centre + reach * t[:, None]
    normals = vertex_normals(vertices, faces)
    return Mesh(vertices, normals, faces)


def sheet_mesh(grid: Array, outside: Array, keep: NDArray[np.bool_] | None = None) -> Mesh:
    """Mesh a grid of positions (rows, columns, 3); normals turn towards a point ``outside``.

    ``keep`` (rows, columns) leaves out the triangles that have no vertex worth keeping.
    """
    rows, columns = grid.shape[:2]
    vertices = grid.reshape(-1, 3)
    faces = sheet_faces(rows, columns)
    normals = vertex_normals(vertices, faces)
    if keep is not None:
        faces = faces[keep.reshape(-1)[faces].any(axis=1)]
    towards = np.einsum("ij,ij->i", normals, outside - vertices)
    return Mesh(vertices, normals * np.where(towards.mean() < 0, -1.0, 1.0), faces)
