"""Lets `python -m bayreach` do what the command `bayreach` does."""

import sys

from bayreach.cli import main

sys.exit(main())
