"""The command, for whoever runs the package itself: ``python -m gantrysim``."""

import sys

from gantrysim.command import main

if __name__ == "__main__":
    sys.exit(main())
