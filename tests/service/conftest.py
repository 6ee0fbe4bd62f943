"""The helpers of these tests are modules of the checkout: `tests.report.nights`."""

import sys
from pathlib import Path

ROOT = str(Path(__file__).parents[2])
if ROOT not in sys.path:
    sys.path.insert(0, ROOT)

from tests.archive.conftest import server  # noqa: E402, F401
