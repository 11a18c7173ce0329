"""Invented patients and rendered photographs of them, whose truth is known to the pixel."""
