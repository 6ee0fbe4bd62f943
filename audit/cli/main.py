"""`pullaudit`: the group of commands, each loaded only when it is called."""

from __future__ import annotations

import gc
import importlib
import io
import os
import sys
from collections.abc import Mapping
from typing import Any

import click

from audit import COLLECT, __version__
from audit.cli import output
from audit.errors import PullauditError

# command -> one line for the overview. A command is the object `command` in audit/cli/<name>.py.
COMMANDS: Mapping[str, str] = {
    "screen": "Audit the logs of one night and print the verdict.",
    "channels": "Show how a log was understood, column by column.",
    "trends": "How the car has moved over its nights.",
    "response": "Boost against solenoid duty, and the next step up.",
    "plan": "The evening ahead on one page.",
    "compare": "Two pulls, logs or nights side by side.",
    "car": "Write a first car file.",
    "note": "Write a change of hardware into the car's journal.",
    "withdraw": "Take a night out of what its car is judged by.",
    "verify": "Prove that the archive is whole.",
    "rescreen": "Judge the kept logs again with this version.",
    "adopt": "Bring an archive of the earlier format over.",
    "watch": "Screen whatever lands in a folder.",
    "serve": "Browse the archive in a web browser on this machine.",
}


class LateGroup(click.Group):
    """A group that imports a command's module when the command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            import difflib

            near = difflib.get_close_matches(cmd_name, COMMANDS, 1)
            guess = f" Did you mean {near[0]}?" if near else ""
            ctx.fail(f"No such command '{cmd_name}'.{guess}")
        _log_to_stderr()
        loaded: click.Command = importlib.import_module(f"audit.cli.{cmd_name}").command
        return loaded

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


def _log_to_stderr() -> None:
    import logging

    logging.basicConfig(
        stream=sys.stderr,
        format="pullaudit: %(message)s",
        level=logging.DEBUG if os.environ.get("PULLAUDIT_DEBUG") else logging.WARNING,
    )


@click.group(cls=LateGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="pullaudit")
def cli() -> None:
    """Audits datalogs of a turbocharged car: which numbers may be believed, how each wide-open pull
    went, and whether the next step up is clear, on hold, or must stop."""


def main(argv: list[str] | None = None) -> Any:
    """Run the program; every known error is one sentence on standard error and an exit code."""
    gc.set_threshold(*COLLECT)
    try:
        code = cli.main(
            args=argv,
            prog_name="pullaudit",
            standalone_mode=False,
            terminal_width=output.columns(),
        )
    except PullauditError as error:
        output.warn([str(error)])
        sys.exit(error.exit_code)
    except click.exceptions.Abort:
        output.warn(["stopped by the keyboard."])
        sys.exit(130)
    except click.ClickException as error:
        error.show(shown := io.StringIO())
        output.complain(shown.getvalue().rstrip())
        sys.exit(2)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:
        import logging

        logging.getLogger("audit").debug("traceback", exc_info=True)
        output.complain(
            f"pullaudit: this program failed ({type(error).__name__}: {error}). Nothing of yours "
            "was changed. Run again with PULLAUDIT_DEBUG=1 and report what it prints."
        )
        sys.exit(2)
    sys.exit(code if isinstance(code, int) else 0)
