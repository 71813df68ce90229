"""Server-sent events and who is at which patient: told at once, resumed after a break, bounded, ended."""
import json
import os
import signal
import socket
import ssl
import threading
import time
import unittest
import uuid

from support import Browser, Daemon, WithDaemon, patient, reading, wait_until
from test_tls import TlsDaemon, folder_for, make_pair, trusting


class Listener:
    """One stream; `events` are dictionaries with name, data (parsed) and id."""

    def __init__(self, port, token=None, last_id=None, tls=None, version=b"1.1", cookie=None):
        self.wire = socket.create_connection(("127.0.0.1", port), timeout=10)
        if tls:
            self.wire = tls.wrap_socket(self.wire, server_hostname="localhost")
        head = b"GET /v1/events HTTP/" + version + b"\r\nHost: localhost\r\nAccept: text/event-stream\r\n"
        if token:
            head += b"Authorization: Bearer " + token.encode() + b"\r\n"
        if cookie:
            head += b"Cookie: " + cookie.encode() + b"\r\n"
        if last_id:
            head += b"Last-Event-ID: " + last_id.encode() + b"\r\n"
        self.wire.sendall(head + b"\r\n")
        self.raw, self.body, self.events, self.comments, self.ended = b"", b"", [], 0, False
        self.last_id = None
        wait_until(lambda: self.take() or b"\r\n\r\n" in self.raw or self.ended, 10, "headers")
        if self.raw == b"":
            raise ConnectionResetError("it ended before it began")
        self.head, _, self.raw = self.raw.partition(b"\r\n\r\n")
        self.status = int(self.head.split()[1])

    def take(self):
        if self.ended:
            return
        self.wire.settimeout(0.02)
        try:
            got = self.wire.recv(65536)
            self.ended = got == b""
            self.raw += got
        except (TimeoutError, ssl.SSLWantReadError):
            pass
        except (ConnectionResetError, ssl.SSLError):
            self.ended = True

    def unchunk(self):
        if b"chunked" not in self.head:
            self.body, self.raw = self.body + self.raw, b""
        while b"\r\n" in self.raw:
            size, _, rest = self.raw.partition(b"\r\n")
            length = int(size, 16)
            if len(rest) < length + 2:
                return
            self.body, self.raw = self.body + rest[:length], rest[length + 2:]
            self.ended = self.ended or length == 0

    def read(self):
        self.take()
        self.unchunk()
        while b"\n\n" in self.body:
            frame, _, self.body = self.body.partition(b"\n\n")
            self.frame(frame.decode())
        return self.events

    def frame(self, text):
        fields = {}
        for line in text.split("\n"):
            name, _, value = line.partition(":")
            if name == "":
                self.comments += 1
            else:
                fields[name] = value.strip()
        self.last_id = fields.get("id", self.last_id)
        if "data" in fields:
            self.events.append({"name": fields.get("event"), "data": json.loads(fields["data"]), "id": fields.get("id")})

    def wait(self, true, seconds=5):
        """The first event of which that is so."""
        found = wait_until(lambda: [e for e in self.read() if true(e)], seconds, lambda: "events; there are %s" % self.events)
        return found[0]

    def named(self, name):
        return [e["data"] for e in self.read() if e["name"] == name]

    def begun(self):
        wait_until(lambda: self.read() is not None and self.last_id, 5, "its beginning")
        return self

    def close(self):
        self.wire.close()


class Events(WithDaemon):
    def listen(self, **more):
        listener = Listener(self.daemon.port, **more)
        self.addCleanup(listener.close)
        self.assertEqual(200, listener.status)
        return listener.begun()

    def test_a_reading_is_told_and_its_set(self):
        listener = self.listen()
        self.assertIn(b"text/event-stream", listener.head)
        self.assertIn(b"no-store", listener.head)
        taken = self.taken(reading())
        event = listener.wait(lambda e: e["name"] == "set")
        self.assertEqual({"set": taken["set"]}, event["data"])
        self.assertEqual([(taken["readings"][0]["id"], taken["set"], "waiting")], [(r["id"], r["set"], r["state"]) for r in listener.named("reading")])
        self.assertIsInstance(listener.named("reading")[0]["seq"], int)

    def test_a_set_is_told_once_with_all_its_readings(self):
        listener = self.listen()
        taken = self.taken({"patient": patient(), "age": 5, "readings": [
            {"kind": "heart-rate", "value": 72, "unit": "/min"}, {"kind": "respiratory-rate", "value": 14, "unit": "/min"},
            {"kind": "body-temperature", "value": 36.8, "unit": "Cel"}]})
        listener.wait(lambda e: e["name"] == "set")
        self.assertEqual([r["id"] for r in taken["readings"]], [r["id"] for r in listener.named("reading")])
        self.assertEqual([{"set": taken["set"]}], listener.named("set"))

    def test_discarding_is_told(self):
        listener = self.listen()
        taken = self.taken(reading())
        name = taken["readings"][0]["id"]
        listener.wait(lambda e: e["name"] == "set")
        self.assertEqual(200, self.daemon.post({"reason": "slip", "by": "N-1"}, "/v1/readings/%s/discard" % name).status)
        listener.wait(lambda e: e["name"] == "reading" and e["data"]["id"] == name and e["data"]["state"] == "discarded")
        self.assertEqual([{"set": taken["set"]}], listener.named("set"))  # of its acceptance

    def test_the_server_is_told_at_the_start_and_when_it_changes(self):
        listener = self.listen()
        first = listener.wait(lambda e: e["name"] == "server")["data"]
        self.assertEqual("none", first["state"])
        self.taken(reading())
        listener.wait(lambda e: e["name"] == "server" and e["data"]["waiting"] == first["waiting"] + 1)

    def test_whoever_comes_back_misses_nothing(self):
        listener = self.listen()
        first = self.taken(reading())
        seen = listener.wait(lambda e: e["name"] == "set")["id"]
        listener.close()
        missed = [self.taken(reading())["set"] for _ in range(3)]
        again = self.listen(last_id=seen)
        again.wait(lambda e: e["name"] == "set" and e["data"]["set"] == missed[-1])
        self.assertEqual(missed, [s["set"] for s in again.named("set")])
        self.assertNotIn(first["set"], missed)
        self.assertEqual([], again.named("reload"))
        # and from the beginning of a stream on which nothing had come
        quiet = self.listen()
        start = quiet.last_id
        quiet.close()
        last = self.taken(reading())["set"]
        self.listen(last_id=start).wait(lambda e: e["name"] == "set" and e["data"]["set"] == last)

    def test_whoever_cannot_be_brought_up_to_date_loads_anew(self):
        known = self.listen().last_id
        epoch = known.split("-")[0]
        for strange in ("7", "nonsense", "0123456789abcdef-1", epoch, epoch + "-", epoch + "-99999999", epoch + "-18446744073709551615",
                        epoch + "-99999999999999999999999999", epoch + "--1", epoch + "-1x", "x" * 3000):
            with self.subTest(strange[:40]):
                listener = self.listen(last_id=strange)
                self.assertEqual({}, listener.wait(lambda e: e["name"] == "reload")["data"])
                taken = self.taken(reading())
                listener.wait(lambda e: e["name"] == "set" and e["data"]["set"] == taken["set"])
                listener.close()

    def test_many_more_than_the_ring_holds(self):
        listener = self.listen()
        start = listener.last_id
        listener.close()
        lines = "".join(json.dumps(reading(age=10)) + "\n" for _ in range(1500))
        answer = self.daemon.ask("POST", "/v1/readings", lines, headers={"Content-Type": "application/x-ndjson"})
        self.assertEqual(200, answer.status, answer.body[:200])
        again = self.listen(last_id=start)
        again.wait(lambda e: e["name"] == "reload")
        taken = self.taken(reading())
        again.wait(lambda e: e["name"] == "set" and e["data"]["set"] == taken["set"])

    def test_a_burst_while_somebody_listens(self):
        listener = self.listen()
        lines = "".join(json.dumps(reading(age=10)) + "\n" for _ in range(450))  # two events each: fewer than the ring holds
        answer = self.daemon.ask("POST", "/v1/readings", lines, headers={"Content-Type": "application/x-ndjson"})
        names = [json.loads(line)["answer"]["readings"][0]["id"] for line in answer.body.decode().splitlines()]
        wait_until(lambda: len(listener.named("reading")) >= 450 or listener.named("reload"), 20, lambda: len(listener.events))
        self.assertEqual([], listener.named("reload"))
        self.assertEqual(sorted(names), sorted(r["id"] for r in listener.named("reading")))
        numbers = [int(e["id"].split("-")[1]) for e in listener.events if e["id"]]
        self.assertEqual(numbers, list(range(numbers[0], numbers[0] + len(numbers))))

    def test_http_1_0_and_head(self):
        listener = self.listen(version=b"1.0")
        taken = self.taken(reading())
        listener.wait(lambda e: e["name"] == "set" and e["data"]["set"] == taken["set"])
        head = self.daemon.ask("HEAD", "/v1/events")
        self.assertEqual((200, b""), (head.status, head.body))


class Limits(unittest.TestCase):
    def test_comments_keep_it_open_beyond_every_deadline(self):
        daemon = Daemon(config='intake {\n headers_deadline = "1 s"\n body_deadline = "1 s"\n idle = "2 s"\n}\n')
        token = daemon.enrol("ward", "--may", "send,read")
        listener = Listener(daemon.port, token=token).begun()
        until = time.monotonic() + 17
        while time.monotonic() < until and not listener.ended:
            listener.read()
        self.assertFalse(listener.ended)
        self.assertEqual(1, listener.comments)
        taken = daemon.post(reading(), token=token).json
        listener.wait(lambda e: e["name"] == "set" and e["data"]["set"] == taken["set"])
        # whose token is taken away hears nothing more
        with open(daemon.clients, "w") as file:
            file.write('{"clients": []}')
        wait_until(lambda: listener.read() is not None and listener.ended, 20, "its end")
        self.assertEqual(0, daemon.stop())

    def test_rights(self):
        daemon = Daemon(config="")
        sends, reads = daemon.enrol("sends", "--may", "send"), daemon.enrol("reads", "--may", "read")
        for token, status in ((None, 401), ("wp_wrong", 401), (sends, 403), (reads, 200)):
            listener = Listener(daemon.port, token=token)
            self.assertEqual(status, listener.status)
            listener.close()
        body = {"patient": patient(), "set": str(uuid.uuid4())}
        for token, status in ((None, 401), (reads, 403), (sends, 200)):
            self.assertEqual(status, daemon.post(body, "/v1/presence", token=token).status)
        daemon.stop()

    def test_not_more_than_so_many(self):
        daemon = Daemon(config='intake {\n streams_most = "3"\n}\n')
        token = daemon.enrol("ward", "--may", "send,read")
        listeners = [Listener(daemon.port, token=token).begun() for _ in range(3)]
        more = Listener(daemon.port, token=token)
        self.assertEqual(503, more.status)
        self.assertIn(b"Retry-After", more.head)
        self.assertEqual(201, daemon.post(reading(), token=token).status)
        listeners[0].close()

        def room():  # a vanished one is noticed when something is sent to it
            daemon.post(reading(), token=token)
            one = Listener(daemon.port, token=token)
            got = one.status == 200
            if not got:
                one.close()
            return got and one
        last = wait_until(room, 10, "room for another")
        for one in listeners[1:] + [last, more]:
            one.close()
        self.assertEqual(0, daemon.stop())

    def test_half_of_the_connections_at_most(self):
        daemon = Daemon(config='intake {\n connections_most = "8"\n}\n')
        token = daemon.enrol("ward", "--may", "send,read")
        listeners = [Listener(daemon.port, token=token) for _ in range(5)]
        self.assertEqual([200] * 4 + [503], [one.status for one in listeners])
        self.assertEqual(201, daemon.post(reading(), token=token).status)
        for one in listeners:
            one.close()
        daemon.stop()

    def test_one_that_does_not_read_is_cut(self):
        daemon = Daemon(config='intake {\n body_deadline = "1 s"\n}\n')
        token = daemon.enrol("ward", "--may", "send,read")
        with socket.socket() as wire:
            wire.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            wire.connect(("127.0.0.1", daemon.port))
            wire.sendall(b"GET /v1/events HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer " + token.encode() + b"\r\n\r\n")
            lines = "".join(json.dumps(reading(age=10)) + "\n" for _ in range(100))

            def cut():
                text = daemon.ask("GET", "/metrics").body.decode()
                return int([line.split()[1] for line in text.splitlines() if line.startswith("wardpost_connections_cut_total ")][0])
            before, until = cut(), time.monotonic() + 25
            while cut() == before and time.monotonic() < until:
                daemon.ask("POST", "/v1/readings", lines, headers={"Content-Type": "application/x-ndjson"}, token=token)
            self.assertGreater(cut(), before)
        self.assertEqual(0, daemon.stop())

    def test_the_end_of_the_daemon_is_theirs(self):
        daemon = Daemon()
        listeners = [Listener(daemon.port).begun() for _ in range(5)]
        begun = time.monotonic()
        daemon.process.send_signal(signal.SIGTERM)
        for one in listeners:
            wait_until(lambda: one.read() is not None and one.ended, 5, "its end")
        self.assertEqual(0, daemon.process.wait(15))
        self.assertLess(time.monotonic() - begun, 6)

    def test_streams_come_and_go_while_readings_are_taken_and_at_the_end(self):
        for ending in (0.6, 0.9, 1.2):
            daemon, until, opened, wrong = Daemon(), time.monotonic() + ending, [], []

            def come_and_go(number):
                while time.monotonic() < until + 0.3:
                    try:
                        one = Listener(daemon.port)
                        opened.append(one.status)
                        for _ in range(number % 4):
                            one.read()
                        one.close()
                    except (OSError, AssertionError) as fault:
                        if time.monotonic() < until:
                            wrong.append(fault)

            def take():
                while time.monotonic() < until + 0.3:
                    try:
                        daemon.post(reading())
                    except OSError as fault:
                        if time.monotonic() < until:
                            wrong.append(fault)
            threads = [threading.Thread(target=come_and_go, args=(n,)) for n in range(6)] + [threading.Thread(target=take)]
            for one in threads:
                one.start()
            time.sleep(max(0, until - time.monotonic()))
            self.assertEqual(0, daemon.stop())
            for one in threads:
                one.join()
            self.assertEqual([], wrong)
            self.assertGreater(opened.count(200), 10)

    def test_under_tls(self):
        daemon = TlsDaemon(*make_pair(folder_for("events")))
        token = daemon.enrol("ward", "--may", "send,read")
        listener = Listener(daemon.port, token=token, tls=trusting(daemon.certificate)).begun()
        for _ in range(5):
            taken = daemon.ask("POST", "/v1/readings", reading(), token=token).json
            listener.wait(lambda e: e["name"] == "set" and e["data"]["set"] == taken["set"])
        daemon.process.send_signal(signal.SIGTERM)
        wait_until(lambda: listener.read() is not None and listener.ended, 5, "its end")
        self.assertEqual(0, daemon.process.wait(15))


class Presence(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.daemon = Daemon(config="")
        cls.ana, cls.ben = (cls.daemon.enrol(name, "--may", "send,read", "--attended", "--practitioner", "*") for name in ("ana", "ben"))

    @classmethod
    def tearDownClass(cls):
        cls.daemon.stop()

    def say(self, token, who, body=None, **more):
        answer = self.daemon.post({"patient": patient(who), "set": str(uuid.uuid4()), **(body or {}), **more}, "/v1/presence", token=token)
        self.assertEqual(200, answer.status, answer.body)
        return answer.json

    def test_two_people_on_one_patient_are_both_told(self):
        listener = Listener(self.daemon.port, token=self.ana).begun()
        anas, bens = str(uuid.uuid4()), str(uuid.uuid4())
        first = self.say(self.ana, "P-1", set=anas)
        self.assertEqual([], first["others"])
        second = self.say(self.ben, "P-1", set=bens)
        self.assertEqual(["ana"], [one["display"] for one in second["others"]])  # Ben is told at once
        self.assertEqual(first["patient-key"], second["patient-key"])
        told = listener.wait(lambda e: e["name"] == "presence" and len(e["data"]["people"]) == 2)["data"]  # and Ana by her stream
        self.assertEqual(first["patient-key"], told["patient-key"])
        self.assertEqual(["ana", "ben"], sorted(one["display"] for one in told["people"]))
        self.assertEqual(second["others"][0]["since"], told["people"][0]["since"])
        self.assertEqual(["ben"], [one["display"] for one in self.say(self.ana, "P-1", set=anas)["others"]])  # or when she next says that she is there
        self.say(self.ben, "P-1", set=bens, end=True)
        listener.wait(lambda e: e["name"] == "presence" and [p["display"] for p in e["data"]["people"]] == ["ana"]
                      and listener.events.index(e) > 1)
        self.assertEqual([], self.say(self.ana, "P-1", set=anas)["others"])
        listener.close()

    def test_and_of_the_set_that_the_other_took(self):
        self.say(self.ana, "P-2")
        taken = self.daemon.post(reading(patient=patient("P-2"), by="N-2"), token=self.ben)
        self.assertEqual(201, taken.status, taken.body)
        last = self.say(self.ana, "P-2")["last-set"]
        self.assertEqual((taken.json["set"], "N-2"), (last["set"], last["by"]))
        self.assertRegex(last["taken"], r"^\d{4}-\d\d-\d\dT")

    def test_two_tabs_of_one_person(self):
        self.say(self.ana, "P-3")
        self.assertEqual(["ana"], [one["display"] for one in self.say(self.ana, "P-3")["others"]])

    def test_other_patients_are_others(self):
        self.say(self.ana, "P-4")
        answer = self.say(self.ben, "P-5")
        self.assertEqual(([], None), (answer["others"], answer["last-set"]))

    def test_the_key_tells_nothing(self):
        keys = {self.say(self.ana, who)["patient-key"] for who in ("P-6", "P-7", "P-6")}
        self.assertEqual(2, len(keys))
        for key in keys:
            self.assertRegex(key, "^[0-9a-f]{32}$")
        other = Daemon()
        self.assertNotIn(other.post({"patient": patient("P-6"), "set": str(uuid.uuid4())}, "/v1/presence").json["patient-key"], keys)
        other.stop()

    def test_who_moves_on_is_not_there_any_more(self):
        mine = str(uuid.uuid4())
        self.say(self.ana, "P-8", set=mine)
        self.say(self.ana, "P-9", set=mine)
        self.assertEqual([], self.say(self.ben, "P-8")["others"])
        self.assertEqual(["ana"], [one["display"] for one in self.say(self.ben, "P-9")["others"]])

    def test_bad_input(self):
        good = {"patient": patient("P-10"), "set": str(uuid.uuid4())}
        rows = [({"set": good["set"]}, 422, ("/patient", "missing-field")), ({"patient": patient("P-10")}, 422, ("/set", "missing-field")),
                ({**good, "set": "seven"}, 422, ("/set", "malformed")), ({**good, "set": 7}, 422, ("/set", "wrong-type")),
                ({**good, "end": "yes"}, 422, ("/end", "wrong-type")), ({**good, "bed": "7"}, 422, ("/bed", "unknown-field")),
                ({**good, "patient": {}}, 422, ("/patient/identifier", "missing-field")), ([], 422, ("", "wrong-type")), ("{", 400, ("", "malformed")),
                ({**good, "patient": {"identifier": {"system": "https://clinic.example/mrn", "value": "v" * 101}}}, 422, ("/patient/identifier/value", "too-long"))]
        for body, status, problem in rows:
            with self.subTest(str(body)[:60]):
                answer = self.daemon.post(body, "/v1/presence", token=self.ana)
                self.assertEqual(status, answer.status, answer.body)
                self.assertIn(problem, answer.problems())

    def test_nothing_of_it_is_on_disk(self):
        self.say(self.ana, "P-11-unwritten")
        for name in os.listdir(self.daemon.folder):
            with open(os.path.join(self.daemon.folder, name), "rb") as file:
                self.assertNotIn(b"P-11-unwritten", file.read())


class People(unittest.TestCase):
    """Those who are signed in: heard under their own names, and told nothing once they are locked or may not."""

    @classmethod
    def setUpClass(cls):
        cls.daemon = Daemon(config="")
        people = (("ana", "nurse", "482613"), ("bea", "lead", "730518"), ("adm", "administrator", "915264"))
        cls.ana, cls.bea, cls.adm = (Browser(cls.daemon).first_time(name, cls.daemon.add_user(name, role), pin) for name, role, pin in people)

    @classmethod
    def tearDownClass(cls):
        cls.daemon.stop()

    def say(self, browser, who, set):
        answer = browser.post("/v1/presence", {"patient": patient(who), "set": set})
        self.assertEqual(200, answer.status, answer.body)
        return answer.json

    def listen(self, browser):
        listener = Listener(self.daemon.port, cookie=browser.cookie)
        self.assertEqual(200, listener.status)
        return listener.begun()

    def told_nothing_more(self, listener, who):
        key = self.say(self.bea, who, str(uuid.uuid4()))["patient-key"]
        wait_until(lambda: listener.read() is not None and listener.ended, 20, "the stream to end")
        self.assertNotIn(key, str(listener.events))

    def test_a_person_is_shown_as_they_are_called(self):
        listener = self.listen(self.bea)
        self.say(self.ana, "Q-1", str(uuid.uuid4()))
        self.assertEqual(["Nurse ana"], [one["display"] for one in self.say(self.bea, "Q-1", str(uuid.uuid4()))["others"]])
        listener.wait(lambda e: e["name"] == "presence" and "Nurse ana" in [p["display"] for p in e["data"]["people"]])
        listener.close()

    def test_a_locked_one_is_told_nothing(self):
        listener = self.listen(self.ana)
        self.assertEqual(204, self.ana.post("/v1/session/_lock").status)
        self.told_nothing_more(listener, "Q-2")
        self.assertEqual(401, Listener(self.daemon.port, cookie=self.ana.cookie).status)
        self.assertEqual(401, self.ana.post("/v1/presence", {"patient": patient("Q-2"), "set": str(uuid.uuid4())}).status)
        self.assertEqual(200, self.ana.post("/v1/session/_unlock", {"pin": "482613"}).status)

    def test_one_whose_pin_was_reset_is_told_nothing(self):
        Browser(self.daemon).first_time("dee", self.daemon.add_user("dee"), "264913")
        dee = Browser(self.daemon)
        self.assertEqual(200, dee.sign_in("dee", "264913").status)
        listener = self.listen(dee)
        self.assertEqual(200, self.adm.post("/v1/users/_reset", {"name": "dee"}).status)
        self.told_nothing_more(listener, "Q-3")

    def test_one_person_does_not_push_the_others_out(self):
        mine = str(uuid.uuid4())
        self.say(self.ana, "Q-4", mine)
        for number in range(300):
            self.say(self.bea, "Q-5", str(uuid.uuid4()))
        self.assertEqual(["Nurse ana"], [one["display"] for one in self.say(self.bea, "Q-4", str(uuid.uuid4()))["others"]])
        self.assertLessEqual(len(self.say(self.ana, "Q-5", str(uuid.uuid4()))["others"]), 16)
