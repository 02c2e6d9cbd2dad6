"""``python -m farmwatch``."""

import sys

from farmwatch.cli import main

if __name__ == "__main__":
    sys.exit(main())
