"""What leaves the clinic: purposes, consent, de-identification, packages."""
