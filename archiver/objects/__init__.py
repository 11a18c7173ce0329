"""The session sheet, and the DICOM instances that a photograph becomes."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
