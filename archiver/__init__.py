"""Brings intraoral photographs into a patient's imaging record.

A program uses what it takes from here; the rooms below are for those who carry on this one::

    from archiver import Archive, wrap

- **Who and what**: `Patient`, `Visit`, `Photograph`, `Session`, `Plan`, with `Tooth`, `View` and
  the words for them. What means nothing cannot be constructed: the constructor raises one of the
  errors below.
- **The archive**: `Archive.open` and `Archive.create`.
- **What is done**: `wrap`, `validate`, `query`, `compare`, `audit`, `amend`, `hand_over`, as the
  verbs of the command line do it. The last has the verb's two words since `archiver.handover` is a
  room; no name from here is also a room's.
- **Errors**: `ArchiverError` is the root; each carries its `Problem` objects.

Nothing reaches for the time or the person: they are passed in. Names are loaded when they are
first used.
"""

import lazy_loader

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
