"""Old folders in: what a clinic kept before, read in place, taken in as far as it is known."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
