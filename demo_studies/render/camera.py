"""Where the camera and the mirror are, for a tooth and a view; and the projection.

The camera of an operator in front of an upright patient looks P with its top towards H; an operator
behind the head holds the picture turned by 180 degrees. A mirror turns the looking direction c
into the view's direction d: its normal is n ~ d - c, and what the camera shows is what a virtual
camera behind the mirror would show whose axes are the reflected ones. Lingual views are taken a
little from the open side of the mouth, as the front teeth would be in the way otherwise.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .dimensions import is_right, is_upper
from .scene import Scene

Array = NDArray[np.float64]

WORKING_DISTANCE = 320.0
LEFT, POSTERIOR, HEAD = np.eye(3)

ARCH_VIEWS = ("upper occlusal arch", "lower occlusal arch")
CLOSED_VIEWS = ("frontal", "right buccal", "left buccal")


@dataclass(frozen=True)
class Shot:
    """A photograph to be taken.

    Attributes
    ----------
    teeth : tuple of int
        ISO 3950 numbers; may be empty for views of an arch or of the mouth.
    view : str
        "occlusal", "incisal", "buccal", "labial", "facial", "lingual", "palatal", "frontal",
        "right buccal", "left buccal", "upper occlusal arch", "lower occlusal arch".
    mirror : bool
        Taken in a mirror.
    operator : str
        "front" or "behind" the patient's head.
    width : float
        Breadth of the field in mm; 0 chooses by the view.
    sway : tuple of float
        Degrees by which the hand is off: turn about the lens axis, to the side, up.
    drift : tuple of float
        mm by which the picture is off centre, to its right and up.
    """

    teeth: tuple[int, ...]
    view: str
    mirror: bool = False
    operator: str = "front"
    width: float = 0.0
    sway: tuple[float, float, float] = (0.0, 0.0, 0.0)
    drift: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Pose:
    """A pinhole camera: position, looking direction, and the directions of its right and top.

    A virtual camera (seen through a mirror) is left-handed: right x top points forwards, and the
    picture is a reflected one. ``near`` is the distance before which nothing is seen (the plane
    of the mirror). ``slant``, a point and a normal, is the plane that a mirror for this view would
    lie in: plain pictures begin there, so that direct and mirror ones show the same.
    """

    eye: Array
    forward: Array
    right: Array
    top: Array
    width: float
    focus: float
    near: float = 0.0
    slant: tuple[Array, Array] | None = None

    def project(self, points: Array, aspect: float) -> Array:
        """Positions (n, 3) in mm to fractions (n, 2) of the picture, from its left and top."""
        offset = points - self.eye
        depth = offset @ self.forward
        x = offset @ self.right / depth * self.focus / self.width
        y = offset @ self.top / depth * self.focus / (self.width / aspect)
        return np.stack([0.5 + x, 0.5 - y], axis=-1)


@dataclass(frozen=True)
class Setup:
    """A shot made concrete: the real camera, the virtual one it amounts to, and the mirror.

    ``seen`` is the camera that looks at the teeth: the virtual one of a mirror shot, the real
    one of a direct shot. ``mirror_point`` and ``mirror_normal`` are None without a mirror.
    """

    real: Pose
    seen: Pose
    jaws: str
    mirror_point: Array | None = None
    mirror_normal: Array | None = None


def reflect(vector: Array, normal: Array) -> Array:
    """Mirror a vector in the plane with this unit normal."""
    return (
        vector - 2.0 * (vector @ normal)[..., None] * normal
        if vector.ndim > 1
        else (vector - 2.0 * float(vector @ normal) * normal)
    )


def _unit(vector: Array) -> Array:
    return vector / np.linalg.norm(vector)


def _side(shot: Shot) -> float:
    """+1 where the teeth are on the patient's right, -1 on the left."""
    return 1.0 if sum(1 if is_right(t) else -1 for t in shot.teeth) > 0 else -1.0


def _is_front(shot: Shot) -> bool:
    return bool(shot.teeth) and all(t % 10 <= 3 for t in shot.teeth)


def looking(shot: Shot) -> tuple[Array, Array]:
    """Directions d of the view and c of a camera in front that uses a mirror (unit vectors)."""
    view, front = shot.view, POSTERIOR
    if view in ARCH_VIEWS:
        return (HEAD if view.startswith("upper") else -HEAD), front
    if view in CLOSED_VIEWS:
        return {"frontal": POSTERIOR, "right buccal": LEFT, "left buccal": -LEFT}[view], front
    upper = 1.0 if is_upper(shot.teeth[0]) else -1.0
    if view in ("occlusal", "incisal"):
        return upper * HEAD, front
    if view in ("buccal", "labial", "facial"):
        return (POSTERIOR if _is_front(shot) else _side(shot) * LEFT), front
    if _is_front(shot):
        elevation, tilt = np.radians(35.0), np.radians(6.0)
        d = -POSTERIOR * np.cos(elevation) + upper * HEAD * np.sin(elevation)
    else:
        elevation, tilt = np.radians(16.0), np.radians(24.0)
        d = -_side(shot) * LEFT * np.cos(elevation) + upper * HEAD * np.sin(elevation)
    return d, front * np.cos(tilt) + upper * HEAD * np.sin(tilt)


def _target(scene: Scene, shot: Shot) -> tuple[Array, float, float]:
    """What is in the middle of the picture, its breadth and how far off the mirror is, mm."""
    front = _is_front(shot)
    if shot.view in ARCH_VIEWS:
        arch = scene.upper if shot.view.startswith("upper") else scene.lower
        ends = np.array([t.centre for t in arch.teeth])
        back = ends[:, 1].max() + 5.0
        z = float(np.median(ends[:, 2]))
        return np.array([0.0, (back - 5.0) / 2, z]), 1.62 * back, back / 2 + 6.0
    if shot.view == "frontal":
        return np.array([0.0, 4.0, 1.5]), 62.0, 25.0
    if shot.view in CLOSED_VIEWS:
        side = -1.0 if shot.view.startswith("right") else 1.0
        return np.array([side * 24.0, 18.0, 1.5]), 54.0, 37.0
    centre = np.mean([scene.tooth(t).centre for t in shot.teeth], axis=0)
    spread = np.ptp([scene.tooth(t).centre[1 if not front else 0] for t in shot.teeth])
    width = 30.0 + float(spread)
    # far enough that the glass clears the teeth behind those in the picture
    if shot.view in ("lingual", "palatal"):
        return centre, width, (26.0 if front else 22.0)
    return centre, width, (21.0 if shot.view in ("occlusal", "incisal") else 29.0)


def _jaws(shot: Shot) -> str:
    if shot.view in CLOSED_VIEWS:
        return "closed"
    if shot.view in ARCH_VIEWS:
        return shot.view.split()[0]
    jaw = "upper" if is_upper(shot.teeth[0]) else "lower"
    return jaw if shot.view in ("occlusal", "incisal") else f"{jaw} held"


def _sway(shot: Shot, right: Array, top: Array, forward: Array) -> tuple[Array, Array, Array]:
    roll, yaw, pitch = (float(np.radians(a)) for a in shot.sway)
    forward = _unit(forward + np.tan(yaw) * right + np.tan(pitch) * top)
    right = _unit(right - (right @ forward) * forward)
    top = np.cross(right, forward)
    return (
        right * np.cos(roll) + top * np.sin(roll),
        top * np.cos(roll) - right * np.sin(roll),
        forward,
    )


def _canonical_top(direction: Array) -> Array:
    """Top of a direct picture: the camera that looks P with H on top, turned the shortest way."""
    if direction[1] < -0.5:
        return HEAD - (HEAD @ direction) * direction
    angle_axis = np.cross(POSTERIOR, direction)
    if np.linalg.norm(angle_axis) < 1e-9:
        return HEAD
    axis = _unit(angle_axis)
    cos, sin = float(POSTERIOR @ direction), float(np.linalg.norm(angle_axis))
    return HEAD * cos + np.cross(axis, HEAD) * sin + axis * (axis @ HEAD) * (1 - cos)


def set_up(scene: Scene, shot: Shot) -> Setup:
    """Place camera and mirror for a shot.

    Raises
    ------
    ValueError
        For a mirror shot of a view that a camera in front already looks at (frontal).
    """
    target, width, gap = _target(scene, shot)
    width = shot.width or width
    d, c = looking(shot)
    if not shot.mirror and np.allclose(d, POSTERIOR):
        top = HEAD if shot.operator == "front" else -HEAD
        return _direct(shot, target, width, np.cross(d, top), top)
    if np.allclose(d, c):
        raise ValueError(f"a mirror has no use for the view {shot.view!r} of these teeth")
    normal = _unit(d - c)
    up = HEAD - (HEAD @ c) * c
    up = _unit(up) * (1.0 if shot.operator == "front" else -1.0)
    right = np.cross(c, up)
    right, up = _levelled(right, up, normal, d)
    mirror = target - d * gap
    if not shot.mirror:
        virtual = (reflect(right, normal), reflect(up, normal), d)
        direct = _turned_towards(shot, target, width, virtual)
        pose = replace(direct.seen, slant=(mirror, normal))
        return Setup(pose, pose, direct.jaws)
    right, up, c = _sway(shot, right, up, c)
    aim = mirror - right * shot.drift[0] - up * shot.drift[1]
    real = Pose(aim - c * (WORKING_DISTANCE - gap), c, right, up, width, WORKING_DISTANCE)
    eye = mirror + reflect(real.eye - mirror, normal)
    seen = Pose(
        eye,
        reflect(c, normal),
        reflect(right, normal),
        reflect(up, normal),
        width,
        WORKING_DISTANCE,
        WORKING_DISTANCE - gap,
        (mirror, normal),
    )
    return Setup(real, seen, _jaws(shot), mirror, normal)


def _levelled(right: Array, up: Array, normal: Array, d: Array) -> tuple[Array, Array]:
    """Roll the camera so that an oblique view through the mirror still has its head end upright."""
    level = HEAD - (HEAD @ d) * d
    if np.linalg.norm(level) < 0.5:
        return right, up
    level = _unit(reflect(_unit(level), normal))
    if level @ up < 0:
        level = -level
    return np.cross(np.cross(up, right), level), level


def _direct(shot: Shot, target: Array, width: float, right: Array, top: Array) -> Setup:
    forward = np.cross(top, right)
    right, top, forward = _sway(shot, right, top, forward)
    aim = target - right * shot.drift[0] - top * shot.drift[1]
    gap = 15.0
    pose = Pose(
        aim - forward * WORKING_DISTANCE,
        forward,
        right,
        top,
        width,
        WORKING_DISTANCE,
        WORKING_DISTANCE - gap,
    )
    return Setup(pose, pose, _jaws(shot))


def _turned_towards(
    shot: Shot, target: Array, width: float, virtual: tuple[Array, Array, Array]
) -> Setup:
    """Direct camera: the mirror's virtual camera made right-handed, top as it would be held."""
    right, top, d = virtual
    wanted = _canonical_top(d) * (1.0 if shot.operator == "front" else -1.0)
    if abs(float(top @ wanted)) < 0.5:
        right, top = top, right
    if top @ wanted < 0:
        top = -top
    right = np.cross(d, top)
    return _direct(shot, target, width, right, top)


def direct_twin(setup: Setup) -> Setup:
    """Give the direct camera that sees what a mirror shot shows, from the virtual camera's place.

    Its picture is the mirror shot's flipped left-right, pixel for pixel.
    """
    pose = replace(setup.seen, right=-setup.seen.right)
    return Setup(pose, pose, setup.jaws)
