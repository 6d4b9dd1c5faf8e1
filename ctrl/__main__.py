"""Run the command line as ``python -m ctrl``."""

import sys

from ctrl.cli import main

sys.exit(main())
