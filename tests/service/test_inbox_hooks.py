"""Telling of a hold or a stop; over loopback only."""

from __future__ import annotations

import json
import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from audit.errors import UsageError
from audit.service.watch.hooks import Teller, Ways, checked
from audit.service.watch.ledger import READ, File, Ledger

EVENT = {
    "id": "abc",
    "car": "alder",
    "night": "2025-05-03",
    "verdict": "stop",
    "reason": "lean",
    "report": "/r.html",
}


class Receiver:
    """A web server that keeps what it is sent; answers by the given codes, then 200."""

    def __init__(self, *codes: int) -> None:
        self.got: list[dict] = []
        left = list(codes)
        got = self.got

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
                code = left.pop(0) if left else 200
                self.send_response(code)
                if code == 302:
                    self.send_header("Location", "http://127.0.0.1:9/")
                self.end_headers()

            def log_message(self, *_):
                pass

        self.server = HTTPServer(("127.0.0.1", 0), Handler)
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        self.url = f"http://127.0.0.1:{self.server.server_port}/hook?token=secret"

    def close(self):
        self.server.shutdown()
        self.server.server_close()


@pytest.fixture
def book(tmp_path):
    file = tmp_path / "ledger.sqlite"
    ledger = Ledger(file)
    ledger.finish([File(Path("/in/a"), 1, 1, "alder", "1" * 64, READ)], event=("key", EVENT))
    yield file
    ledger.close()


def tell(file: Path, ways: Ways, until, *, within_s: float = 30.0) -> None:
    teller = Teller(file, ways, wait_s=lambda _: 0.05)
    teller.start()
    end = time.monotonic() + within_s
    while not until() and time.monotonic() < end:
        time.sleep(0.05)
        teller.kick()
    teller.stop(within_s=10)


def test_a_webhook_gets_the_event_once(book):
    receiver = Receiver()
    tell(book, Ways(webhook=receiver.url), lambda: receiver.got)
    tell(book, Ways(webhook=receiver.url), lambda: True)
    receiver.close()
    assert receiver.got == [{**EVENT, "again": False}]


@pytest.mark.parametrize("code", [500, 404, 302])
def test_a_webhook_that_fails_is_tried_again(book, code):
    receiver = Receiver(code)
    tell(book, Ways(webhook=receiver.url), lambda: len(receiver.got) > 1)
    receiver.close()
    assert [e["id"] for e in receiver.got] == ["abc", "abc"]


def test_a_secret_in_the_address_is_not_logged(book, caplog, monkeypatch):
    said: list[dict] = []
    monkeypatch.setattr("audit.service.watch.hooks.say", lambda *_, **about: said.append(about))
    tell(book, Ways(webhook="http://127.0.0.1:9/?token=secret"), lambda: said)
    assert said
    assert "secret" not in json.dumps(said)


def test_a_command_gets_the_event_on_standard_input_and_in_its_environment(book, tmp_path):
    script = tmp_path / "hook.py"
    script.write_text(
        "import json, os, sys\n"
        "open(sys.argv[1], 'w').write(json.dumps([json.load(sys.stdin), os.environ['PULLAUDIT_VERDICT'], os.environ['PULLAUDIT_AGAIN']]))\n",
        encoding="utf-8",
    )
    out = tmp_path / "out $(touch x).json"
    tell(book, Ways(command=f"{sys.executable} {script} '{out}'"), out.exists)
    assert json.loads(out.read_text()) == [{**EVENT, "again": False}, "stop", "0"]


def test_a_receiver_is_warned_when_the_service_died_while_telling(book):
    ledger = Ledger(book)
    (event,) = ledger.events(ways=("webhook",), most=9, due_before=1.0)
    ledger.telling(event)  # and then nothing: killed
    receiver = Receiver()
    tell(book, Ways(webhook=receiver.url), lambda: receiver.got)
    receiver.close()
    assert receiver.got[0]["again"] is True


@pytest.mark.parametrize(
    "ways",
    [
        Ways(command="'open"),
        Ways(command=" "),
        Ways(webhook="ftp://x/y"),
        Ways(webhook="file:///etc/passwd"),
    ],
)
def test_wrong_ways_are_refused(ways):
    with pytest.raises(UsageError):
        checked(ways)


def test_a_hook_that_still_runs_ends_with_the_service(tmp_path):
    book = tmp_path / "ledger.sqlite"
    ledger = Ledger(book)
    ledger.finish([File(Path("/in/a"), 1, 1, "alder", "1" * 64, READ)], event=("key", EVENT))
    ledger.close()
    mark = tmp_path / "mark"
    teller = Teller(book, Ways(command=f"sh -c 'echo $$ > {mark}; sleep 60'"))
    teller.start()
    while not (mark.exists() and mark.read_text()):
        time.sleep(0.05)
    teller.stop(within_s=0.1)
    pid = int(mark.read_text())
    time.sleep(0.3)
    assert (
        not Path(f"/proc/{pid}/cmdline").exists() or not Path(f"/proc/{pid}/cmdline").read_bytes()
    )
