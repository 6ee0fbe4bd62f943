"""Who may ask, and from where: host names, origins and the token."""

from __future__ import annotations

import contextlib
import hmac
import ipaddress
import secrets
from urllib.parse import SplitResult, urlsplit

from audit.errors import UsageError

LEAST_TOKEN = 16
LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})


def is_loopback(host: str) -> bool:
    """Does a bind address reach no further than this machine?"""
    with contextlib.suppress(ValueError):
        return ipaddress.ip_address(host).is_loopback
    return host == "localhost"


def check_bind(host: str, token: str | None) -> None:
    """Raises UsageError where others could ask without a token, or with one that is guessed."""
    if token is not None and len(token) < LEAST_TOKEN:
        raise UsageError(
            f"--token: {len(token)} characters; give at least {LEAST_TOKEN}, for instance "
            f"{secrets.token_urlsafe(18)}"
        )
    if token is None and not is_loopback(host):
        raise UsageError(
            f"--host {host}: other machines could reach the archive. Give --token WORD with at "
            f"least {LEAST_TOKEN} characters, or leave --host out to stay on this machine."
        )


def host_allowed(header: str, *, bound: str, token: bool) -> bool:
    """A name that leads to this machine on purpose. A page elsewhere that points its own name here
    is refused.

    With a token any name may be used: what guards then is the token, and a browser does not send it
    from another site.
    """
    name = _named(f"//{header}").hostname  # without its port, in lower case
    return bool(name) and (token or name in LOOPBACK_NAMES or name == bound.lower())


def same_origin(
    origin: str | None, referer: str | None, fetch_site: str | None, *, host: str
) -> bool:
    """Does a form come from one of our own pages? Its Origin, Referer or Sec-Fetch-Site says so."""
    if fetch_site not in (None, "same-origin", "none"):
        return False
    told = origin or referer
    if told is None:
        return fetch_site == "same-origin"
    return _named(told).netloc.lower() == host.lower()


def _named(address: str) -> SplitResult:
    """An address in its parts; without any where it is none."""
    try:
        return urlsplit(address)
    except ValueError:
        return urlsplit("")


def same_token(given: str | None, wanted: str) -> bool:
    """Compared in constant time."""
    return given is not None and hmac.compare_digest(given.encode(), wanted.encode())
