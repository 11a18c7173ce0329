"""Those who follow drafts are told that something has come, or has been judged."""

from __future__ import annotations

from archiver.web.change_feed import ChangeFeed


class DraftFeeds:
    """The feeds of all drafts that somebody follows."""

    def __init__(self) -> None:
        self._feeds: dict[str, ChangeFeed] = {}

    def of(self, draft: str) -> ChangeFeed:
        """Return the feed of a draft."""
        return self._feeds.setdefault(draft, ChangeFeed())

    def wake(self, draft: str) -> None:
        """Wake those who follow a draft."""
        found = self._feeds.get(draft)
        if found is not None:
            found.changed()

    def wake_all(self) -> None:
        """Wake those who follow any draft."""
        for one in list(self._feeds.values()):
            one.changed()
