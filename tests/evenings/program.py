"""The program as a person calls it, in this process: one call, its output and its exit code."""

from __future__ import annotations

import json
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import BytesIO, TextIOWrapper
from pathlib import Path
from typing import Any


class NoAnswerError(Exception):
    """A call that gave no document; the message is what it printed."""


@dataclass(frozen=True)
class Program:
    """The checkout under ``root``; it must hold the package ``audit``."""

    root: Path

    def call(self, *args: str) -> tuple[int, str, str]:
        """Exit code, standard output and everything else of a call."""
        # the package under test is named on the command line: it can't be imported further up
        if str(self.root) not in sys.path:
            sys.path.insert(0, str(self.root))
        from audit.cli.main import main

        out, err = (TextIOWrapper(BytesIO(), "utf-8", write_through=True) for _ in range(2))
        code: object = 0
        with redirect_stdout(out), redirect_stderr(err):
            try:
                main(list(args))
            except SystemExit as end:
                code = end.code
            except Exception as fault:  # a crash of the program is an answer to be counted
                code = 1
                print(f"crashed: {fault!r}", file=sys.stderr)
        said = [stream.buffer.getvalue().decode("utf-8") for stream in (out, err)]
        return (code if isinstance(code, int) else 1 if code else 0), said[0], said[1]

    def document(self, *args: str) -> dict[str, Any]:
        """Return the JSON document of a call. Raises NoAnswerError where it gives none."""
        code, out, said = self.call(*args)
        try:
            made = json.loads(out)
        except json.JSONDecodeError:
            lines = (said.strip() or out.strip() or "nothing").splitlines()
            raise NoAnswerError(f"exit {code}: {lines[-1]}") from None
        if not isinstance(made, dict):
            raise NoAnswerError(f"exit {code}: no document")
        return made
