"""How large an install of the plain package is, without its extras: in all, and the largest of what it brings.

    python tests/benchmarks/size.py

Installs the checkout into a temporary folder (pip, setuptools and the interpreter are not counted).
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
GOAL_MB = 650
SHOWN_FROM_MB = 5.0


def size_mb(path: Path) -> float:
    """MB (10^6 bytes) of a file, or of all files below a folder."""
    files = path.rglob("*") if path.is_dir() else [path]
    return sum(f.stat().st_size for f in files if f.is_file() and not f.is_symlink()) / 1e6


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "pip", "install", "--quiet", "--target", folder, str(ROOT)]
        subprocess.run(command, check=True)
        sizes = {path.name: size_mb(path) for path in Path(folder).iterdir()}
    large = {name: mb for name, mb in sizes.items() if mb >= SHOWN_FROM_MB}
    for name, mb in sorted(large.items(), key=lambda item: -item[1]):
        print(f"{name:24} {mb:6.0f} MB")
    total = sum(sizes.values())
    print(f"{'all else':24} {total - sum(large.values()):6.0f} MB")
    print(
        f"{'in all':24} {total:6.0f} MB, goal {GOAL_MB}: {'met' if total <= GOAL_MB else 'missed'}"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
