"""The services that we use of other archives by DIMSE (PS3.4, PS3.7)."""
