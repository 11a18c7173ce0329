"""The services that we use of other archives by DIMSE (PS3.4, PS3.7)."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
