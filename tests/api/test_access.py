"""Tokens, rights, Host and Origin, addresses and methods; devices that nobody stands beside."""
import http.client

from support import WithDaemon, patient, reading, tool, wait_until

OWN = 'intake {\n hosts = "ward.example"\n}\n'


class Access(WithDaemon):
    config = OWN

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.everything = cls.daemon.enrol("station", "--may", "send,read,decide", "--attended", "--practitioner", "*")
        cls.sender = cls.daemon.enrol("cuff", "--attended", "--practitioner", "N-1")
        cls.reader = cls.daemon.enrol("board", "--may", "read")

    def test_no_token_and_a_wrong_one(self):
        for method, path in [("POST", "/v1/readings"), ("POST", "/v1/preview"), ("GET", "/v1/status"),
                             ("GET", "/fhir/Observation"), ("GET", "/v1/refusals")]:
            for header in (None, "Bearer wrong", "Bearer ", "Basic " + self.everything, "Bearer " + self.everything[:-1],
                           self.everything):
                with self.subTest((method, path, header and header[:9])):
                    answer = self.daemon.ask(method, path, reading() if method == "POST" else None,
                                             headers={"Authorization": header} if header else {})
                    self.assertEqual(401, answer.status)
                    self.assertIn("Bearer", answer.headers["WWW-Authenticate"])

    def test_rights(self):
        rows = [(self.everything, 201, 200), (self.sender, 201, 403), (self.reader, 403, 200)]
        for token, send, read in rows:
            self.assertEqual(send, self.daemon.post(reading(), token=token).status)
            self.assertEqual(read, self.daemon.ask("GET", "/v1/status", token=token).status)
        for token in (self.sender, self.reader):
            answer = self.daemon.post({"reason": "x", "by": "N-1"}, "/v1/readings/5d2a4c0e-0c39-4f0e-9f70-64a1f0a8d001/discard",
                                      token=token)
            self.assertEqual(403, answer.status)

    def test_open_without_a_token(self):
        for path in ("/health/live", "/health/ready", "/metrics", "/openapi.json", "/v1/kinds", "/fhir/metadata"):
            self.assertEqual(200, self.daemon.ask("GET", path).status, path)

    def test_practitioners(self):
        before = self.daemon.counts(self.everything)
        answer = self.daemon.post(reading(by="N-4711-QZ"), token=self.sender)
        self.assertEqual([("/by", "not-allowed")], answer.problems(), answer.body)
        self.assertIn(answer.status, (403, 422))
        self.assertEqual(before, self.daemon.counts(self.everything))
        self.assertEqual(201, self.daemon.post(reading(by="N-1"), token=self.sender).status)

    def test_keys_and_tokens_are_the_clients_own(self):
        key = {"Idempotency-Key": '"one-key"'}
        self.assertEqual(201, self.daemon.post(reading(), token=self.sender, headers=key).status)
        self.assertEqual(201, self.daemon.post(reading(value=80), token=self.everything, headers=key).status)

    def test_a_token_taken_away(self):
        token = self.daemon.enrol("lost", "--may", "read")
        wait_until(lambda: self.daemon.ask("GET", "/v1/status", token=token).status == 200, 5, "the new token")
        self.assertEqual(0, tool("device", "remove", "lost", "--clients", self.daemon.clients).returncode)
        wait_until(lambda: self.daemon.ask("GET", "/v1/status", token=token).status == 401, 5, "the token to be gone")

    def test_the_file_has_no_token(self):
        with open(self.daemon.clients) as clients:
            text = clients.read()
        self.assertIn("station", text)
        self.assertNotIn(self.everything, text)

    def test_host_and_origin(self):
        ours = "127.0.0.1:%d" % self.daemon.port
        rows = [("Host", "evil.example", 421), ("Host", "127.0.0.1.evil.example", 421), ("Host", "", 421),
                ("Host", "127.0.0.1@evil.example", 421), ("Host", "ward.example", 200),
                ("Host", "localhost:%d" % self.daemon.port, 200), ("Host", ours, 200), ("Origin", "http://" + ours, 200),
                ("Origin", "http://evil.example", 421), ("Origin", "null", 421)]
        for name, value, status in rows:
            with self.subTest((name, value)):
                self.assertEqual(status, self.daemon.ask("GET", "/v1/kinds", headers={name: value}).status)


class Addresses(WithDaemon):
    def test_not_there(self):
        for path in ("/nope", "/v1", "/v1/readings/12", "/v1/readings/", "/fhir/Encounter", "/v1//kinds", "/../etc/passwd",
                     "/v1/readings/5d2a4c0e-0c39-4f0e-9f70-64a1f0a8d0ff", "/fhir/Observation/5d2a4c0e-0c39-4f0e-9f70-64a1f0a8d0ff"):
            self.assertEqual(404, self.daemon.ask("GET", path).status, path)

    def test_not_that_way(self):
        rows = [("DELETE", "/v1/kinds", {"GET", "HEAD"}), ("GET", "/v1/readings", {"POST"}), ("PUT", "/v1/readings", {"POST"}),
                ("POST", "/health/live", {"GET", "HEAD"}), ("GET", "/v1/preview", {"POST"}), ("POST", "/fhir/Observation", {"GET", "HEAD"})]
        for method, path, allowed in rows:
            with self.subTest((method, path)):
                answer = self.daemon.ask(method, path, b"" if method in ("POST", "PUT") else None)
                self.assertEqual(405, answer.status)
                self.assertEqual(allowed, {word.strip() for word in answer.headers["Allow"].split(",")})

    def test_head(self):
        for path in ("/v1/kinds", "/health/live", "/openapi.json", "/fhir/metadata"):
            whole, head = self.daemon.ask("GET", path), self.daemon.ask("HEAD", path)
            self.assertEqual((200, b"", str(len(whole.body))), (head.status, head.body, head.headers["Content-Length"]), path)

    def test_headers_too_long(self):
        connection = http.client.HTTPConnection("127.0.0.1", self.daemon.port, timeout=5)
        connection.request("GET", "/v1/kinds", headers={"X-Long": "y" * 60000})
        try:
            self.assertIn(connection.getresponse().status, (400, 431))
        except (ConnectionResetError, http.client.RemoteDisconnected):
            pass  # it closed before it had read them all
        connection.close()
        self.assertEqual(200, self.daemon.ask("GET", "/health/live").status)


class Unattended(WithDaemon):
    config = ""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.device = cls.daemon.enrol("wall-cuff", "--may", "send")
        cls.person = cls.daemon.enrol("desk", "--may", "send,read,decide", "--attended", "--practitioner", "*")

    def ask_it(self, value=170, who="XQ-77120-Z-held"):
        answer = self.daemon.post(reading(value=value, patient=patient(who)), token=self.device)
        self.assertEqual(201, answer.status, answer.body)
        return answer.json["readings"][0]

    def see(self, path, **more):
        return self.daemon.ask("GET", path, token=self.person, **more)

    def decide(self, identity, word):
        return self.daemon.post({"reason": "looked at the patient", "by": "N-4711-QZ"}, "/v1/readings/%s/%s" % (identity, word),
                                token=self.person)

    def test_asked_is_held_then_released(self):
        held = self.ask_it()
        self.assertEqual("held", held["state"])
        shown = self.see("/v1/readings/" + held["id"]).json
        self.assertEqual(("held", "confirm"), (shown["state"], shown["reason"]))
        self.assertEqual(404, self.see("/fhir/Observation/" + held["id"]).status)
        answer = self.decide(held["id"], "release")
        self.assertEqual((200, "waiting"), (answer.status, answer.json["state"]), answer.body)
        seen = self.see("/fhir/Observation/" + held["id"]).json
        self.assertEqual((170, "H"), (seen["valueQuantity"]["value"], seen["interpretation"][0]["coding"][0]["code"]))
        self.assertEqual(409, self.decide(held["id"], "release").status)

    def test_what_is_held_answers_for_nothing(self):
        who = "XQ-77120-Z-unanswered"
        held = [self.ask_it(value, who) for value in (170, 171)]
        self.assertEqual(["held", "held"], [one["state"] for one in held])
        body = reading(value=172, patient=patient(who), by="N-4711-QZ")
        asked = self.daemon.post(body, token=self.person)
        self.assertEqual((422, [("/value", "confirm")]), (asked.status, asked.problems()), asked.body)
        self.assertEqual(200, self.decide(held[0]["id"], "release").status)
        self.assertEqual("waiting", self.ask_it(173, who)["state"])  # answered once, for the day

    def test_asked_is_held_then_discarded(self):
        held = self.ask_it(who="XQ-77120-Z-gone")
        answer = self.decide(held["id"], "discard")
        self.assertEqual((200, "discarded"), (answer.status, answer.json["state"]), answer.body)
        self.assertEqual("discarded", self.see("/v1/readings/" + held["id"]).json["state"])
        self.assertEqual(404, self.see("/fhir/Observation/" + held["id"]).status)
        self.assertEqual(409, self.decide(held["id"], "release").status)

    def test_refused_is_kept_as_sent(self):
        before = self.daemon.counts(self.person)
        body = reading(kind="body-temperature", value=98.6, unit="Cel")
        answer = self.daemon.post(body, token=self.device)
        self.assertEqual((422, "implausible"), (answer.status, answer.problems()[0][1]), answer.body)
        self.assertEqual({**before, "refusals": before["refusals"] + 1}, self.daemon.counts(self.person))
        kept = self.see("/v1/refusals").json["refusals"]
        mine = [r for r in kept if "98.6" in str(r)]
        self.assertEqual(1, len(mine), kept)
        answer = self.daemon.post({"number": mine[0]["number"], "reason": "asked the nurse", "by": "N-4711-QZ"},
                                  "/v1/refusals/_done", token=self.person)
        self.assertEqual(200, answer.status, answer.body)
        self.assertEqual(before, self.daemon.counts(self.person))

    def test_a_decision_says_who_and_why(self):
        held = self.ask_it(who="XQ-77120-Z-why")
        for body, pointers in [({}, ["/by", "/reason"]), ({"by": "N-4711-QZ"}, ["/reason"]), ({"by": 1, "reason": ""}, ["/by", "/reason"]),
                               ({"by": "N-4711-QZ", "reason": "x", "why": 1}, ["/why"])]:
            answer = self.daemon.post(body, "/v1/readings/%s/release" % held["id"], token=self.person)
            self.assertEqual((422, pointers), (answer.status, sorted(p for p, _ in answer.problems())), answer.body)
        self.assertEqual("held", self.see("/v1/readings/" + held["id"]).json["state"])

    def test_a_device_may_leave_the_patient_out(self):
        answer = self.daemon.post(reading(patient=None), token=self.device)
        self.assertEqual(201, answer.status, answer.body)
