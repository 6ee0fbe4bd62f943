"""Makes `run` importable: it is a command, not a package."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
