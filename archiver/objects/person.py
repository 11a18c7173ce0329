"""Whether what two objects say of a patient can be said of one person."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

#: Letters that Unicode does not take apart into a plain one and a mark.
_PLAIN = str.maketrans({"ø": "o", "đ": "d", "ð": "d", "ł": "l", "æ": "ae", "œ": "oe", "ı": "i"})
#: How German and Scandinavian names are written where there are no such letters.
_SPELT_OUT = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "å": "aa", "ø": "oe"})


@dataclass(frozen=True)
class Person:
    """A patient as an object names them; what is empty is not said.

    Parameters
    ----------
    name
        DICOM person name; alphabetic, ideographic and phonetic forms are separated by ``=``.
    birth_date
        ISO 8601.
    sex
        ``F``, ``M`` or ``O``.
    """

    name: str = ""
    birth_date: str = ""
    sex: str = ""

    def contradicts(self, other: Person) -> bool:
        """Return whether both say a name, a birth date or a sex, and not the same.

        Names that differ only in case, accents, spaces or the order of their words agree.
        """
        births = {self.birth_date, other.birth_date} - {""}
        sexes = {self.sex, other.sex} - {""}
        return len(births) > 1 or len(sexes) > 1 or not _names_agree(self.name, other.name)

    def is_spelt_otherwise(self, other: Person) -> bool:
        """Return whether the names agree and are not written alike."""
        return (
            _trimmed(self.name) != _trimmed(other.name)
            and bool(self.name and other.name)
            and _names_agree(self.name, other.name)
        )

    def __str__(self) -> str:
        family, *rest = self.name.split("=")[0].split("^")
        name = ", ".join(filter(None, (family, " ".join(filter(None, rest)))))
        return " · ".join(filter(None, (name, self.birth_date, self.sex))) or "—"


def same_identifier(one: str, other: str) -> bool:
    """Return whether two identifiers differ in nothing but case and spaces."""
    return "".join(one.split()).casefold() == "".join(other.split()).casefold()


def _trimmed(name: str) -> str:
    return "=".join(form.rstrip("^ ") for form in name.split("=")).rstrip("=")


def _names_agree(one: str, other: str) -> bool:
    a, b = _forms(one), _forms(other)
    return not a or not b or bool(a & b)


def _forms(name: str) -> set[str]:
    """Return a name's forms in plain letters, as it stands and with its words in order."""
    forms = set()
    for written in name.casefold().split("="):
        composed = unicodedata.normalize("NFKC", written)
        for spelt in (composed, composed.translate(_SPELT_OUT)):
            apart = unicodedata.normalize("NFKD", spelt.translate(_PLAIN))
            plain = "".join(c for c in apart if not unicodedata.combining(c))
            words = re.findall(r"\w+", plain)
            forms |= {"".join(words), "".join(sorted(words))}
    return forms - {""}


def readable_name(name: str) -> str:
    """Write a person's name for reading: ``Okafor^Nadia`` as ``Okafor, Nadia`` (PS3.5 6.2.1)."""
    spelling = next((one for one in name.split("=") if one.strip("^ ")), "")
    family, *rest = spelling.split("^")
    given = " ".join(part for part in rest[:2] if part)
    return ", ".join(part for part in (family, given) if part)
