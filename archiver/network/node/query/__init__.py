"""Questions to the node, whatever the protocol: keys, matching, worklist."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
