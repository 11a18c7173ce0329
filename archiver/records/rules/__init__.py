"""What a record must hold: rule sets as data, read and put in words."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
