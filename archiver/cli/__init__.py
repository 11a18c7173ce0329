"""The command line: a thin module per verb."""
