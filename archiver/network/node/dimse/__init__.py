"""The node over DIMSE: associations and their services."""
