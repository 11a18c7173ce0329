"""Tables of the DICOM standard and the validator that reads them."""
