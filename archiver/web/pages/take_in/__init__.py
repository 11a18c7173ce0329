"""Taking the pictures of a card in: drafts, meaning, confirming the side, archiving.

A draft is a folder of its own below ``pages/drafts`` in the archive's folder: the camera files by
their digest, and what was said of them in ``draft.json``, written anew at every change
(`keeping`). Only its owner can read it. It goes when the person closes it after all of it was
archived, or throws it away.

`said` holds what may be said of a picture and what follows from it; `sheet` writes a draft as the
session sheet that `archiver wrap` would take, and `archiving` hands that to the same
`archiver.archive.ingest.session_ingest.take_in`. Nothing else makes instances here.
"""
