"""Telling others of a hold or a stop: a command is run, a web address is posted to.

Each is told once. What could not be told is tried again, later and later; a crash while telling can
make a receiver hear the same thing twice, then `again` is true and `id` is the same.
"""

from __future__ import annotations

import contextlib
import json
import os
import shlex
import signal
import subprocess
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from audit.errors import PullauditError, UsageError
from audit.service.watch.health import say
from audit.service.watch.ledger import Event, Ledger

COMMAND, WEBHOOK = "command", "webhook"
PATIENCE_S = 60.0  # for a command
ANSWER_S = 15.0  # for a web address
LOOK_S = 0.2  # how often it is asked whether the hook is to end
TRIES = 12
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 3600.0


@dataclass(frozen=True, slots=True)
class Ways:
    """How to tell. command: split as a shell would, run without one; webhook: an http(s)
    address.
    """

    command: str | None = None
    webhook: str | None = None

    @property
    def names(self) -> tuple[str, ...]:
        return (*((COMMAND,) if self.command else ()), *((WEBHOOK,) if self.webhook else ()))


def checked(ways: Ways) -> Ways:
    """The same. Raises UsageError for a command or an address that cannot be used."""
    if ways.command is not None:
        try:
            words = shlex.split(ways.command)
        except ValueError as error:
            raise UsageError(f"--hook {ways.command!r}: {error}. Close the quotes.") from None
        if not words:
            raise UsageError("--hook: no command. Give a program and its words.")
    address = urlsplit("http://here" if ways.webhook is None else ways.webhook)
    if address.scheme not in ("http", "https") or not address.hostname:
        raise UsageError("--webhook: give a whole address that begins with http:// or https://.")
    return ways


def run_command(
    command: str, body: dict[str, Any], *, ended: Callable[[], bool] = lambda: False
) -> None:
    """Run the hook with the event as JSON on standard input and its main words as PULLAUDIT_…
    variables.

    It is ended, with all that it started, after PATIENCE_S or when `ended` says so. Raises OSError
    or subprocess errors when it cannot be run, fails or was ended.
    """
    about = {
        f"PULLAUDIT_{key.upper()}": str(body.get(key) or "")
        for key in ("id", "car", "night", "verdict", "reason", "report")
    }
    about["PULLAUDIT_AGAIN"] = "1" if body.get("again") else "0"
    words = shlex.split(command)
    with subprocess.Popen(  # noqa: S603 - the user's own command, no shell
        words,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env={**os.environ, **about},
        start_new_session=True,
    ) as hook:
        data: bytes | None = json.dumps(body, ensure_ascii=False).encode()
        until = time.monotonic() + PATIENCE_S
        while hook.returncode is None:
            try:
                _, said = hook.communicate(data, timeout=LOOK_S)
            except subprocess.TimeoutExpired:
                data = None
                if time.monotonic() > until or ended():
                    with contextlib.suppress(OSError):
                        _end(hook)
                    raise
    if hook.returncode:
        raise subprocess.CalledProcessError(hook.returncode, words, stderr=said)


def _end(hook: subprocess.Popen[bytes]) -> None:
    """With all that it started, where the system has groups of processes."""
    if hasattr(os, "killpg"):
        os.killpg(hook.pid, signal.SIGKILL)
    else:
        hook.kill()


def post(address: str, body: dict[str, Any]) -> None:
    """POST the event as JSON. Raises OSError (URLError among them) unless the answer is 2xx."""
    data = json.dumps(body, ensure_ascii=False).encode()
    head = {
        "Content-Type": "application/json",
        "User-Agent": "pullaudit",
        "Idempotency-Key": str(body.get("id", "")),
    }
    request = urllib.request.Request(address, data=data, headers=head, method="POST")  # noqa: S310 - scheme was checked
    with urllib.request.build_opener(_Stay).open(request, timeout=ANSWER_S) as answer:
        answer.read(1)


class _Stay(urllib.request.HTTPRedirectHandler):
    """A redirect would lose the body or send it to another machine."""

    def redirect_request(self, *_: Any, **__: Any) -> None:
        return None


def failure(error: BaseException) -> str:
    """What went wrong, for the log. An address may hold a secret, so it is never repeated."""
    if isinstance(error, subprocess.CalledProcessError):
        said = (error.stderr or b"").decode("utf-8", "replace").strip().splitlines()
        return f"it ended with {error.returncode}" + (f": {said[-1][:200]}" if said else "")
    if isinstance(error, subprocess.TimeoutExpired):
        return f"it took more than {PATIENCE_S:.0f} s"
    if isinstance(error, urllib.error.HTTPError):
        return f"the answer was {error.code}"
    if isinstance(error, urllib.error.URLError):
        why = getattr(error.reason, "strerror", None) or type(error.reason).__name__
        return f"no answer ({why})"
    return str(getattr(error, "strerror", None) or type(error).__name__)


class Teller:
    """A thread that tells what stands in the ledger, so that a slow receiver keeps no verdict
    waiting.
    """

    def __init__(
        self, ledger: Path | str, ways: Ways, *, wait_s: Callable[[int], float] | None = None
    ) -> None:
        self._file, self._ways = ledger, ways
        self._wait_s = wait_s or (lambda tries: min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0**tries))
        self._kick, self._stop, self._now = (threading.Event() for _ in range(3))
        self._thread = threading.Thread(target=self._run, name="teller", daemon=True)
        self.untold = 0

    def start(self) -> None:
        if self._ways.names:
            self._thread.start()

    def kick(self) -> None:
        """There is something new."""
        self._kick.set()

    def stop(self, *, within_s: float) -> None:
        """Tell what is due, then end, a hook that still runs with it; what is left is told after
        the next start.
        """
        self._stop.set()
        self._kick.set()
        if self._thread.is_alive():
            self._thread.join(within_s)
            self._now.set()
            self._thread.join(5 * LOOK_S)

    def _run(self) -> None:
        ledger = Ledger(self._file)
        while True:
            try:
                wait = self._round(ledger)
            except PullauditError as error:
                say("cannot tell", level=40, error=str(error))
                wait = FIRST_WAIT_S
            if self._stop.is_set():
                ledger.close()
                return
            self._kick.wait(wait)
            self._kick.clear()

    def _round(self, ledger: Ledger) -> float | None:
        """Tell what is due; seconds to the next try, None when nothing is left."""
        with ledger.claimed("tell") as mine:  # one service tells, so nobody hears a thing twice
            due = ledger.events(ways=self._ways.names, most=TRIES, due_before=time.time())
            for event in due if mine else ():
                self._tell(ledger, event)
        left = ledger.events(ways=self._ways.names, most=TRIES, due_before=float("inf"))
        self.untold = len(left)
        return FIRST_WAIT_S if left else None

    def _tell(self, ledger: Ledger, event: Event) -> None:
        ledger.telling(event)
        body = {**event.body, "again": event.started > event.tries}
        told = list(event.told)
        for way in self._ways.names:
            if way in told:
                continue
            try:
                if way == COMMAND:
                    run_command(self._ways.command or "", body, ended=self._now.is_set)
                else:
                    post(self._ways.webhook or "", body)
            except (OSError, subprocess.SubprocessError, ValueError) as error:
                about = {"way": way, "id": body.get("id"), "error": failure(error)}
                say("not told", level=30, **about, tries=event.tries + 1)
            else:
                told.append(way)
                say("told", way=way, id=body.get("id"), verdict=body.get("verdict"))
        whole = set(self._ways.names) <= set(told)
        again_at = None if whole else time.time() + self._wait_s(event.tries)
        ledger.told(event, told, again_at=again_at)
