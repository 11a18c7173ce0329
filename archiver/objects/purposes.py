"""What photographs may leave the clinic for; each needs a consent of its own."""

from __future__ import annotations

from enum import Enum


class Purpose(str, Enum):
    """A purpose of a hand-over."""

    LABORATORY = "laboratory"
    REFERRAL = "referral"
    PATIENT_COPY = "patient-copy"
    TEACHING = "teaching"
    PUBLICATION = "publication"

    def __str__(self) -> str:
        return self.value
