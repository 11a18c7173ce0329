"""Teeth, surfaces, views and the algebra of their orientation: pure, no file, no DICOM."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
