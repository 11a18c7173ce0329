"""Where objects are kept for good: files, journal, index, and the transaction over them.

The transaction
---------------
One thread of one process writes (`writer`, `writer_lock`); any number read. What waits for it at
one time is one batch, in this order::

    each file written to tmp/, flushed        unless it arrived there and was flushed on the way
    each file renamed to its place
    the folders flushed                       a name belongs to its folder
    a line of the journal for each, flushed   from here on the batch is kept
    the rows of the index                     then success is answered

An error before the journal's line undoes the batch. A kill leaves, of each batch,

- before the renames: files in tmp/, which the next writer removes;
- before the line: whole files at their places that nobody was promised; the next put of the same
  instance replaces them;
- after it: kept instances. The index is derived and remembers how far into the journal it has
  come; the next writer takes in what is beyond from the objects.

Instances that belong together (`Archive.put_together`) are announced by lines *intended* before
the renames and closed by lines *amended* after the lines *stored*. A writer that finds an
announcement without its end removes the files where no *stored* stands, and writes the missing
lines where one does (`atomic_batch`).

Nothing that is kept is changed, or removed but by two people's word (`deletion`). An instance whose
UID is kept is compared: SAME, or a CONFLICT that changes nothing; a kept file that is lost or
damaged is brought back from its twin.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
