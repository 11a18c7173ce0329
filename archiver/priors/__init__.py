"""Earlier pictures of the same tooth: found, turned alike, aligned, and shown side by side.

`choosing` picks the priors, `loading` gives their pixels in display orientation, `registration`
aligns a pair and `wrong_way` tells a reflected one; `colours` and `differing` compare what is
seen, `comparison` runs it all and `picture` draws it.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
