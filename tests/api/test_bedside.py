"""How a set was taken at the bed: kept as sent, no part of what makes it the same set; taken offline means that nobody
is there to answer."""
import json
import uuid

from support import WithDaemon, patient

IDENTITY = {"checked": ["identifier", "birth-date"], "how": ["band-scanned", "spoken"], "at": "2026-01-05T10:00:00Z"}
BEDSIDE = {"identity": IDENTITY, "hygiene": {"hands": True, "equipment": False}, "offline": False}


def bedside_set(who, value=72, bedside=None, **more):
    made = {"patient": patient("XQ-77120-Z-" + who), "age": 30,
            "readings": [{"id": str(uuid.uuid4()), "kind": "heart-rate", "value": value, "unit": "/min"}], **more}
    if bedside is not None:
        made["bedside"] = bedside
    return made


class Bedside(WithDaemon):
    config = ""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.person = cls.daemon.enrol("tablet", "--may", "send,read,decide", "--attended", "--practitioner", "*")

    def send(self, body, path="/v1/readings", **more):
        return self.daemon.post(body, path, token=self.person, **more)

    def see(self, path):
        return self.daemon.ask("GET", path, token=self.person)

    def counts(self):
        return self.daemon.counts(token=self.person)

    def taken(self, body):
        answer = self.send(body)
        self.assertEqual(201, answer.status, answer.body)
        return answer.json["readings"][0]

    def test_kept_with_each_reading_and_not_charted(self):
        body = bedside_set("kept", bedside=BEDSIDE)
        body["readings"].append({"id": str(uuid.uuid4()), "kind": "respiratory-rate", "value": 16, "unit": "/min"})
        self.taken(body)
        for one in body["readings"]:
            shown = self.see("/v1/readings/" + one["id"])
            self.assertEqual(BEDSIDE, shown.json["sent"]["bedside"])
            for observation in shown.json["observations"]:
                self.assertNotIn("band-scanned", json.dumps(observation["became"]))

    def test_wrong_shapes(self):
        rows = [("bed 7", "/bedside", "wrong-type"),
                ({"room": "7"}, "/bedside/room", "unknown-field"),
                ({"offline": "yes"}, "/bedside/offline", "wrong-type"),
                ({"hygiene": {"hands": 1}}, "/bedside/hygiene/hands", "wrong-type"),
                ({"hygiene": {"gloves": True}}, "/bedside/hygiene/gloves", "unknown-field"),
                ({"identity": []}, "/bedside/identity", "wrong-type"),
                ({"identity": {"bed": "7"}}, "/bedside/identity/bed", "unknown-field"),
                ({"identity": {"checked": "identifier"}}, "/bedside/identity/checked", "wrong-type"),
                ({"identity": {"checked": ["identifier", "room"]}}, "/bedside/identity/checked/1", "unknown-word"),
                ({"identity": {"checked": ["bed"]}}, "/bedside/identity/checked/0", "unknown-word"),
                ({"identity": {"checked": ["family", "family"]}}, "/bedside/identity/checked/1", "inconsistent"),
                ({"identity": {"checked": [7]}}, "/bedside/identity/checked/0", "wrong-type"),
                ({"identity": {"checked": ["family"] * 4}}, "/bedside/identity/checked", "too-many"),
                ({"identity": {"how": ["guessed"]}}, "/bedside/identity/how/0", "unknown-word"),
                ({"identity": {"at": "10:00"}}, "/bedside/identity/at", "bad-time")]
        for bedside, pointer, code in rows:
            with self.subTest(bedside):
                before = self.counts()
                answer = self.send(bedside_set("shape", bedside=bedside))
                self.assertEqual((422, [(pointer, code)]), (answer.status, answer.problems()), answer.body)
                self.assertEqual(before, self.counts())

    def test_a_member_of_sets(self):
        body = {**bedside_set("one"), **bedside_set("one")["readings"][0], "bedside": BEDSIDE}
        del body["readings"]
        answer = self.send(body)
        self.assertEqual((422, [("/bedside", "unknown-field")]), (answer.status, answer.problems()), answer.body)

    def test_a_script_needs_none(self):
        self.taken(bedside_set("script"))
        self.taken(bedside_set("script", bedside={}))

    def test_the_same_set_again_from_the_browsers_store(self):
        """The answer was lost, the tablet kept the set and sends it again as taken offline: the same set, not another one."""
        body = bedside_set("again", bedside=BEDSIDE)
        self.taken(body)
        before = self.counts()
        answer = self.send({**body, "bedside": {**BEDSIDE, "offline": True}})
        self.assertEqual(201, answer.status, answer.body)
        self.assertEqual(before, self.counts())
        other = bedside_set("again", value=73, bedside=BEDSIDE)
        other["readings"][0]["id"] = body["readings"][0]["id"]
        self.assertEqual(409, self.send(other).status)

    def test_asked_is_held_when_taken_offline(self):
        body = bedside_set("held", value=170, bedside={"offline": False})
        answer = self.send(body)
        self.assertEqual((422, [("/readings/0/value", "confirm")]), (answer.status, answer.problems()))
        one = self.taken({**body, "bedside": {"offline": True}})
        self.assertEqual("held", one["state"])
        shown = self.see("/v1/readings/" + one["id"]).json
        self.assertEqual(("held", "confirm"), (shown["state"], shown["reason"]))
        released = self.send({"reason": "looked at the patient", "by": "N-4711-QZ"}, "/v1/readings/%s/release" % one["id"])
        self.assertEqual(200, released.status, released.body)
        self.assertNotEqual("held", self.see("/v1/readings/" + one["id"]).json["state"])

    def test_an_old_time_is_not_asked_about_when_taken_offline(self):
        body = bedside_set("old", taken="2026-01-05T10:00:00Z")
        del body["age"]
        answer = self.send(body)
        self.assertEqual((422, [("/taken", "confirm")]), (answer.status, answer.problems()), answer.body)
        self.assertNotEqual("held", self.taken({**body, "bedside": {"offline": True}})["state"])

    def refusals(self):
        return self.see("/v1/refusals").json["refusals"]

    def test_refused_is_kept_when_taken_offline(self):
        before = self.refusals()
        body = bedside_set("refused", value=7200)
        self.assertEqual(422, self.send(body).status)
        self.assertEqual(before, self.refusals())
        answer = self.send({**body, "bedside": {"offline": True}})
        self.assertEqual(422, answer.status)
        self.assertIn("refusal", answer.json["detail"])
        new = [r for r in self.refusals() if r not in before]
        self.assertEqual(["tablet"], [r["client"] for r in new])
        self.assertEqual(7200, new[0]["sent"]["readings"][0]["value"])

    def test_a_line_refused_is_kept_when_taken_offline(self):
        before = self.refusals()
        lines = [bedside_set("line", value=7200), bedside_set("line", value=7300, bedside={"offline": True})]
        answer = self.send("\n".join(map(json.dumps, lines)), headers={"Content-Type": "application/x-ndjson"})
        self.assertEqual(200, answer.status, answer.body)
        new = [r for r in self.refusals() if r not in before]
        self.assertEqual([7300], [r["sent"]["readings"][0]["value"] for r in new])

    def test_the_patient_is_due_offline_too(self):
        body = bedside_set("nobody", bedside={"offline": True})
        del body["patient"]
        answer = self.send(body)
        self.assertEqual((422, [("/patient", "missing-field")]), (answer.status, answer.problems()), answer.body)
