"""The demo studies. Every person, practice, camera and number in here is invented.

Tannery Lane Dental Practice, Brackwater, photographs three of its patients over two years.
"""

from .patients import idris, rowan, solrun
from .scenario import Visit


def visits() -> tuple[Visit, ...]:
    """Give all visits, by patient and date."""
    return (*rowan.visits(), *solrun.visits(), *idris.visits())
