"""Brings intraoral photographs into a patient's imaging record."""

__version__ = "0.1.0"
