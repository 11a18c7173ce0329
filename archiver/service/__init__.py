"""What `archiver serve` does beside the network: the channel by which verbs reach the writer."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
