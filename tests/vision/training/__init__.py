"""Training of the tooth map: ``python -m tests.vision.training FOLDER``; see `__main__`."""
