"""`python -m benchctl`."""

import sys

from benchctl.cli import main

if __name__ == "__main__":
    sys.exit(main())
