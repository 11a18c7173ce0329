"""The session sheet, and the DICOM instances that a photograph becomes."""
