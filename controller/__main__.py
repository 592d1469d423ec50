"""`python -m controller` is the command `cellarhand`."""

import sys

from controller.cli import main

sys.exit(main())
