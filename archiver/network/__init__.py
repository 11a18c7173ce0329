"""Other archives and other software: DIMSE and DICOMweb, as client and as node."""
