"""Browsing the archive: Tornado handlers over the shelf; nothing on disk is named by a request."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import re
import secrets
import socket
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

from tornado.httpserver import HTTPServer
from tornado.ioloop import IOLoop
from tornado.iostream import StreamClosedError
from tornado.web import Application, HTTPError, MissingArgumentError, RequestHandler

from audit.archive.step.decide import in_history
from audit.archive.store.store import Archive
from audit.errors import ArchiveError, PullauditError, UsageError
from audit.model import Car
from audit.report import html
from audit.report.names import visible
from audit.report.words import CAUTIONS
from audit.service.web import guard
from audit.service.web.pages import views
from audit.service.web.pages.compare import compare_page
from audit.service.web.pages.shelf import Shelf
from audit.service.web.pages.upload import Upload, screen_uploads

T = TypeVar("T")
PAGES = "audit.service.web.pages"
COOKIE = "pullaudit_session"
MEGABYTE = 1_000_000
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
log = logging.getLogger("pullaudit.serve")

# What an address may ask: each word once, in this form; anything else is answered with 400 and what
# is wanted.
_NIGHT, _CAR = r"[\w.:-]{1,120}", r"[^\x00]{1,500}"
ASKED = {
    "id": (_NIGHT, "a night, as in the list of nights"),
    "night": (_NIGHT, "a night, as in the list of nights"),
    "name": (_CAR, "a car's name"),
    "car": (_CAR, "a car's name"),
    "pull": (r"pull-[0-9]{1,6}", "a pull of the night, as pull-3"),
    "skip": (r"[0-9]{1,9}", "a count of nights is wanted, as in skip=200"),
    "key": (r"[\w-]{0,64}", "the key of a night that was looked at"),
    "a": (rf"({_NIGHT}( pull-[0-9]{{1,6}})?)?", "a night, or a night and its pull"),
    "b": (rf"({_NIGHT}( pull-[0-9]{{1,6}})?)?", "a night, or a night and its pull"),
}


def refused(query: Mapping[str, Sequence[bytes]]) -> str:
    """What is wrong with an address's query, "" for nothing."""
    for name, given in query.items():
        if name not in ASKED:
            return f"{visible(name[:40])}: no page here asks that."
        form, wanted = ASKED[name]
        if len(given) != 1:
            return f"{name}: {wanted}, once."
        try:
            good = re.fullmatch(form, given[0].decode("utf-8")) is not None
        except UnicodeDecodeError:
            good = False
        if not good:
            return f"{name}: {wanted}."
    return ""


@dataclass
class Setup:
    """What every handler shares. most_bytes: of one request's body; token: None for none.

    looked: the newest nights that were looked at and not kept, each with a key nobody can guess.
    """

    shelf: Shelf
    host: str
    token: str | None
    most_bytes: int
    looked: deque[tuple[str, Mapping[str, Any]]] = field(default_factory=lambda: deque(maxlen=8))
    pool: ThreadPoolExecutor = field(
        default_factory=lambda: ThreadPoolExecutor(max_workers=4, thread_name_prefix="page")
    )


class Asked(HTTPError):
    """A query that no page understands. said: what is wrong with it."""

    def __init__(self, said: str) -> None:
        super().__init__(400)
        self.said = said


class Page(RequestHandler):
    """What all pages do: ask who is there, send the policy, say errors in a sentence."""

    def initialize(self, setup: Setup) -> None:
        self.setup = setup

    def prepare(self) -> None:
        header = self.request.headers.get("Host", "")
        if not guard.host_allowed(
            header, bound=self.setup.host, token=self.setup.token is not None
        ):
            raise HTTPError(
                403,
                reason="This name does not lead here. Use the address that the program printed.",
            )
        if self.request.method == "POST":
            told = map(self.request.headers.get, ("Origin", "Referer", "Sec-Fetch-Site"))
            if not guard.same_origin(*told, host=header):
                raise HTTPError(403, reason="This form did not come from one of these pages.")
        if self.setup.token is not None and not self.open_to_all() and not self._known():
            self.redirect("/enter")
        elif wrong := refused(self.request.query_arguments):
            raise Asked(wrong)

    def open_to_all(self) -> bool:
        """May it be asked for without the token?"""
        return False

    def _known(self) -> bool:
        bearer = self.request.headers.get("Authorization", "").removeprefix("Bearer ").strip()
        return self.get_signed_cookie(COOKIE) is not None or guard.same_token(
            bearer or None, self.setup.token or ""
        )

    def set_default_headers(self) -> None:
        for name, value in HEADERS.items():
            self.set_header(name, value)
        self.clear_header("Server")

    def show(self, template: str, **values: Any) -> None:
        """Render and send a page. script among the values: it has plots, or a form it helps."""
        values = {"script": False, "links": (), "here": "", **values}
        runs = "'self'" if values["script"] else "'none'"
        self.set_header(
            "Content-Security-Policy",
            f"default-src 'none'; script-src {runs}; style-src 'self'; img-src data:; "
            "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
        )
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.finish(html.environment(PAGES).get_template(template).render(**values))

    async def work(self, make: Callable[[], T]) -> T:
        """Run what reads or computes beside the loop, so that other pages go on."""
        return await IOLoop.current().run_in_executor(self.setup.pool, make)

    def write_error(self, status_code: int, **kwargs: Any) -> None:
        error = kwargs.get("exc_info", (None, None, None))[1]
        head, text = _said(status_code, error)
        self.set_status(404 if isinstance(error, UsageError) else status_code)
        self.show("said.html", head=head, text=text)

    def log_exception(self, typ: Any, value: Any, tb: Any) -> None:
        if isinstance(value, (PullauditError, HTTPError)):
            log.info("%s: %s", self.request.path, value)
        else:
            super().log_exception(typ, value, tb)


def _said(status: int, error: BaseException | None) -> tuple[str, str]:
    """Head and text of the page that says what went wrong."""
    back = "Go back to all cars."
    if isinstance(error, ArchiveError):
        return "The archive is in trouble", str(error)
    if isinstance(error, PullauditError):
        return "That did not work", str(error)
    if isinstance(error, HTTPError) and status == 403:
        anew = "The form has no valid mark of this page. Load the page again and send it anew."
        return "Not from there", error.reason or anew
    if isinstance(error, MissingArgumentError):
        return "Something is missing", f"This address wants to be told: {error.arg_name}."
    if status == 400:
        return "That cannot be understood", error.said if isinstance(error, Asked) else back
    if status == 404:
        return "No such page", back
    if status < 500:
        return "That is not done here", back
    return "Something went wrong", "The program has written what it was to its standard error."


@dataclass(frozen=True)
class View:
    """A page, or a part of one that is asked for when it is reached.

    make: what the template shows, from the shelf and what the address says of `asks`. also: what it
    shows besides. form: it has a form of ours.
    """

    template: str
    make: Callable[..., Mapping[str, Any]]
    asks: tuple[str, ...] = ()
    also: Mapping[str, Any] = field(default_factory=dict)
    form: bool = False


class Viewed(Page):
    """Any page that only shows what the archive has."""

    def initialize(self, setup: Setup, view: View | None = None) -> None:
        super().initialize(setup)
        assert view is not None
        self.view = view

    async def get(self) -> None:
        view, setup = self.view, self.setup
        asked = [
            self.get_query_argument(name, UNSAID[name])
            if name in UNSAID
            else self.get_query_argument(name)
            for name in view.asks
        ]
        found = await self.work(lambda: view.make(setup.shelf, *asked))
        form = {"xsrf": self.xsrf_form_html(), "most_bytes": setup.most_bytes} if view.form else {}
        self.show(view.template, **view.also, **form, **found)


UNSAID = {"skip": "0", "a": "", "b": ""}  # what is taken where an address does not say it
SCRIPT = {"script": True}


def _night(shelf: Shelf, night_id: str) -> Mapping[str, Any]:
    page, car = views.night_page(shelf, night_id)
    return {"page": page, "links": views.car_links(car), "said": ""}


def _followed(path: str, here: str, title: str, wait: str) -> View:
    """A page of a car whose figures follow it, since many nights take a while.

    here: its link; wait: said meanwhile.
    """

    def make(shelf: Shelf, car: str) -> Mapping[str, Any]:
        name = shelf.known_car(car)
        part = views.link(f"{path}/part", car=name)
        return {"name": name, "part": part, "links": views.car_links(name)}

    also = {**SCRIPT, "here": here, "title": title, "wait": wait, "cautions": CAUTIONS}
    return View("followed.html", make, ("car",), also)


OF_NIGHT, OF_CAR = ("night",), ("car",)
VIEWS: Mapping[str, View] = {
    "/": View("cars.html", views.cars_page, also=SCRIPT, form=True),
    "/car": View(
        "car.html",
        lambda shelf, name, skip: views.car_page(shelf, name, skip=int(skip)),
        ("name", "skip"),
        {"here": "nights"},
    ),
    "/night": View("kept.html", _night, ("id",), SCRIPT),
    "/compare": View(
        "compare.html", compare_page, ("car", "a", "b"), {**SCRIPT, "here": "compare"}
    ),
    "/plan": _followed(
        "/plan", "plan", "The evening ahead", "Working out the evening from all nights…"
    ),
    "/trends": _followed("/trends", "trends", "Trends", "Working out the trends over all nights…"),
    "/response": _followed(
        "/response",
        "duty and boost",
        "Duty and boost",
        "Working out boost against duty over all nights…",
    ),
    "/traces": View("traces.html", views.traces, ("night", "pull")),
    "/overlay": View("traces.html", views.overlay, OF_NIGHT),
    "/duty": View("duty.html", views.duty, OF_NIGHT),
    "/evidence": View("evidence.html", views.evidence, OF_NIGHT),
    "/plan/part": View("plan_part.html", views.plan_page, OF_CAR),
    "/trends/part": View("trends_part.html", views.trends_page, OF_CAR),
    "/response/part": View("response_part.html", views.response_page, OF_CAR),
}


class Screen(Page):
    """Logs that come in with the form. Whoever asks for stages is told one a line, and at last
    where to go.
    """

    stopped = False

    def on_connection_close(self) -> None:
        self.stopped = True

    async def post(self) -> None:
        stages = self.request.headers.get("X-Stages") == "yes"
        try:
            where = await self._screened(stages=stages)
        except PullauditError as error:
            if not stages:
                raise
            self._line({"error": str(error)})
            return
        if stages:
            self._line({"go": where})
        else:
            self.redirect(where)

    def _line(self, said: Mapping[str, Any]) -> None:
        """A line for the script of the form, sent at once."""
        if self.stopped:
            return
        self.set_header("Content-Type", "application/x-ndjson; charset=utf-8")
        self.write(json.dumps(said) + "\n")
        with contextlib.suppress(StreamClosedError):
            self.flush()

    async def _screened(self, *, stages: bool) -> str:
        """Screen what came, keep it where that was asked; the address of its page."""
        uploads = [Upload(f["filename"], f["body"]) for f in self.request.files.get("logs", [])]
        name, setting = self.get_body_argument("car", ""), self.get_body_argument("setting", "")
        keep = self.get_body_argument("keep", "") == "yes"
        if setting not in ("", "dyno", "street") or (keep and not name):
            raise UsageError(
                "To keep a night, choose its car."
                if keep
                else "A night is made on the dyno or on the street."
            )
        shelf, loop = self.setup.shelf, IOLoop.current()
        car = await self.work(lambda: shelf.archive.car(shelf.known_car(name))) if name else Car()

        def told(done: int, of: int, said: str) -> bool:
            if stages:
                loop.add_callback(self._line, {"done": done, "of": of, "said": said})
            return not self.stopped

        night = await self.work(
            lambda: screen_uploads(uploads, car=car, setting=setting, told=told)
        )
        said = "This night was screened and not kept."
        if keep and not self.stopped and any(a.status == "read" for a in night.logs):
            try:
                added = await self.work(
                    lambda: shelf.archive.add(night, setting=setting, history=in_history)
                )
            except ArchiveError as error:
                said = f"{error} This night was screened and not kept."
            else:
                if added.night_id is not None:
                    return views.link("/night", id=added.night_id)
                night, said = added.night, " ".join(added.said)
        page = await self.work(lambda: views.looked_page(night))
        key = secrets.token_urlsafe(18)
        links = views.car_links(name) if name else ()
        self.setup.looked.append((key, {"page": page, "links": links, "said": said}))
        return views.link("/looked", key=key)


class Looked(Page):
    """A night that was screened and not kept, as long as it is remembered."""

    def get(self) -> None:
        found = dict(self.setup.looked).get(self.get_query_argument("key"))
        if found is None:
            raise UsageError("That night was not kept and is forgotten. Screen its logs again.")
        self.show("kept.html", script=True, **found)


class Enter(Page):
    """Where the token is entered, if there is one."""

    def open_to_all(self) -> bool:
        return True

    def get(self) -> None:
        self.show("enter.html", xsrf=self.xsrf_form_html(), wrong=False)

    async def post(self) -> None:
        await asyncio.sleep(0.4)  # a guess costs time
        if not guard.same_token(self.get_body_argument("token", ""), self.setup.token or ""):
            self.set_status(403)
            self.show("enter.html", xsrf=self.xsrf_form_html(), wrong=True)
            return
        self.set_signed_cookie(COOKIE, "in", None, httponly=True, samesite="Strict", path="/")
        self.redirect("/")


class Static(Page):
    """Our style and script: two names, no folder behind them."""

    def open_to_all(self) -> bool:
        return True

    def get(self, name: str) -> None:
        kind, text = assets()[name]
        self.set_header("Content-Type", f"{kind}; charset=utf-8")
        self.set_header("Cache-Control", "no-cache")
        self.finish(text)  # Tornado adds an ETag, so that it travels once


@lru_cache(maxsize=1)
def assets() -> Mapping[str, tuple[str, str]]:
    """Name -> (type, text) of what pages refer to."""
    own = files(PAGES) / "assets"
    return {
        "page.css": ("text/css", html.style() + (own / "site.css").read_text(encoding="utf-8")),
        "page.js": (
            "text/javascript",
            html.script() + "\n" + (own / "upload.js").read_text(encoding="utf-8"),
        ),
    }


class Missing(Page):
    """Every other address."""

    def prepare(self) -> None:
        raise HTTPError(404)


def application(
    folder: str | Path,
    *,
    host: str = "127.0.0.1",
    token: str | None = None,
    most_bytes: int = 64 * MEGABYTE,
) -> Application:
    """The pages over an archive folder, which need not be there yet.

    Raises UsageError for an open bind without a token.
    """
    guard.check_bind(host, token)
    shelf = Shelf(Archive(folder))
    shared = {"setup": Setup(shelf, host=host, token=token, most_bytes=most_bytes)}
    pages: list[tuple[str, type[Page], dict[str, Any]]] = [
        *((path, Viewed, {**shared, "view": view}) for path, view in VIEWS.items()),
        ("/looked", Looked, shared),
        ("/screen", Screen, shared),
        ("/enter", Enter, shared),
        (r"/static/(page\.css|page\.js)", Static, shared),
    ]
    return Application(
        pages,
        xsrf_cookies=True,
        xsrf_cookie_kwargs={"httponly": True, "samesite": "Strict"},
        cookie_secret=secrets.token_urlsafe(32),  # who has entered must enter again after a restart
        default_handler_class=Missing,
        default_handler_args=shared,
        compress_response=True,
        log_function=lambda _handler: None,
        shelf=shelf,
    )


def listen(
    app: Application, *, host: str, port: int, most_bytes: int = 64 * MEGABYTE
) -> tuple[HTTPServer, int]:
    """Start to listen on the running loop; the server and its port.

    A larger body than most_bytes is cut off unread.
    """
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listening = socket.create_server(address[:2], family=family, backlog=64)
    except OSError as error:
        raise UsageError(
            f"--host {host} --port {port}: cannot listen there ({error.strerror or error}). "
            "Give another port."
        ) from None
    server = HTTPServer(
        app,
        max_body_size=most_bytes,
        max_buffer_size=most_bytes + MEGABYTE,
        idle_connection_timeout=60,
    )
    listening.setblocking(False)
    server.add_socket(listening)
    return server, int(listening.getsockname()[1])


def warm_up(shelf: Shelf) -> None:
    """Load what the first page would wait for."""
    import scipy.special
    import scipy.stats  # noqa: F401

    html.environment(PAGES)
    assets()
    with contextlib.suppress(ArchiveError):
        shelf.last_nights()


def serve(
    folder: str | Path,
    *,
    host: str,
    port: int,
    token: str | None,
    most_bytes: int,
    ready: Callable[[str], None],
) -> None:
    """Serve until the keyboard stops it. ready is told the address.

    Raises UsageError when it cannot listen.
    """

    async def run() -> None:
        app = application(folder, host=host, token=token, most_bytes=most_bytes)
        _, bound = listen(app, host=host, port=port, most_bytes=most_bytes)
        await IOLoop.current().run_in_executor(None, warm_up, app.settings["shelf"])
        ready(f"http://{f'[{host}]' if ':' in host else host}:{bound}/")
        await asyncio.Event().wait()

    try:
        asyncio.run(run())
    except KeyboardInterrupt:
        return
