"""People who sign in: the cookie, the lock, csrf, PINs, roles, and what a session may say in `by`. Names and PINs are invented."""
import json
import re
import threading
import time

from support import PINS, Browser, Daemon, WithDaemon, reading, wait_until

OWN = '\n'
DOCUMENT = {"person", "csrf", "idle-seconds", "ends", "must-change"}


def reason(answer):
    return answer.json.get("reason")


class SignIn(WithDaemon):
    config = OWN

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.pin = "482613"
        cls.ana = Browser(cls.daemon).first_time("ana", cls.daemon.add_user("ana"), cls.pin)

    def browser(self):
        browser = Browser(self.daemon)
        self.assertEqual(200, browser.sign_in("ana", self.pin).status)
        return browser

    def test_the_document_and_the_cookie(self):
        browser = Browser(self.daemon)
        answer = browser.sign_in("ANA", self.pin)
        self.assertEqual(200, answer.status, answer.body)
        self.assertEqual(DOCUMENT, set(answer.json))
        self.assertEqual({"name": "ana", "display": "Nurse ana", "practitioner": "N-ana", "role": "nurse", "may": ["send", "read", "decide"]},
                         answer.json["person"])
        self.assertEqual((300, False), (answer.json["idle-seconds"], answer.json["must-change"]))
        self.assertRegex(answer.json["ends"], r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d")
        parts = answer.headers["Set-Cookie"].split("; ")
        self.assertRegex(parts[0], r"^wardpost=[A-Za-z0-9_-]{43}$")
        self.assertEqual({"Path=/", "HttpOnly", "SameSite=Strict"}, set(parts[1:]))
        self.assertEqual("no-store", answer.headers["Cache-Control"])
        again = browser.ask("GET", "/v1/session")
        self.assertEqual((200, answer.json["csrf"], answer.json["person"]), (again.status, again.json["csrf"], again.json["person"]))

    def test_nobody(self):
        answer = self.daemon.ask("GET", "/v1/session")
        self.assertEqual((401, "none"), (answer.status, reason(answer)))
        for cookie in ("wardpost=", "wardpost=" + "A" * 43, "wardpost=" + "A" * 5000, "wardpost=../x", "other=1; wardpost=%00"):
            for path in ("/v1/session", "/v1/status"):
                with self.subTest((cookie[:30], path)):
                    answer = self.daemon.ask("GET", path, headers={"Cookie": cookie})
                    self.assertEqual((401, "none"), (answer.status, reason(answer)))
                    self.assertIn("Max-Age=0", answer.headers["Set-Cookie"])

    def test_wrong_name_and_wrong_pin_are_one_answer(self):
        answers = [Browser(self.daemon).sign_in(name, pin) for name, pin in (("bea", "482613"), ("ana", "111222"), ("ana", "x" * 64))]
        self.assertEqual([(401, "wrong")] * 3, [(a.status, reason(a)) for a in answers])
        self.assertEqual(1, len({a.body for a in answers}))
        self.assertEqual([None] * 3, [a.headers.get("Set-Cookie") for a in answers])
        self.assertEqual(200, Browser(self.daemon).sign_in("ana", self.pin).status)

    def test_bad_bodies(self):
        rows = [({}, [("/name", "missing-field"), ("/pin", "missing-field")]), ({"name": "ana", "pin": 482613}, [("/pin", "wrong-type")]),
                ({"name": "a" * 65, "pin": "1"}, [("/name", "too-long")]), ({"name": "ana", "pin": "1" * 65}, [("/pin", "too-long")]),
                ({"name": "ana", "pin": "1", "role": "lead"}, [("/role", "unknown-field")]), ({"name": "ñ" * 40, "pin": "1"}, [("/name", "too-long")])]
        for body, problems in rows:
            with self.subTest(body):
                answer = self.daemon.post(body, "/v1/session")
                self.assertEqual((422, problems), (answer.status, answer.problems()))
        self.assertEqual(400, self.daemon.post("{", "/v1/session").status)
        self.assertEqual(415, self.daemon.post("name=ana", "/v1/session", headers={"Content-Type": "text/plain"}).status)

    def test_a_session_has_the_rights_of_the_role(self):
        browser = self.browser()
        self.assertEqual(200, browser.ask("GET", "/v1/status").status)
        self.assertEqual(201, browser.post("/v1/readings", reading(by="N-ana")).status)
        self.assertEqual(422, browser.post("/v1/readings/_search", {"kind": "none"}).status)

    def test_csrf(self):
        browser = self.browser()
        for csrf in (None, "", "A" * 43, browser.csrf + "A", browser.csrf[:-1]):
            for path, body in (("/v1/readings", reading(by="N-ana")), ("/v1/session/_lock", None), ("/v1/session/_pin", {"pin": "1", "fresh": "2"}),
                               ("/v1/session/_second", {"name": "x", "pin": "1"})):
                with self.subTest((csrf, path)):
                    answer = browser.post(path, body, headers={} if csrf is None else {"Wardpost-Csrf": csrf}, csrf=False)
                    self.assertEqual((403, "csrf"), (answer.status, reason(answer)))
        self.assertEqual(200, browser.ask("GET", "/v1/status").status)

    def test_another_pages_requests(self):
        browser = self.browser()
        for path, body in (("/v1/session", {"name": "ana", "pin": self.pin}), ("/v1/session/_unlock", {"pin": self.pin}), ("/v1/session/_end", None)):
            for origin in ("http://elsewhere.example", "null"):
                with self.subTest((path, origin)):
                    self.assertEqual(421, browser.post(path, body, headers={"Origin": origin}).status)
        self.assertEqual(200, browser.ask("GET", "/v1/session").status)

    def test_signing_out(self):
        browser = self.browser()
        cookie = browser.cookie
        answer = browser.post("/v1/session/_end", csrf=False)
        self.assertEqual((204, b""), (answer.status, answer.body))
        self.assertIn("Max-Age=0", answer.headers["Set-Cookie"])
        browser.cookie = cookie
        answer = browser.ask("GET", "/v1/session")
        self.assertEqual((401, "none"), (answer.status, reason(answer)))
        self.assertEqual(204, browser.post("/v1/session/_end").status)

    def test_the_next_person_on_the_same_tablet(self):
        browser = self.browser()
        cookie = browser.cookie
        Browser(self.daemon).first_time("eva", self.daemon.add_user("eva", "assistant"), "719352")
        answer = browser.sign_in("eva", "719352")
        self.assertEqual((200, "eva", ["send", "read"]), (answer.status, answer.json["person"]["name"], answer.json["person"]["may"]))
        old = Browser(self.daemon)
        old.cookie = cookie
        self.assertEqual("none", reason(old.ask("GET", "/v1/session")))
        answer = browser.post("/v1/readings/%s/discard" % ("0" * 8 + "-0000-4000-8000-" + "0" * 12), {"reason": "x", "by": "N-eva"})
        self.assertEqual((403, "right"), (answer.status, reason(answer)))

    def test_lock_and_unlock(self):
        browser = self.browser()
        self.assertEqual(204, browser.post("/v1/session/_lock").status)
        for method, path, body in (("GET", "/v1/session", None), ("GET", "/v1/status", None), ("POST", "/v1/readings", reading(by="N-ana")),
                                   ("POST", "/v1/session/_pin", {"pin": self.pin, "fresh": "918273"})):
            answer = browser.ask(method, path, body)
            self.assertEqual((401, "locked", {"name": "ana", "display": "Nurse ana"}), (answer.status, reason(answer), answer.json["person"]))
        self.assertEqual(204, browser.post("/v1/session/_lock").status)
        answer = browser.post("/v1/session/_unlock", {"pin": "111222"}, csrf=False)
        self.assertEqual((401, "wrong"), (answer.status, reason(answer)))
        answer = browser.post("/v1/session/_unlock", {"pin": self.pin}, csrf=False)
        self.assertEqual((200, DOCUMENT), (answer.status, set(answer.json)))
        self.assertEqual(200, browser.ask("GET", "/v1/status").status)
        answer = Browser(self.daemon).post("/v1/session/_unlock", {"pin": self.pin})
        self.assertEqual((401, "none"), (answer.status, reason(answer)))

    def test_by_is_the_person(self):
        browser = self.browser()
        rows = [(reading(), [("/by", "missing-field")]), (reading(by="N-bea"), [("/by", "not-allowed")]),
                ({"patient": reading()["patient"], "age": 30, "readings": [{"kind": "heart-rate", "value": 72, "unit": "/min", "by": "N-bea"}]},
                 [("/readings/0/by", "not-allowed")]),
                (reading(by="N-ana", value=290, confirmed=True, override={"by": "N-bea", "second": "N-ana", "reason": "counted twice"}), [("/override/by", "not-allowed")])]
        for body, problems in rows:
            with self.subTest(body):
                answer = browser.post("/v1/readings", body)
                self.assertEqual((422, problems), (answer.status, answer.problems()), answer.body)
        self.assertEqual(201, browser.post("/v1/readings", reading(by="N-ana")).status)

    def test_a_second_person(self):
        Browser(self.daemon).first_time("ida", self.daemon.add_user("ida"), "640825")
        fresh = self.daemon.add_user("new")
        browser = self.browser()
        answer = browser.post("/v1/session/_second", {"name": "ida", "pin": "640825"})
        self.assertEqual((200, {"practitioner": "N-ida", "display": "Nurse ida"}), (answer.status, answer.json))
        self.assertIsNone(answer.headers.get("Set-Cookie"))
        self.assertEqual("ana", browser.ask("GET", "/v1/session").json["person"]["name"])
        self.assertEqual([("/name", "not-allowed")], browser.post("/v1/session/_second", {"name": "ana", "pin": self.pin}).problems())
        self.assertEqual("wrong", reason(browser.post("/v1/session/_second", {"name": "ida", "pin": self.pin})))
        self.assertEqual("must-change", reason(browser.post("/v1/session/_second", {"name": "new", "pin": fresh})))
        token = self.daemon.enrol("cuff")
        self.assertEqual(401, self.daemon.post({"name": "ida", "pin": "640825"}, "/v1/session/_second", token=token).status)
