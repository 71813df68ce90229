"""People who sign in: the cookie, the lock, csrf, PINs, roles, and what a session may say in `by`. Names and PINs are invented."""
import json
import re
import threading
import time
import uuid

from support import PINS, Browser, Daemon, WithDaemon, reading, wait_until

OWN = '\n'
DOCUMENT = {"person", "csrf", "idle-seconds", "ends", "must-change"}


def reason(answer):
    return answer.json.get("reason")


def bedside_set(one=None, **more):
    """What the form sends: a set, with the two identifiers that were looked at."""
    return {"patient": reading()["patient"], "age": 30, "bedside": {"identity": {"checked": ["identifier", "birth-date"], "how": ["spoken"]}},
            "readings": [{"kind": "heart-rate", "value": 72, "unit": "/min", **(one or {})}], **more}


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
        self.assertTrue(answer.headers["WWW-Authenticate"])
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
        self.assertEqual(201, browser.post("/v1/readings", bedside_set(by="N-ana")).status)
        self.assertEqual(422, browser.post("/v1/readings/_search", {"kind": "none"}).status)

    def test_csrf(self):
        browser = self.browser()
        for csrf in (None, "", "A" * 43, browser.csrf + "A", browser.csrf[:-1]):
            for path, body in (("/v1/readings", bedside_set(by="N-ana")), ("/v1/session/_lock", None), ("/v1/session/_pin", {"pin": "1", "fresh": "2"}),
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
        for method, path, body in (("GET", "/v1/session", None), ("GET", "/v1/status", None), ("POST", "/v1/readings", bedside_set(by="N-ana")),
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
        rows = [(bedside_set(), [("/by", "missing-field")]), (bedside_set(by="N-bea"), [("/by", "not-allowed")]),
                (bedside_set({"by": "N-bea"}, by="N-ana"), [("/readings/0/by", "not-allowed")]),
                (bedside_set({"value": 290, "confirmed": True, "override": {"by": "N-bea", "second": "N-ana", "reason": "counted twice"}}, by="N-ana"),
                 [("/readings/0/override/by", "not-allowed")])]
        for body, problems in rows:
            with self.subTest(body):
                answer = browser.post("/v1/readings", body)
                self.assertEqual((422, problems), (answer.status, answer.problems()), answer.body)
        self.assertEqual(201, browser.post("/v1/readings", bedside_set(by="N-ana")).status)

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
        extreme = lambda second: bedside_set({"value": 320, "confirmed": True,
                                              "override": {"by": "N-ana", "second": second, "reason": "counted by both"}}, by="N-ana")
        self.assertEqual([("/readings/0/value", "implausible")], browser.post("/v1/readings", bedside_set({"value": 320}, by="N-ana")).problems())
        vouched = extreme("N-ida")
        vouched["readings"][0]["id"] = str(uuid.uuid4())
        self.assertEqual(201, (answer := browser.post("/v1/readings", vouched)).status, answer.body)
        vouched.update(bedside={**vouched["bedside"], "offline": True})
        self.assertEqual((201, answer.json["readings"]), ((again := browser.post("/v1/readings", vouched)).status, again.json.get("readings")), again.body)
        for one in (extreme("N-ida"), {**extreme("N-ida"), "patient": {"identifier": {"system": "https://clinic.example/mrn", "value": "other-3"}}}):
            self.assertEqual([("/readings/0/override/second", "not-allowed")], browser.post("/v1/readings", one).problems())  # once
        self.assertEqual(201, browser.post("/v1/readings", extreme("monitor-3")).status)
        self.assertEqual([("/readings/0/override/second", "not-allowed")], browser.post("/v1/readings", extreme("N-new")).problems())
        another = self.browser()  # where nobody vouched
        self.assertEqual([("/readings/0/override/second", "not-allowed")], another.post("/v1/readings", extreme("N-ida")).problems())
        token = self.daemon.enrol("cuff")
        self.assertEqual(401, self.daemon.post({"name": "ida", "pin": "640825"}, "/v1/session/_second", token=token).status)


class Corrected(WithDaemon):
    """A correction by somebody who is signed in: what it says of people is looked at as in a reading."""
    config = OWN

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        people = (("ana", "nurse", "482613"), ("bea", "nurse", "730518"), ("cal", "assistant", "915264"))
        cls.ana, cls.bea, cls.cal = (Browser(cls.daemon).first_time(name, cls.daemon.add_user(name, role), pin) for name, role, pin in people)

    def taken(self, browser, who, one=None):
        answer = browser.post("/v1/readings", bedside_set(one, by=who))
        self.assertEqual(201, answer.status, answer.body)
        return answer.json["readings"][0]["id"]

    def correct(self, browser, who, id, **body):
        return browser.post("/v1/readings/%s/corrections" % id, {"reason": "wrong-number", "by": who, **body})

    def test_a_second_person_says_so_with_their_own_pin(self):
        extreme = lambda second: {"value": 320, "confirmed": True, "override": {"by": "N-ana", "second": second, "reason": "counted by both"}}
        moved = {"patient": {"identifier": {"system": "https://clinic.example/mrn", "value": "other-1"}}, "reason": "wrong-patient"}
        id = self.taken(self.ana, "N-ana")
        for second in ("N-bea", "n-BEA"):
            for more in ({}, moved):
                with self.subTest((second, more)):
                    answer = self.correct(self.ana, "N-ana", id, reading=extreme(second), **more)
                    self.assertEqual((422, [("/reading/override/second", "not-allowed")]), (answer.status, answer.problems()), answer.body)
        self.assertEqual("waiting", self.ana.ask("GET", "/v1/readings/" + id).json["state"])
        self.assertEqual(200, self.ana.post("/v1/session/_second", {"name": "bea", "pin": "730518"}).status)
        self.assertEqual(201, (answer := self.correct(self.ana, "N-ana", id, reading=extreme("N-bea"))).status, answer.body)
        answer = self.correct(self.ana, "N-ana", answer.json["id"], reading=extreme("N-bea"))
        self.assertEqual([("/reading/override/second", "not-allowed")], answer.problems(), answer.body)

    def test_nobody_speaks_for_somebody_else(self):
        id = self.taken(self.ana, "N-ana")
        override = {"by": "N-bea", "second": "monitor-3", "reason": "counted by both"}
        elsewhere = {"patient": {"identifier": {"system": "https://clinic.example/mrn", "value": "other-2"}}}
        rows = [({"reading": {"value": 74, "by": "N-bea"}}, "/reading/by"),
                ({"reading": {"value": 320, "confirmed": True, "override": override}}, "/reading/override/by"),
                ({"reading": {"by": "N-bea"}, **elsewhere}, "/reading/by"), ({"reading": {"value": 74}}, "/by")]
        for body, pointer in rows:
            with self.subTest(body):
                answer = self.correct(self.ana, "N-bea" if pointer == "/by" else "N-ana", id, **body)
                self.assertEqual((422, [(pointer, "not-allowed")]), (answer.status, answer.problems()), answer.body)
        self.assertEqual(72, self.ana.ask("GET", "/v1/readings/" + id).json["sent"]["readings"][0]["value"])

    def test_who_decides_corrects_a_colleagues_and_the_author_stays(self):
        id = self.taken(self.ana, "N-ana")
        answer = self.correct(self.bea, "N-bea", id, reading={"value": 74})
        self.assertEqual(201, answer.status, answer.body)
        self.assertEqual("N-ana", self.bea.ask("GET", "/v1/readings/" + answer.json["id"]).json["sent"]["by"])
        answer = self.correct(self.bea, "N-bea", answer.json["id"], reading={"value": 75, "by": "N-bea"})
        self.assertEqual(201, answer.status, answer.body)

    def test_an_assistant_corrects_nobody_elses(self):
        id = self.taken(self.ana, "N-ana")
        for body in ({"reading": {"value": 74}}, {"entered-in-error": True}, {"reading": {"value": 74, "by": "N-cal"}}):
            self.assertEqual(403, self.correct(self.cal, "N-cal", id, **body).status)
        self.assertEqual(201, self.correct(self.cal, "N-cal", self.taken(self.cal, "N-cal"), reading={"value": 74}).status)

    def test_a_decision_is_ones_own(self):
        id = self.taken(self.ana, "N-ana")
        for deed in ("discard", "release"):
            answer = self.ana.post("/v1/readings/%s/%s" % (id, deed), {"reason": "not true", "by": "N-bea"})
            self.assertEqual((422, [("/by", "not-allowed")]), (answer.status, answer.problems()))

    def test_a_key_is_one_persons(self):
        key = {"Idempotency-Key": "the same for both"}
        first, second = (browser.post("/v1/readings", bedside_set(by=who), headers=key) for browser, who in ((self.ana, "N-ana"), (self.bea, "N-bea")))
        self.assertEqual((201, 201), (first.status, second.status), second.body)
        self.assertNotEqual(first.json["set"], second.json["set"])


class TooManyWrong(WithDaemon):
    config = OWN

    def test_wrong_pins_wait(self):
        Browser(self.daemon).first_time("ana", self.daemon.add_user("ana"), "482613")
        locked = Browser(self.daemon)
        locked.sign_in("ana", "482613")
        locked.post("/v1/session/_lock")
        for name, ask in (("ana", lambda: Browser(self.daemon).sign_in("ana", "111222")), ("nobody", lambda: Browser(self.daemon).sign_in("nobody", "111222"))):
            answers = [ask() for _ in range(7)]
            self.assertEqual(["wrong"] * 5 + ["wait"] * 2, [reason(a) for a in answers], name)
            self.assertEqual([401] * 5 + [429] * 2, [a.status for a in answers], name)
            waits = [a.headers.get("Retry-After") for a in answers]
            self.assertEqual([None] * 4, waits[:4])
            for wait in waits[4:]:
                self.assertIn(int(wait), range(25, 31))
        for path, body in (("/v1/session", {"name": "ana", "pin": "482613"}), ("/v1/session/_unlock", {"pin": "482613"})):
            answer = locked.post(path, body)
            self.assertEqual((429, "wait"), (answer.status, reason(answer)))
        self.assertEqual("locked", reason(locked.ask("GET", "/v1/session")))


class MustChange(WithDaemon):
    config = OWN + "access {\n pin_least = 6\n}\n"

    def test_nothing_else_is_open(self):
        pin = self.daemon.add_user("ana")
        browser = Browser(self.daemon)
        self.assertEqual((200, True), ((answer := browser.sign_in("ana", pin)).status, answer.json["must-change"]))
        for method, path, body in (("GET", "/v1/status", None), ("POST", "/v1/readings", bedside_set(by="N-ana")), ("GET", "/v1/users", None),
                                   ("POST", "/v1/session/_second", {"name": "ana", "pin": pin})):
            answer = browser.ask(method, path, body)
            self.assertEqual((403, "must-change"), (answer.status, reason(answer)), path)
        other = Browser(self.daemon)
        other.sign_in("ana", pin)
        for fresh in ("48261", "123456", "482482", pin, "48261x"):
            with self.subTest(fresh):
                answer = browser.post("/v1/session/_pin", {"pin": pin, "fresh": fresh})
                self.assertEqual((422, [("/fresh", "not-allowed")]), (answer.status, answer.problems()))
        answer = browser.post("/v1/session/_pin", {"pin": "999111", "fresh": "482613"})
        self.assertEqual((401, "wrong"), (answer.status, reason(answer)))
        PINS.append("482613")
        answer = browser.post("/v1/session/_pin", {"pin": pin, "fresh": "482613"})
        self.assertEqual((200, False), (answer.status, answer.json["must-change"]))
        self.assertEqual(200, browser.ask("GET", "/v1/status").status)
        self.assertEqual("none", reason(other.ask("GET", "/v1/session")))  # it was opened with the old one
        self.assertEqual("wrong", reason(Browser(self.daemon).sign_in("ana", pin)))


class Enrolment(WithDaemon):
    config = OWN
    FIRST = {"name": "boss", "practitioner": "A-1", "display": "First of All", "pin": "482613"}

    def test_once(self):
        code = re.search(r"first administrator, shown once: ([0-9A-Z-]{19})\n", self.daemon.said())[1]
        browser = Browser(self.daemon)
        answer = browser.post("/v1/session/_enrol", {**self.FIRST, "code": "0000-0000-0000-0000"})
        self.assertEqual((401, "wrong"), (answer.status, reason(answer)))
        for change, pointer in (({"pin": "1234"}, "/pin"), ({"name": "big boss"}, "/name"), ({"display": "First\u007f"}, "/display")):
            with self.subTest(change):
                answer = browser.post("/v1/session/_enrol", {**self.FIRST, "code": code, **change})
                self.assertEqual((422, [pointer]), (answer.status, [p for p, _ in answer.problems()]), answer.body)
        answer = browser.post("/v1/session/_enrol", {**self.FIRST, "code": code.lower().replace("-", "")})
        self.assertEqual((200, "administrator", ["read", "decide", "reset", "accounts"]),
                         (answer.status, answer.json["person"]["role"], answer.json["person"]["may"]), answer.body)
        self.assertEqual(200, browser.ask("GET", "/v1/users").status)
        answer = Browser(self.daemon).post("/v1/session/_enrol", {**self.FIRST, "name": "two", "code": code})
        self.assertEqual(401, answer.status)
        self.assertEqual(200, Browser(self.daemon).sign_in("boss", "482613").status)


class Accounts(WithDaemon):
    config = OWN

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.people = {}
        for name, role, pin in (("adam", "administrator", "482613"), ("lea", "lead", "719352"), ("nan", "nurse", "640825")):
            cls.people[name] = Browser(cls.daemon).first_time(name, cls.daemon.add_user(name, role), pin)

    def as_(self, name, path, body=None):
        return self.people[name].post(path, body) if body is not None else self.people[name].ask("GET", path)

    def add(self, name, role="nurse"):
        answer = self.as_("adam", "/v1/users", {"name": name, "display": "D " + name, "practitioner": "N-" + name, "role": role})
        self.assertEqual(201, answer.status, answer.body)
        PINS.append(answer.json["pin"])
        return answer.json["pin"]

    def test_who_sees_them(self):
        for name, status in (("adam", 200), ("lea", 200), ("nan", 403)):
            answer = self.as_(name, "/v1/users")
            self.assertEqual(status, answer.status)
        self.assertEqual(403, self.daemon.ask("GET", "/v1/users", token=self.daemon.enrol("all", "--may", "send,read,decide")).status)
        users = {u["name"]: u for u in self.as_("lea", "/v1/users").json["users"]}
        self.assertEqual({"name": "nan", "display": "Nurse nan", "practitioner": "N-nan", "role": "nurse", "disabled": False, "must-change": False}, users["nan"])

    def test_a_new_account(self):
        pin = self.add("zoe", "assistant")
        self.assertRegex(pin, r"^\d{6}$")
        self.assertTrue(Browser(self.daemon).sign_in("zoe", pin).json["must-change"])
        rows = [({"name": "ZOE"}, 409, None), ({"role": "boss"}, 422, "/role"), ({"name": "z z"}, 422, "/name"), ({"practitioner": ""}, 422, "/practitioner"),
                ({"name": "\u200b"}, 422, "/name"), ({"name": "le\u200da"}, 422, "/name"), ({"display": "Y\u202ey"}, 422, "/display"),
                ({"practitioner": "N-lea\u200b"}, 422, "/practitioner"), ({"display": "Y\u0085"}, 422, "/display"), ({"display": "Y\u2028"}, 422, "/display")]
        for change, status, pointer in rows:
            with self.subTest(change):
                answer = self.as_("adam", "/v1/users", {"name": "yve", "display": "Y", "practitioner": "N-y", "role": "nurse", **change})
                self.assertEqual((status, [pointer] if pointer else []), (answer.status, [p for p, _ in answer.problems()]), answer.body)
        self.assertEqual(201, self.as_("adam", "/v1/users", {"name": "zoë", "display": "می\u200cنا \u2014 Zoë", "practitioner": "N-zoë", "role": "nurse"}).status)
        answer = self.as_("lea", "/v1/users", {"name": "yve", "display": "Y", "practitioner": "N-y", "role": "nurse"})
        self.assertEqual((403, "right"), (answer.status, reason(answer)))

    def test_a_new_pin_ends_the_sessions(self):
        browser = Browser(self.daemon).first_time("uma", self.add("uma"), "264817")
        answer = self.as_("lea", "/v1/users/_reset", {"name": "uma"})
        self.assertEqual(200, answer.status, answer.body)
        PINS.append(answer.json["pin"])
        answer_of_old = browser.ask("GET", "/v1/status")
        self.assertEqual((401, "none"), (answer_of_old.status, reason(answer_of_old)))
        self.assertEqual("wrong", reason(browser.sign_in("uma", "264817")))
        self.assertTrue(browser.sign_in("uma", answer.json["pin"]).json["must-change"])

    def test_shut_and_open(self):
        browser = Browser(self.daemon).first_time("tim", self.add("tim"), "735192")
        answer = self.as_("adam", "/v1/users/_change", {"name": "tim", "disabled": True})
        self.assertEqual((200, True), (answer.status, answer.json["disabled"]))
        self.assertEqual("none", reason(browser.ask("GET", "/v1/status")))
        answer = browser.sign_in("tim", "735192")
        self.assertEqual((403, "disabled"), (answer.status, reason(answer)))
        self.assertEqual("wrong", reason(browser.sign_in("tim", "735193")))
        self.assertFalse(self.as_("adam", "/v1/users/_change", {"name": "tim", "disabled": False}).json["disabled"])
        self.assertEqual(200, browser.sign_in("tim", "735192").status)

    def test_another_role_counts_at_once(self):
        browser = Browser(self.daemon).first_time("sam", self.add("sam", "assistant"), "817264")
        self.assertEqual(403, browser.ask("GET", "/v1/users").status)
        answer = self.as_("adam", "/v1/users/_change", {"name": "sam", "role": "lead"})
        self.assertEqual((200, "lead", False), (answer.status, answer.json["role"], answer.json["disabled"]))
        self.assertEqual(200, browser.ask("GET", "/v1/users").status)

    def test_who_may_not(self):
        rows = [("lea", "_reset", {"name": "adam"}, 422), ("adam", "_reset", {"name": "adam"}, 422), ("adam", "_change", {"name": "adam", "role": "nurse"}, 422),
                ("adam", "_change", {"name": "ADAM", "disabled": True}, 422), ("lea", "_change", {"name": "nan", "role": "lead"}, 403),
                ("nan", "_reset", {"name": "lea"}, 403), ("adam", "_reset", {"name": "nobody"}, 404), ("adam", "_change", {"name": "nan", "role": "x"}, 422)]
        with open(self.daemon.users, "rb") as file:
            before = file.read()
        for who, path, body, status in rows:
            with self.subTest((who, path, body)):
                self.assertEqual(status, self.as_(who, "/v1/users/" + path, body).status)
        with open(self.daemon.users, "rb") as file:
            self.assertEqual(before, file.read())


class Time(WithDaemon):
    config = OWN + 'access {\n idle_lock = "1 s"\n session_most = "4 s"\n}\n'

    def test_idle_and_the_end(self):
        browser = Browser(self.daemon).first_time("ana", self.daemon.add_user("ana"), "482613")
        browser.sign_in("ana", "482613")
        begun = time.monotonic()
        for _ in range(4):  # what is done keeps it open
            time.sleep(0.4)
            self.assertEqual(200, browser.ask("GET", "/v1/status").status)
        for _ in range(3):  # to look whether it is does not
            time.sleep(0.4)
            answer = browser.ask("GET", "/v1/session")
        self.assertEqual((401, "locked"), (answer.status, reason(answer)))
        self.assertEqual(200, browser.post("/v1/session/_unlock", {"pin": "482613"}).status)
        time.sleep(max(0.0, begun + 4.1 - time.monotonic()))
        answer = browser.ask("GET", "/v1/session")
        self.assertEqual((401, "none"), (answer.status, reason(answer)))


class Many(WithDaemon):
    config = OWN

    def rss_kib(self):
        with open("/proc/%d/status" % self.daemon.process.pid) as status:
            return int(re.search(r"VmHWM:\s+(\d+) kB", status.read())[1])

    def test_a_hundred_at_once(self):
        Browser(self.daemon).first_time("ana", self.daemon.add_user("ana"), "482613")
        before, answers = self.rss_kib(), []

        def one(i):
            answers.append(Browser(self.daemon).sign_in("ana", "482613") if i % 2 else Browser(self.daemon).sign_in("n%d" % i, "111222"))
        threads = [threading.Thread(target=one, args=(i,)) for i in range(100)]
        for thread in threads:
            thread.start()
        health = [self.daemon.ask("GET", "/health/live", timeout=2).status for _ in range(10)]  # nobody else waits for them
        for thread in threads:
            thread.join(60)
        self.assertEqual([200] * 10, health)
        counts = {status: [a.status for a in answers].count(status) for status in (200, 401, 429, 503)}
        self.assertEqual(100, sum(counts.values()), counts)
        self.assertGreater(counts[503], 0, counts)
        self.assertGreater(counts[200], 0, counts)
        self.assertTrue(all(int(a.headers["Retry-After"]) > 0 for a in answers if a.status == 503))
        self.assertLess(self.rss_kib() - before, 16 * 1024)  # one PIN at a time: the 64 MiB were there before, once
        self.assertEqual(200, Browser(self.daemon).sign_in("ana", "482613").status)

    def test_it_stops_while_they_wait(self):
        """With no time to drain: whoever is at the desk is answered all the same."""
        daemon = Daemon(config=OWN + 'courier {\n drain = "0 s"\n}\n')
        answers = []

        def one(name):
            try:
                answers.append(Browser(daemon).sign_in(name, "111222").status)
            except OSError:
                answers.append(None)
        threads = [threading.Thread(target=one, args=("n%d" % i,)) for i in range(12)]
        for thread in threads:
            thread.start()
        wait_until(lambda: len(answers) >= 2, 10, "the first answers")
        self.assertLess(len(answers), 12)  # else nobody was waiting
        self.assertEqual(0, daemon.stop())
        for thread in threads:
            thread.join(20)
        self.assertEqual([401] * 12, answers)


class Demo(WithDaemon):
    def test_an_invented_person(self):
        self.assertEqual(201, self.daemon.post(reading()).status)  # without a cookie as before
        self.assertEqual("none", reason(self.daemon.ask("GET", "/v1/session")))
        name, pin = wait_until(lambda: re.search(r"to sign in, shown once: name (\w+), PIN (\d+)\n", self.daemon.said()), 5, "the person").groups()
        browser = Browser(self.daemon)
        answer = browser.sign_in(name, pin)
        self.assertEqual((200, "nurse", False), (answer.status, answer.json["person"]["role"], answer.json["must-change"]))
        self.assertEqual(422, browser.post("/v1/readings", bedside_set()).status)  # with one it is the person
        self.assertEqual(201, browser.post("/v1/readings", bedside_set(by=answer.json["person"]["practitioner"])).status)
        browser.post("/v1/session/_end")
        browser.cookie = "wardpost=" + "A" * 43
        self.assertEqual(401, browser.post("/v1/readings", reading()).status)  # not quietly somebody else


class Log(WithDaemon):
    config = OWN + 'log {\n level = "debug"\n}\n'

    def test_nobody_stands_in_it(self):
        pin = self.daemon.add_user("quillnurse", "administrator", "N-4711-QZ", "Quillfeather")
        browser = Browser(self.daemon).first_time("quillnurse", pin, "482613")
        made = browser.post("/v1/users", {"name": "zebranurse", "display": "Zebra Display", "practitioner": "N-9-ZEBRA", "role": "nurse"}).json["pin"]
        browser.post("/v1/users/_change", {"name": "zebranurse", "disabled": True})
        reset = browser.post("/v1/users/_reset", {"name": "zebranurse"}).json["pin"]
        browser.post("/v1/session/_unlock", {"pin": "999111"})
        browser.sign_in("zebranurse", "999222")
        browser.post("/v1/session", '{"name": "zebranurse", "pin": "999333"')
        browser.post("/v1/session/_end")
        said = self.daemon.said() + self.daemon.ask("GET", "/metrics").body.decode()
        self.assertIn("an account was changed", said)
        for secret in (pin, made, reset, "482613", "999111", "999222", "999333", "quillnurse", "N-4711", "Quillfeather", "zebranurse", "Zebra", "N-9",
                       browser.csrf, browser.cookie or browser.csrf):
            self.assertNotIn(secret, said)
