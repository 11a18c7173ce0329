"""Camera files: formats, claims, JPEG structure, lossless turning, colour, quality; no DICOM."""
