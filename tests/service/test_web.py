"""The pages over HTTP, without a browser."""

from __future__ import annotations

import json
import re
from urllib.parse import quote, urlencode

import pytest
from tornado.httpclient import HTTPRequest
from tornado.testing import AsyncHTTPTestCase

from audit.archive.store.store import Archive
from audit.service.web.web import application
from tests.report.nights import sample

TOKEN = "a token of sixteen and more"


class Pages(AsyncHTTPTestCase):
    token = None
    host = "127.0.0.1"

    @pytest.fixture(autouse=True)
    def _folder(self, tmp_path_factory, request):
        made = getattr(Pages, "_made", None)
        if made is None:
            made = Pages._made = tmp_path_factory.mktemp("archive")
            Archive(made).add(sample("alder/2025-05-24_overshoot"), date="2025-05-24")
        self.folder = made

    def get_app(self):
        return application(self.folder, host=self.host, token=self.token, most_bytes=200_000)

    def ask(self, path, *, method="GET", body=None, **headers):
        return self.fetch(
            path,
            method=method,
            body=body,
            headers={k.replace("_", "-"): v for k, v in headers.items()},
            follow_redirects=False,
        )

    def text(self, path):
        answer = self.ask(path)
        assert answer.code == 200, answer.body
        return answer.body.decode()

    def night(self):
        return re.search(r"/night\?id=([^\"]+)", self.text("/car?name=alder"))[1]

    def form(self, path, fields, **headers):
        page = self.ask("/enter" if self.token else "/")
        mark = re.search(r'name="_xsrf" value="([^"]+)"', page.body.decode())[1]
        cookie = page.headers["Set-Cookie"].split(";")[0]
        headers = {
            "Origin": self.get_url("").rstrip("/"),
            "Cookie": cookie,
            "Content_Type": "application/x-www-form-urlencoded",
            **headers,
        }
        return self.ask(path, method="POST", body=urlencode({"_xsrf": mark, **fields}), **headers)


class TestReading(Pages):
    def test_pages_answer_and_send_a_strict_policy(self):
        for path in (
            "/",
            "/car?name=alder",
            f"/night?id={self.night()}",
            "/compare?car=alder",
            "/trends?car=alder",
            "/response?car=alder",
        ):
            answer = self.ask(path)
            assert answer.code == 200, path
            policy = answer.headers["Content-Security-Policy"]
            assert (
                policy.startswith("default-src 'none'")
                and "unsafe" not in policy
                and "frame-ancestors 'none'" in policy
            )
            assert (
                answer.headers["X-Content-Type-Options"] == "nosniff"
                and answer.headers["X-Frame-Options"] == "DENY"
            )

    def test_traces_of_a_pull_come_as_a_part(self):
        part = self.text(f"/traces?night={self.night()}&pull=pull-1")
        packet = json.loads(
            re.search(
                r'<script type="application/json"[^>]*>(.*?)</script>', part, flags=re.DOTALL
            )[1]
        )
        assert packet["marks"][0]["panel"] == "boost" and len(packet["series"]) > 8

    def test_the_marks_bear_the_numbers_of_the_pages_findings(self):
        night, seen = self.night(), 0
        page = self.text(f"/night?id={night}")
        for pull in ("pull-1", "pull-2", "pull-3"):
            part = self.text(f"/traces?night={night}&pull={pull}")
            for n in re.search(r'data-marks="([\d ]*)"', part)[1].split():
                assert f'id="finding-{n}"' in page and f'href="#mark-{n}"' in page
                seen += 1
        assert seen >= 3

    def test_an_earlier_night_is_shown_with_the_decision_it_had(self):
        from audit.archive.step.decide import in_history

        kept = Archive(self.folder)
        for name in ("rowan/2025-05-16_healthy", "rowan/2025-06-20_hose_off"):
            kept.add(sample(name), date=name[6:16], history=in_history)
        earlier = kept.nights("rowan").sort("date").row(0, named=True)
        told = json.loads(earlier["decision"])
        assert told["other_gears"]
        page = self.text(f"/night?id={earlier['night_id']}")
        assert all(f"gear {g['gear']}" in page for g in told["other_gears"])

    def test_nonsense_in_an_address_is_answered_with_400_and_what_is_wanted(self):
        night = self.night()
        for path, word in (
            ("/night?id=..%2F..%2Fetc", "id: a night"),
            ("/night?id=%00", "id: a night"),
            ("/night?id=" + "9" * 500, "id: a night"),
            (f"/night?id={night}&id={night}", "once"),
            (f"/night?id={night}&more=1", "no page here asks that"),
            (f"/traces?night={night}&pull=%3Cb%3E", "pull: a pull"),
            ("/car?name=%ff", "name: a car"),
            ("/car?name=alder&skip=-1", "skip: a count"),
            ("/compare?car=alder&a=%27&b=x", "a: a night"),
            ("/plan?car=", "car: a car"),
            ("/night", "wants to be told: id"),
        ):
            answer = self.ask(path)
            assert answer.code == 400 and word in answer.body.decode(), path
            assert b"Traceback" not in answer.body and b"<b>" not in answer.body
        for path in (
            "/night?id=night-x",
            "/car?name=nobody",
            f"/traces?night={night}&pull=pull-99",
        ):
            assert self.ask(path).code == 404, path

    def test_what_is_not_there_is_a_sentence(self):
        for path in (
            "/car?name=nobody",
            "/night?id=night-x",
            f"/traces?night={self.night()}&pull=pull-99",
            "/trends?car=nobody",
            "/nothing",
        ):
            answer = self.ask(path)
            assert answer.code == 404, path
            assert b"Traceback" not in answer.body and b"<h1>" in answer.body

    def test_nonsense_in_the_query_is_a_400(self):
        for path in (
            "/car?name=alder&skip=x",
            "/car?name=alder&skip=" + "9" * 40,
            "/car?name=alder&skip=²",
            "/car",
            "/trends",
            "/trends/part",
            "/response",
            "/night",
            "/traces?night=x",
            "/compare",
            "/car?name=%ff%fe",
        ):
            answer = self.ask(quote(path, safe="/?=&%"))
            assert answer.code == 400, path
            assert b"standard error" not in answer.body and b"<h1>" in answer.body

    def test_no_path_of_a_request_reaches_the_disk(self):
        for path in (
            "/static/../../../etc/passwd",
            "/static/%2e%2e/web.py",
            "/static/site.css",
            "/night?id=" + quote("../../archive.json"),
            "/traces?night=..%2F..%2Flogs&pull=pull-1",
            "/compare?car=alder&a=" + quote("../x pull-1") + "&b=" + quote("../y pull-1"),
        ):
            answer = self.ask(path)
            assert answer.code in (400, 404), path
            assert b"root:" not in answer.body

    def test_a_name_that_was_pointed_here_is_refused(self):
        assert self.ask("/", Host="evil.example").code == 403

    def test_a_night_added_meanwhile_is_seen(self):
        assert "2025-05-25" not in self.text("/")
        Archive(self.folder).add(sample("quince/2025-05-25_oscillation"), date="2025-05-25")
        assert "2025-05-25" in self.text("/")


class TestForms(Pages):
    def test_a_form_without_its_mark_is_refused(self):
        assert (
            self.ask("/screen", method="POST", body="", Origin=self.get_url("").rstrip("/")).code
            == 403
        )

    def test_a_form_from_another_site_is_refused(self):
        assert self.form("/screen", {}, Origin="http://evil.example").code == 403
        assert self.form("/screen", {}, Sec_Fetch_Site="cross-site").code == 403

    def test_a_form_of_ours_is_heard(self):
        answer = self.form("/screen", {"car": ""})
        assert answer.code == 404 and b"Choose one or more logs" in answer.body

    def test_a_form_with_an_unknown_car_is_refused(self):
        assert b"no such car" in self.form("/screen", {"car": "../etc"}).body

    def test_keeping_needs_a_car(self):
        assert b"choose its car" in self.form("/screen", {"keep": "yes"}).body


class TestUploadSize(Pages):
    def get_httpserver_options(self):
        return {"max_body_size": 200_000, "max_buffer_size": 1_200_000}

    def test_a_body_that_is_too_large_is_not_taken(self):
        import tornado.httpclient

        request = HTTPRequest(self.get_url("/screen"), method="POST", body=b"x" * 300_000)
        try:
            code = self.io_loop.run_sync(
                lambda: self.http_client.fetch(request, raise_error=False)
            ).code
        except (OSError, tornado.httpclient.HTTPError):
            code = 413
        assert code in (400, 413, 599)


class TestToken(Pages):
    token = TOKEN
    host = "0.0.0.0"

    def test_nothing_is_shown_without_it(self):
        for path in ("/", "/car?name=alder", "/screen", "/traces?night=a&pull=b"):
            answer = self.ask(path)
            assert answer.code in (302, 405) and b"alder" not in answer.body, path

    def test_a_wrong_one_is_refused(self):
        assert self.form("/enter", {"token": "wrong"}).code == 403

    def test_the_right_one_opens(self):
        answer = self.form("/enter", {"token": TOKEN})
        assert answer.code == 302
        cookie = next(
            c for c in answer.headers.get_list("Set-Cookie") if c.startswith("pullaudit_session")
        )
        assert "HttpOnly" in cookie and "SameSite=Strict" in cookie and TOKEN not in cookie
        assert self.ask("/", Cookie=cookie.split(";")[0]).code == 200

    def test_a_program_may_send_it_along(self):
        assert self.ask("/", Authorization=f"Bearer {TOKEN}").code == 200
        assert self.ask("/", Authorization="Bearer wrong").code == 302
