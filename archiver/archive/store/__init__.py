"""Where objects are kept for good: files, journal, index, and the transaction over them."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
