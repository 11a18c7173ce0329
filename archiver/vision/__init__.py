"""What pixels say: pictures in, figures out. Knows no DICOM."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
