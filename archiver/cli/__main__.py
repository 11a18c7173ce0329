"""Lets ``python -m archiver.cli`` stand for the command ``archiver``."""

import sys

from archiver.cli import main

sys.exit(main())
