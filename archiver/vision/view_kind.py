"""Kinds of views that pixels tell apart."""

from __future__ import annotations

from enum import Enum


class ViewKind(Enum):
    """What a picture looks like."""

    FRONT = "front"
    ARCH = "arch"
    SIDE = "side"
