"""One package a page."""
