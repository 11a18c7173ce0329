"""Work on bytes from outside, in processes that end when they take too much memory or time."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
