"""How many one-token mutants the tests let live; `python -m tests.mutation --help` tells more."""
