"""Every text in one place, and how a problem becomes a line.

A problem is added in two places. Where it is found::

    raise PhotoError(Problem("photo.jpeg.segments", limit=_MAX_SEGMENTS))

and in ``words/en/photo.toml`` (the first part of a code is the name of its file)::

    [jpeg]
    segments.found = "more than {limit} JPEG segments"
    segments.expected = "..."      # left out where there is nothing to say
    segments.hint = "..."

A code with nothing but its ``found`` may be one text, ``segments = "..."``. The values given are
exactly those that its texts name; a part is left out when one of its values is None. What is
said of one and of more is chosen by a value: ``{n} {n|picture|pictures}``. A value that is a
phrase in its turn is a `Text` with a key of its own; of several values ``{names:; }`` says what
stands between them. Where it was found is no part of the text:
``problem.at(file=path.name, line=3)`` puts it in front. Flow of control asks for ``problem.code``
and ``problem.place``, never for its words. ``tests/test_wording.py`` compares code and catalogue.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
