"""Instances kept for good: files, index, journal and the questions asked of them."""
