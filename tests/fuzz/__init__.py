"""Requests that nobody should send: DIMSE by a generator of our own, web by Schemathesis."""
