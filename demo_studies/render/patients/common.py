"""What the invented patients share: the practice's cameras, its dentists, full adult arches."""

from ..camera import Shot
from ..camera_files import CameraModel

HALDEN = CameraModel(
    "Haldenvik", "HV-D5", "HV5-0031877", "Haldenvik Macro 100mm F2.8", "+01:00", profile=True
)
CORVANE = CameraModel("Corvanne", "C-70", "70-441-2209", "Corvanne 100mm Macro", subsampling=2)

VUORINEN = {"confirmed_by": '"Vuorinen^Maia"'}
PRASETYO = {"confirmed_by": '"Prasetyo^Dewi"'}

PERMANENT_UPPER = tuple(q * 10 + k for q in (1, 2) for k in range(1, 8))
PERMANENT_LOWER = tuple(q * 10 + k for q in (3, 4) for k in range(1, 8))


def in_mirror(
    *teeth: int,
    view: str,
    sway: tuple[float, float, float] = (0.0, 0.0, 0.0),
    drift: tuple[float, float] = (0.0, 0.0),
) -> Shot:
    """Take a shot in a mirror, from in front unless said otherwise."""
    return Shot(teeth, view, True, sway=sway, drift=drift)
