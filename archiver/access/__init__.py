"""Who may come in, and what for: one front door for pages, DICOMweb, figures and DIMSE.

`FrontDoor` decides about everybody who knocks: by address, by the name under which the server is
called, by the site that a request comes from, by what the address has used up, by credentials, and
by what those allow. Who serves a request only asks it.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
