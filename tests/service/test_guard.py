import pytest

from audit.errors import UsageError
from audit.service.web.guard import (
    check_bind,
    host_allowed,
    is_loopback,
    same_origin,
    same_token,
)

TOKEN = "a token of sixteen and more"


@pytest.mark.parametrize(
    ("host", "wanted"),
    [
        ("127.0.0.1", True),
        ("::1", True),
        ("localhost", True),
        ("127.8.8.8", True),
        ("0.0.0.0", False),
        ("::", False),
        ("192.168.1.4", False),
        ("garage.lan", False),
    ],
)
def test_loopback(host, wanted):
    assert is_loopback(host) is wanted


def test_an_open_bind_needs_a_token():
    with pytest.raises(UsageError, match="--token"):
        check_bind("0.0.0.0", None)
    check_bind("0.0.0.0", TOKEN)
    check_bind("127.0.0.1", None)


def test_a_token_that_could_be_guessed_is_refused():
    with pytest.raises(UsageError, match="at least 16"):
        check_bind("127.0.0.1", "x" * 15)
    check_bind("127.0.0.1", "x" * 16)


@pytest.mark.parametrize(
    ("header", "wanted"),
    [
        ("127.0.0.1:8765", True),
        ("localhost:1", True),
        ("LOCALHOST", True),
        ("[::1]:8765", True),
        ("evil.example", False),
        ("evil.example:8765", False),
        ("127.0.0.1.evil.example", False),
        ("", False),
    ],
)
def test_a_foreign_name_that_leads_here_is_refused(header, wanted):
    assert host_allowed(header, bound="127.0.0.1", token=False) is wanted


def test_any_name_may_be_used_with_a_token():
    assert host_allowed("garage.lan", bound="0.0.0.0", token=True)


HERE = "127.0.0.1:8765"


@pytest.mark.parametrize(
    ("origin", "referer", "site", "wanted"),
    [
        (f"http://{HERE}", None, None, True),
        (f"http://{HERE}", None, "same-origin", True),
        (None, f"http://{HERE}/car", None, True),
        (None, None, "same-origin", True),
        ("http://evil.example", None, None, False),
        ("http://127.0.0.1:9999", None, None, False),
        ("null", None, None, False),
        (None, "http://evil.example/127.0.0.1:8765", None, False),
        (f"http://{HERE}", None, "cross-site", False),
        (f"http://{HERE}", None, "same-site", False),
        (None, None, None, False),
    ],
)
def test_forms_come_from_our_own_pages(origin, referer, site, wanted):
    assert same_origin(origin, referer, site, host=HERE) is wanted


def test_tokens():
    assert (
        same_token(TOKEN, TOKEN)
        and not same_token(None, TOKEN)
        and not same_token(TOKEN[:-1], TOKEN)
        and not same_token("ä", TOKEN)
    )
