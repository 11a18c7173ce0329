"""Taking the pictures of a card in: drafts, meaning, confirming the side, archiving.

A draft is a folder of its own below ``pages/drafts`` in the archive's folder: the camera files by
their digest, and what was said of them in ``draft.json``, written anew at every change
(`draft_store`). It belongs to the visit: whoever may take in goes on with it, whoever began
it, and whether there were users then or not. It goes when somebody closes it after all of it was
archived, or throws it away.

`photo_entry` holds what may be said of a picture and what follows from it; `draft_doubts` weighs
what `archiver wrap` would weigh; `sheet` writes a draft as the session sheet that it would take,
and `archiving_task` hands that to the same `archiver.workflow.wrap`. Nothing else makes instances
here.
"""
