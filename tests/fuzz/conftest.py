"""Puts the harness and the house of the API's tests where they are found."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
