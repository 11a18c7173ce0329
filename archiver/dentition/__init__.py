"""Teeth, surfaces, views and the algebra of their orientation: pure, no file, no DICOM."""
