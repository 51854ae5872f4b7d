"""`python -m pipeline` is the same as the command `sleeveline`."""

import sys

from pipeline.cli import main

if __name__ == "__main__":
    sys.exit(main())
