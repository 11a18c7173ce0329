"""Instances kept for good: files, index, journal and the questions asked of them."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
