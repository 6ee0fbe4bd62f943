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
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from audit.errors import PullauditError, UsageError
from audit.service.watch.health import say
from audit.service.watch.ledger import Event, Ledger

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


def checked(ways: Ways) -> Ways:
    """The same. Raises UsageError for a command or an address that cannot be used."""
    try:
        no_words = ways.command is not None and not shlex.split(ways.command)
    except ValueError as error:
        raise UsageError(f"--hook {ways.command!r}: {error}. Close the quotes.") from None
    if no_words:
        raise UsageError("--hook: no command. Give a program and its words.")
    address = urlsplit("http://here" if ways.webhook is None else ways.webhook)
    if address.scheme not in ("http", "https") or not address.hostname:
        raise UsageError("--webhook: give a whole address that begins with http:// or https://.")
    return ways


def run_command(command: str, body: Mapping[str, Any], *, ended: Callable[[], bool]) -> None:
    """Run the hook with the event as JSON on standard input and its main words as PULLAUDIT_…
    variables.

    It is ended, with all that it started, after PATIENCE_S or when `ended` says so. Raises OSError
    or subprocess errors when it cannot be run, fails or was ended.
    """
    words = ("id", "car", "night", "verdict", "reason", "report")
    about = {f"PULLAUDIT_{word.upper()}": str(body.get(word) or "") for word in words}
    about["PULLAUDIT_AGAIN"] = "1" if body.get("again") else "0"
    data: bytes | None = json.dumps(body, ensure_ascii=False).encode()
    until = time.monotonic() + PATIENCE_S
    with subprocess.Popen(  # noqa: S603 - the user's own command, no shell
        shlex.split(command),
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env={**os.environ, **about},
        start_new_session=True,
    ) as hook:
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
        raise subprocess.CalledProcessError(hook.returncode, hook.args, stderr=said)


def _end(hook: subprocess.Popen[bytes]) -> None:
    """With all that it started, where the system has groups of processes."""
    if hasattr(os, "killpg"):
        os.killpg(hook.pid, signal.SIGKILL)
    else:
        hook.kill()


def post(address: str, body: Mapping[str, Any]) -> None:
    """POST the event as JSON. Raises OSError (URLError among them) unless the answer is 2xx."""
    data = json.dumps(body, ensure_ascii=False).encode()
    head = {"Content-Type": "application/json", "User-Agent": "pullaudit"}
    head["Idempotency-Key"] = str(body.get("id", ""))
    request = urllib.request.Request(address, data=data, headers=head, method="POST")  # noqa: S310 - scheme was checked
    with urllib.request.build_opener(_Stay).open(request, timeout=ANSWER_S) as answer:
        answer.read(1)


class _Stay(urllib.request.HTTPRedirectHandler):
    """A redirect would lose the body or send it to another machine."""

    def redirect_request(self, *_: Any, **__: Any) -> None:
        return None


def failure(error: BaseException) -> str:
    """What went wrong, for the log. An address may hold a secret, so it is never repeated."""
    match error:
        case subprocess.CalledProcessError():
            said = (error.stderr or b"").decode("utf-8", "replace").strip().splitlines()
            return f"it ended with {error.returncode}" + (f": {said[-1][:200]}" if said else "")
        case subprocess.TimeoutExpired():
            return f"it was ended; it may take {PATIENCE_S:.0f} s"
        case urllib.error.HTTPError():
            return f"the answer was {error.code}"
        case urllib.error.URLError(reason=reason):
            return f"no answer ({getattr(reason, 'strerror', None) or type(reason).__name__})"
    return str(getattr(error, "strerror", None) or type(error).__name__)


class Teller:
    """A thread that tells what stands in the ledger, so that a slow receiver keeps no verdict
    waiting.
    """

    def __init__(
        self, ledger: Path | str, ways: Ways, *, wait_s: Callable[[int], float] | None = None
    ) -> None:
        self._file, given = ledger, {way: to for way, to in asdict(ways).items() if to}
        self._kick, self._stop, self._now = (threading.Event() for _ in range(3))
        call: dict[str, Callable[..., None]] = {
            "command": partial(run_command, ended=self._now.is_set),
            "webhook": post,
        }
        self._ways = {way: partial(call[way], to) for way, to in given.items()}
        self._wait_s = wait_s or (lambda tries: min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0**tries))
        self._thread = threading.Thread(target=self._run, name="teller", daemon=True)
        self.untold = 0

    def start(self) -> None:
        if self._ways:
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
        with contextlib.closing(ledger):
            while True:
                wait: float | None = FIRST_WAIT_S
                try:
                    self._round(ledger)
                    wait = FIRST_WAIT_S if self.untold else None
                except PullauditError as error:
                    say("cannot tell", level=40, error=str(error))
                if self._stop.is_set():
                    return
                self._kick.wait(wait)
                self._kick.clear()

    def _round(self, ledger: Ledger) -> None:
        """Tell what is due, and count what is left."""
        asked = partial(ledger.events, ways=tuple(self._ways), most=TRIES)
        with ledger.claimed("tell") as mine:  # one service tells, so nobody hears a thing twice
            for event in asked(due_before=time.time()) if mine else ():
                self._tell(ledger, event)
        self.untold = len(asked(due_before=float("inf")))

    def _tell(self, ledger: Ledger, event: Event) -> None:
        ledger.telling(event)
        body = {**event.body, "again": event.started > event.tries}
        told, left = list(event.told), [way for way in self._ways if way not in event.told]
        for way in left:
            try:
                self._ways[way](body)
            except (OSError, subprocess.SubprocessError, ValueError) as error:
                about = {"way": way, "id": body.get("id"), "error": failure(error)}
                say("not told", level=30, **about, tries=event.tries + 1)
            else:
                told.append(way)
                say("told", way=way, id=body.get("id"), verdict=body.get("verdict"))
        whole = set(self._ways) <= set(told)
        again_at = None if whole else time.time() + self._wait_s(event.tries)
        ledger.told(event, told, again_at=again_at)
