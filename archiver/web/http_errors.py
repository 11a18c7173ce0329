"""What ends a request before its answer: one error that names a status and a word."""

from __future__ import annotations


class Refused(Exception):
    """A request that is not carried out.

    Parameters
    ----------
    status
        Of HTTP.
    key
        Of the word that tells it, such as ``errors.missing``.
    headers
        Sent along.
    values
        Fill the word.
    """

    def __init__(
        self, status: int, key: str, headers: dict[str, str] | None = None, **values: object
    ) -> None:
        super().__init__(f"{status} {key}")
        self.status, self.key, self.headers, self.values = status, key, headers or {}, values
