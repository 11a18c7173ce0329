"""This archive as a node that other software stores to, asks and fetches from."""
