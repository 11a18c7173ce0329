"""Other archives and other software: DIMSE and DICOMweb, as client and as node."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
