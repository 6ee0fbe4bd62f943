"""Browsing the archive: Tornado handlers over the shelf; nothing on disk is named by a request."""

from __future__ import annotations

import asyncio
import contextlib
import inspect
import json
import logging
import re
import secrets
import socket
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar, cast

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
_NIGHT = (r"[\w.:-]{1,120}", "a night, as in the list of nights")
_CAR = (r"[^\x00]{1,500}", "a car's name")
_SIDE = (rf"({_NIGHT[0]}( pull-[0-9]{{1,6}})?)?", "a night, or a night and its pull")
ASKED = {
    "id": _NIGHT,
    "night": _NIGHT,
    "name": _CAR,
    "car": _CAR,
    "pull": (r"pull-[0-9]{1,6}", "a pull of the night, as pull-3"),
    "skip": (r"[0-9]{1,9}", "a count of nights is wanted, as in skip=200"),
    "key": (r"[\w-]{0,64}", "the key of a night that was looked at"),
    "a": _SIDE,
    "b": _SIDE,
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


# Template, what it shows from the shelf and what the address says, and whether it has plots, or a
# form that the script helps: of each page, and of the parts of one that are asked for when reached.
VIEWS: Mapping[str, tuple[str, Callable[..., Mapping[str, Any]], bool]] = {
    "/": ("cars.html", views.cars_page, True),
    "/car": ("car.html", views.car_page, False),
    "/night": ("kept.html", views.night_page, True),
    "/compare": ("compare.html", compare_page, True),
    "/plan": ("followed.html", views.followed, True),
    "/trends": ("followed.html", views.followed, True),
    "/response": ("followed.html", views.followed, True),
    "/traces": ("traces.html", views.traces, False),
    "/overlay": ("traces.html", views.overlay, False),
    "/duty": ("duty.html", views.duty, False),
    "/evidence": ("evidence.html", views.evidence, False),
    "/plan/part": ("plan_part.html", views.plan_page, False),
    "/trends/part": ("trends_part.html", views.trends_page, False),
    "/response/part": ("response_part.html", views.response_page, False),
}
# Where else to look at a car.
AROUND = (
    ("nights", "/car", "name"),
    ("trends", "/trends", "car"),
    ("compare", "/compare", "car"),
    ("duty and boost", "/response", "car"),
    ("plan", "/plan", "car"),
)


class Asked(HTTPError):
    """A query that no page understands. said: what is wrong with it."""

    def __init__(self, said: str) -> None:
        super().__init__(400)
        self.said = said


class Page(RequestHandler):
    """What all pages do: ask who is there, send the policy, say errors in a sentence."""

    open_to_all = False  # may it be asked for without the token?

    @property
    def shelf(self) -> Shelf:
        return cast("Shelf", self.settings["shelf"])

    def prepare(self) -> None:
        headers, token = self.request.headers, self.settings["token"]
        header = headers.get("Host", "")
        if not guard.host_allowed(header, bound=self.settings["host"], token=token is not None):
            elsewhere = "This name does not lead here. Use the address that the program printed."
            raise HTTPError(403, reason=elsewhere)
        told = map(headers.get, ("Origin", "Referer", "Sec-Fetch-Site"))
        if self.request.method == "POST" and not guard.same_origin(*told, host=header):
            raise HTTPError(403, reason="This form did not come from one of these pages.")
        bearer = headers.get("Authorization", "").removeprefix("Bearer ").strip() or None
        known = self.get_signed_cookie(COOKIE) is not None
        if token and not (self.open_to_all or known or guard.same_token(bearer, token)):
            self.redirect("/enter")
        elif wrong := refused(self.request.query_arguments):
            raise Asked(wrong)

    def set_default_headers(self) -> None:
        for name, value in HEADERS.items():
            self.set_header(name, value)
        self.clear_header("Server")

    def show(self, template: str, *, script: bool = False, **values: Any) -> None:
        """Render and send a page. script: it has plots, or a form it helps; name: the car whose
        other pages are offered.
        """
        path, car = self.request.path, values.get("name")
        values |= {
            "script": script,
            "links": [(t, views.link(p, **{w: car})) for t, p, w in AROUND if car],
            "here": next((text for text, at, _ in AROUND if at == path), ""),
            "path": path,
            "link": views.link,
            "xsrf": self.xsrf_form_html,
            "most_bytes": self.settings["most_bytes"],
        }
        self.set_header(
            "Content-Security-Policy",
            f"default-src 'none'; script-src '{'self' if script else 'none'}'; style-src 'self'; "
            "img-src data:; "
            "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
        )
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.finish(html.environment(PAGES).get_template(template).render(**values))

    async def work(self, make: Callable[[], T]) -> T:
        """Run what reads or computes beside the loop, so that other pages go on."""
        return await IOLoop.current().run_in_executor(self.settings["pool"], make)

    def write_error(self, status_code: int, **kwargs: Any) -> None:
        error = kwargs.get("exc_info", (None, None, None))[1]
        self.set_status(404 if isinstance(error, UsageError) else status_code)
        head, text = _said(status_code, error)
        self.show("said.html", head=head, text=text)

    def log_exception(self, typ: Any, value: Any, tb: Any) -> None:
        if isinstance(value, (PullauditError, HTTPError)):
            log.info("%s: %s", self.request.path, value)
        else:
            super().log_exception(typ, value, tb)


def _said(status: int, error: BaseException | None) -> tuple[str, str]:
    """Head and text of the page that says what went wrong."""
    back = "Go back to all cars."
    match error:
        case ArchiveError():
            return "The archive is in trouble", str(error)
        case PullauditError():
            return "That did not work", str(error)
        case MissingArgumentError():
            return "Something is missing", f"This address wants to be told: {error.arg_name}."
        case Asked():
            return "That cannot be understood", error.said
        case HTTPError(status_code=403):
            anew = "The form has no valid mark of this page. Load the page again and send it anew."
            return "Not from there", error.reason or anew
    if status >= 500:
        return "Something went wrong", "The program has written what it was to its standard error."
    heads = {400: "That cannot be understood", 404: "No such page"}
    return heads.get(status, "That is not done here"), back


class Viewed(Page):
    """Any page that only shows what the archive has."""

    async def get(self) -> None:
        template, make, script = VIEWS[self.request.path]
        words = list(inspect.signature(make).parameters.values())[1:]
        asked = [
            self.get_query_argument(w.name, *([] if w.default is w.empty else [w.default]))
            for w in words
        ]
        found = await self.work(lambda: make(self.shelf, *asked))
        self.show(template, script=script, **found)


class Screen(Page):
    """Logs that come in with the form. Whoever asks for stages is told one a line, and at last
    where to go.
    """

    stopped = False

    def on_connection_close(self) -> None:
        self.stopped = True

    async def post(self) -> None:
        stages, loop = self.request.headers.get("X-Stages") == "yes", IOLoop.current()

        def told(done: int, of: int, said: str) -> bool:
            if stages:
                loop.add_callback(self._line, {"done": done, "of": of, "said": said})
            return not self.stopped

        try:
            where = await self.work(lambda: self._screened(told))
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

    def _screened(self, told: Callable[[int, int, str], bool]) -> str:
        """Screen what came, keep it where that was asked; the address of its page."""
        uploads = [Upload(f["filename"], f["body"]) for f in self.request.files.get("logs", [])]
        name, setting, keep = (self.get_body_argument(w, "") for w in ("car", "setting", "keep"))
        if keep == "yes" and not name:
            raise UsageError("To keep a night, choose its car.")
        if setting not in ("", "dyno", "street"):
            raise UsageError("A night is made on the dyno or on the street.")
        shelf, said = self.shelf, "This night was screened and not kept."
        car = shelf.archive.car(shelf.known_car(name)) if name else Car()
        night = screen_uploads(uploads, car=car, setting=setting, told=told)
        if keep == "yes" and not self.stopped and any(a.status == "read" for a in night.logs):
            try:
                added = shelf.archive.add(night, setting=setting, history=in_history)
            except ArchiveError as error:
                said = f"{error} {said}"
            else:
                if added.night_id is not None:
                    return views.link("/night", id=added.night_id)
                night, said = added.night, " ".join(added.said)
        key = secrets.token_urlsafe(18)
        shown = {"page": views.looked_page(night), "name": name, "said": said}
        self.settings["looked"].append((key, shown))
        return views.link("/looked", key=key)


class Looked(Page):
    """A night that was screened and not kept, as long as it is remembered."""

    def get(self) -> None:
        found = dict(self.settings["looked"]).get(self.get_query_argument("key"))
        if found is None:
            raise UsageError("That night was not kept and is forgotten. Screen its logs again.")
        self.show("kept.html", script=True, **found)


class Enter(Page):
    """Where the token is entered, if there is one."""

    open_to_all = True

    def get(self) -> None:
        self.show("enter.html", wrong=False)

    async def post(self) -> None:
        await asyncio.sleep(0.4)  # a guess costs time
        if not guard.same_token(self.get_body_argument("token", ""), self.settings["token"] or ""):
            self.set_status(403)
            self.show("enter.html", wrong=True)
            return
        self.set_signed_cookie(COOKIE, "in", None, httponly=True, samesite="Strict", path="/")
        self.redirect("/")


class Static(Page):
    """Our style and script: two names, no folder behind them."""

    open_to_all = True

    def get(self, name: str) -> None:
        kind, text = assets()[name]
        self.set_header("Content-Type", f"{kind}; charset=utf-8")
        self.set_header("Cache-Control", "no-cache")
        self.finish(text)  # Tornado adds an ETag, so that it travels once


@lru_cache(maxsize=1)
def assets() -> Mapping[str, tuple[str, str]]:
    """Name -> (type, text) of what pages refer to."""
    own = files(PAGES) / "assets"
    css, js = ((own / name).read_text(encoding="utf-8") for name in ("site.css", "upload.js"))
    return {
        "page.css": ("text/css", html.style() + css),
        "page.js": ("text/javascript", f"{html.script()}\n{js}"),
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
    pages: dict[str, type[Page]] = {
        **dict.fromkeys(VIEWS, Viewed),
        "/looked": Looked,
        "/screen": Screen,
        "/enter": Enter,
        r"/static/(page\.css|page\.js)": Static,
    }
    return Application(
        list(pages.items()),
        xsrf_cookies=True,
        xsrf_cookie_kwargs={"httponly": True, "samesite": "Strict"},
        cookie_secret=secrets.token_urlsafe(32),  # who has entered must enter again after a restart
        default_handler_class=Missing,
        compress_response=True,
        log_function=lambda _handler: None,
        shelf=Shelf(Archive(folder)),
        host=host,
        token=token,
        most_bytes=most_bytes,
        # The newest nights that were looked at and not kept, each by a key nobody can guess.
        looked=deque(maxlen=8),
        pool=ThreadPoolExecutor(max_workers=4, thread_name_prefix="page"),
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
    room = {"max_body_size": most_bytes, "max_buffer_size": most_bytes + MEGABYTE}
    server = HTTPServer(app, idle_connection_timeout=60, **room)
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

    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(run())
