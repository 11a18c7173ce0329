"""OpenCV, without its type stubs: they lack SIFT and optical flow in some of its versions."""

from __future__ import annotations

from importlib import import_module
from typing import Any

cv2: Any = import_module("cv2")
