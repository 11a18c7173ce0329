"""The invented patients, one module each."""
