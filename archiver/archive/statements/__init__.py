"""What people say after the fact: amendments, rejections, consents and hand-overs."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
