"""Backups: made beside a running server, verified, and put back.

A target holds backups of one archive::

    <target>/
        BACKUP                    which layout this is, and of which archive
        lock                      held by who backs up
        journal.jsonl             the archive's journal, as far as the last backup
        objects/ab/<SHA-256>.dcm  every object that the journal promises
        files/<SHA-256>           everything else, by content
        states/<n>-<SHA-256>.json the last backups: how much of the journal, and which files
        tmp/                      files that are being written

A backup is complete with its file in ``states``, the name of which says the digest of its content;
it comes last, by one rename. What a kill left before that is in nobody's way, and the next backup
uses or removes it. Objects and journal only grow, so each backup brings what is new.

Nobody has to stop writing. What is confirmed stands in the journal and then in the index, so the
backup ends where the index says that it has come. What changes (drafts, quarantine, outbox,
reports that are owed) is read before that point: an object that leaves a draft or the quarantine
meanwhile is in the journal then, and the outbox speaks of no object that is not. What only grows
(statements) is read after it, so that the journal tells of no statement that is not there, and the
secret last of all, so that no package was made with one that is not.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
