"""Corrections: a slip put right, a reading retracted; what stays readable, what counts then."""
import uuid

from support import SECRETS, WithDaemon, patient, reading

TAKEN = "2026-11-25T09:30:00+01:00"


def numbers(**changes):
    """The values of a set that NEWS2 can be worked out of: 0 points."""
    values = {"respiratory-rate": (14, "/min"), "oxygen-saturation": (97, "%"), "body-temperature": (36.8, "Cel"),
              "heart-rate": (72, "/min")}
    readings = [{"kind": kind, "value": value, "unit": unit} for kind, (value, unit) in values.items()]
    readings[1]["oxygen"] = {"device": "room-air"}
    readings += [{"kind": "blood-pressure", "systolic": 124, "diastolic": 78, "unit": "mm[Hg]"},
                 {"kind": "consciousness", "value": "alert"}]
    return {"patient": patient(SECRETS[0] + "-" + uuid.uuid4().hex[:8]), "age": 30, "by": "n-7", "readings": readings, **changes}


class Corrections(WithDaemon):
    def correct(self, id, **body):
        return self.daemon.post({"reason": "wrong-number", "by": "n-7", **body}, "/v1/readings/%s/corrections" % id)

    def corrected(self, id, **body):
        answer = self.correct(id, **body)
        self.assertEqual(201, answer.status, answer.body)
        return answer.json

    def get(self, id):
        answer = self.daemon.ask("GET", "/v1/readings/%s" % id)
        self.assertEqual(200, answer.status, answer.body)
        return answer.json

    def resource(self, id):
        answer = self.daemon.ask("GET", "/fhir/Observation/%s" % id)
        return answer.json if answer.status == 200 else None

    def one(self, **changes):
        return self.taken(reading(by="n-7", **changes))["readings"][0]["id"]

    def set_of(self, **changes):
        made = self.taken(numbers(**changes))
        return made, {one["kind"]: one["id"] for one in made["readings"]}

    def listed(self, who, **more):
        got = self.daemon.post({"patient": who["identifier"], **more}, "/v1/readings/_search").json
        return [(one["kind"], one["state"]) for one in got["readings"]]

    # ---- one reading ----

    def test_a_number_is_put_right(self):
        id = self.one(value=62)
        made = self.corrected(id, reading={"value": 72})
        self.assertEqual((id, "waiting"), (made["corrects"], made["state"]))
        self.assertNotEqual(id, made["id"])
        before, after = self.get(id), self.get(made["id"])
        self.assertEqual(("superseded", made["id"]), (before["state"], before["superseded-by"]))
        self.assertEqual(62, before["sent"]["value"])
        self.assertEqual(("wrong-number", "n-7"), (before["corrected"]["reason"], before["corrected"]["by"]))
        self.assertEqual(("waiting", id), (after["state"], after["corrects"]))
        self.assertEqual("wrong-number", after["correction"]["reason"])
        self.assertRegex(after["correction"]["at"], r"^20\d\d-")
        became = after["observations"][0]["became"]
        self.assertEqual((id, "corrected", 72), (became["id"], became["status"], became["valueQuantity"]["value"]))
        self.assertEqual("urn:uuid:" + id, became["identifier"][0]["value"])
        self.assertEqual(before["observations"][0]["became"]["effectiveDateTime"], became["effectiveDateTime"])

    def test_only_one_of_them_waits(self):
        before = self.daemon.counts()
        id = self.one()
        self.corrected(id, reading={"value": 74})
        self.assertEqual(before["waiting"] + 1, self.daemon.counts()["waiting"])

    def test_lists_show_both(self):
        who = patient(SECRETS[0] + "-lists")
        made = self.corrected(self.one(patient=who, value=62), reading={"value": 72})
        self.assertEqual([("heart-rate", "waiting"), ("heart-rate", "superseded")], self.listed(who))
        self.assertEqual([("heart-rate", "superseded")], self.listed(who, state="superseded"))
        self.assertEqual([("heart-rate", "waiting")], self.listed(who, state="waiting"))
        self.corrected(made["id"], **{"entered-in-error": True})
        self.assertEqual([("heart-rate", "retracted"), ("heart-rate", "superseded")], self.listed(who))
        got = self.daemon.post({"patient": who["identifier"]}, "/v1/readings/_search").json["readings"]
        self.assertEqual(got[0]["id"], got[1]["superseded-by"])
        self.assertEqual(got[1]["id"], got[0]["corrects"])
        self.assertEqual("n-7", got[0]["corrected"]["by"])

    def test_the_fhir_view_has_what_counts(self):
        who = patient(SECRETS[0] + "-fhir")
        id = self.one(patient=who, value=62)
        made = self.corrected(id, reading={"value": 72})
        found = self.daemon.ask("GET", "/fhir/Observation?identifier=" + id).json
        self.assertEqual([72], [e["resource"]["valueQuantity"]["value"] for e in found["entry"]])
        self.assertEqual(72, self.resource(id)["valueQuantity"]["value"])
        self.assertIsNone(self.resource(made["id"]))  # it has no Observation of its own
        self.corrected(made["id"], **{"entered-in-error": True})
        self.assertEqual("entered-in-error", self.resource(id)["status"])
        self.assertNotIn("entry", self.daemon.ask("GET", "/fhir/Observation?identifier=" + id).json)

    def test_a_correction_is_corrected(self):
        id = self.one(value=62)
        first = self.corrected(id, reading={"value": 71})
        answer = self.correct(id, reading={"value": 70})  # somebody looks at what does not count any more
        self.assertEqual(409, answer.status)
        second = self.corrected(first["id"], reading={"value": 72, "site": "radial-artery"})
        self.assertEqual(first["id"], second["corrects"])
        self.assertEqual("superseded", self.get(first["id"])["state"])
        became = self.resource(id)
        self.assertEqual((72, id), (became["valueQuantity"]["value"], became["id"]))
        self.assertIn("bodySite", became)

    def test_fields(self):
        id = self.one(value=None, unit=None, counted={"beats": 18, "seconds": 15}, note="on the left")
        made = self.corrected(id, reading={"value": 80, "unit": "/min", "note": None})
        self.assertEqual(80, self.resource(id)["valueQuantity"]["value"])
        self.assertNotIn("note", self.resource(id))
        made = self.corrected(made["id"], reading={"not-taken": "refused"})
        self.assertIn("dataAbsentReason", self.resource(id))
        made = self.corrected(made["id"], reason="wrong-time", reading={"counted": {"beats": 36, "seconds": 30}, "taken": TAKEN,
                                                                       "confirmed": True})
        got = self.resource(id)
        self.assertEqual((72, TAKEN), (got["valueQuantity"]["value"], got["effectiveDateTime"]))

    def test_it_is_judged_like_a_new_one(self):
        id = self.one()
        answer = self.correct(id, reading={"value": 720})
        self.assertEqual((422, ("/reading/value", "implausible")), (answer.status, answer.problems()[0]))
        answer = self.correct(id, reading={"value": 190})
        self.assertEqual((422, [("/reading/value", "confirm")]), (answer.status, answer.problems()))
        answer = self.correct(id, reading={"vlaue": 71})
        self.assertEqual((422, [("/reading/vlaue", "unknown-field")]), (answer.status, answer.problems()))
        self.assertEqual("waiting", self.get(id)["state"])
        made = self.corrected(id, reading={"value": 190, "confirmed": True})
        self.assertEqual("H", made["flags"][0]["interpretation"])
        answer = self.correct(made["id"], reading={"value": 191})  # what was confirmed was another value
        self.assertEqual([("/reading/value", "confirm")], answer.problems())

    def test_it_is_not_compared_with_itself(self):
        who = patient(SECRETS[0] + "-self")
        weight = {"kind": "body-weight", "unit": "kg", "patient": who}
        self.one(**weight, value=60.0, age=1000)
        id = self.one(**weight, value=96.0, confirmed=True, age=500)
        self.corrected(id, reading={"value": 60.1})  # far from 96, which does not count any more
        self.one(**weight, value=60.2)  # and so is the next one, which is compared with 60.1
        answer = self.daemon.post(reading(**weight, value=96.0))
        self.assertEqual((422, [("/value", "confirm")]), (answer.status, answer.problems()))

    def test_bad_bodies(self):
        id = self.one()
        rows = [({"reason": "because", "reading": {"value": 1}}, "/reason"), ({"reason": "other", "reading": {"value": 71}}, "/text"),
                ({}, "/reading"), ({"reading": {"value": 71}, "entered-in-error": True}, "/entered-in-error"),
                ({"by": None, "reading": {"value": 71}}, "/by"), ({"reading": {"id": str(uuid.uuid4())}}, "/reading/id"),
                ({"reading": {"patient": patient()}}, "/reading/patient"), ({"reading": 7}, "/reading"),
                ({"colour": "red", "reading": {"value": 71}}, "/colour"), ({"text": "x" * 501, "reading": {"value": 71}}, "/text")]
        for body, pointer in rows:
            answer = self.correct(id, **body)
            self.assertEqual(422, answer.status, (body, answer.body))
            self.assertIn(pointer, [where for where, _ in answer.problems()], body)
        self.assertEqual(400, self.daemon.post("{", "/v1/readings/%s/corrections" % id).status)
        self.assertEqual(422, self.daemon.post([], "/v1/readings/%s/corrections" % id).status)
        self.assertEqual(404, self.correct(str(uuid.uuid4()), reading={"value": 71}).status)
        self.assertEqual("waiting", self.get(id)["state"])

    def test_nothing_to_change_is_no_correction(self):
        id = self.one()
        answer = self.correct(id, reading={})
        self.assertEqual((422, [("/reading", "missing-field")]), (answer.status, answer.problems()))
        self.assertEqual("waiting", self.get(id)["state"])

    def test_other_with_its_text(self):
        id = self.one()
        self.corrected(id, reason="other", text="typed for the neighbour's bed", **{"entered-in-error": True})
        self.assertEqual("typed for the neighbour's bed", self.get(id)["corrected"]["text"])

    def test_a_key_answers_the_same(self):
        id = self.one()
        body = {"reason": "wrong-number", "by": "n-7", "reading": {"value": 75}}
        path, key = "/v1/readings/%s/corrections" % id, {"Idempotency-Key": "twice-" + id}
        first, again = (self.daemon.post(body, path, headers=key) for _ in range(2))
        self.assertEqual((201, 201, first.json), (first.status, again.status, again.json))
        self.assertEqual(409, self.daemon.post(body, path).status)

    # ---- retracted ----

    def test_retracted(self):
        id = self.one()
        before = self.daemon.counts()
        made = self.corrected(id, reason="duplicate", **{"entered-in-error": True})
        self.assertEqual((id, id, "retracted"), (made["id"], made["corrects"], made["state"]))
        self.assertEqual("retracted", self.get(id)["state"])
        self.assertEqual(72, self.get(id)["sent"]["value"])
        self.assertEqual(before["waiting"] - 1, self.daemon.counts()["waiting"])
        self.assertEqual(409, self.correct(id, reading={"value": 71}).status)

    def test_of_another_patient(self):
        wrong, right = patient(SECRETS[0] + "-wrong"), patient(SECRETS[0] + "-right", birthDate="1960-01-01")
        id = self.one(patient=wrong, value=88)
        answer = self.correct(id, reason="wrong-patient", patient={"identifier": {"system": "x"}})
        self.assertEqual(422, answer.status)
        self.assertIn("/patient/identifier/value", [where for where, _ in answer.problems()])
        self.assertEqual("waiting", self.get(id)["state"])
        made = self.corrected(id, reason="wrong-patient", patient=right)
        self.assertEqual([("heart-rate", "retracted")], self.listed(wrong))
        self.assertEqual([("heart-rate", "waiting")], self.listed(right))
        self.assertEqual(made["id"], self.get(id)["superseded-by"])
        became = self.resource(made["id"])
        self.assertEqual((88, right["identifier"]["value"], "final"),
                         (became["valueQuantity"]["value"], became["subject"]["identifier"]["value"], became["status"]))

    def test_of_another_kind(self):
        id = self.one(value=62)
        made = self.corrected(id, reason="wrong-sign", reading={"kind": "respiratory-rate", "value": 18, "unit": "/min"})
        self.assertEqual("retracted", self.get(id)["state"])
        self.assertEqual("9279-1", self.resource(made["id"])["code"]["coding"][0]["code"])

    # ---- a set ----

    def derived(self, made):
        found = {}
        for role in ("score:news2", "panel"):
            id = uuid.uuid5(uuid.UUID(made["set"]), role)
            found[role] = self.resource(str(id))
        return found

    def test_the_score_is_worked_out_anew(self):
        made, ids = self.set_of()
        self.assertEqual(0, made["score"]["total"])
        before = self.derived(made)
        fresh = self.corrected(ids["heart-rate"], reading={"value": 115})
        self.assertEqual(2, fresh["score"]["total"])
        after = self.derived(made)
        self.assertEqual((2, "corrected"), (after["score:news2"]["valueQuantity"]["value"], after["score:news2"]["status"]))
        self.assertEqual(before["score:news2"]["identifier"], after["score:news2"]["identifier"])
        self.assertEqual(before["score:news2"]["derivedFrom"], after["score:news2"]["derivedFrom"])
        self.assertEqual(before["panel"], after["panel"])  # it lists the same
        for kind in ("respiratory-rate", "blood-pressure"):
            self.assertEqual("waiting", self.get(ids[kind])["state"])

    def test_nothing_else_changes_with_a_note(self):
        made, ids = self.set_of()
        before, waiting = self.derived(made), self.daemon.counts()["waiting"]
        self.corrected(ids["heart-rate"], reason="other", text="forgot", reading={"note": "after the stairs"})
        self.assertEqual((before, waiting), (self.derived(made), self.daemon.counts()["waiting"]))

    def test_a_score_without_its_reading(self):
        made, ids = self.set_of()
        waiting = self.daemon.counts()["waiting"]
        gone = self.corrected(ids["heart-rate"], **{"entered-in-error": True})
        self.assertIn("pulse", " ".join(gone["score"]["missing"]).lower())
        after = self.derived(made)
        self.assertEqual("entered-in-error", after["score:news2"]["status"])
        self.assertEqual(len(made["readings"]) - 2, len(after["panel"]["hasMember"]))  # consciousness is no member
        self.assertNotIn(ids["heart-rate"], str(after["panel"]["hasMember"]))
        self.assertEqual(waiting - 2, self.daemon.counts()["waiting"])

    def test_a_score_that_comes_back(self):
        made, ids = self.set_of()
        one = self.corrected(ids["heart-rate"], reading={"not-taken": "refused"})
        self.assertIn("missing", one["score"])
        self.assertEqual("entered-in-error", self.derived(made)["score:news2"]["status"])
        two = self.corrected(one["id"], reading={"value": 72, "unit": "/min"})
        self.assertEqual(0, two["score"]["total"])
        self.assertEqual("corrected", self.derived(made)["score:news2"]["status"])

    def test_two_of_one_set(self):
        made, ids = self.set_of()
        self.corrected(ids["heart-rate"], reading={"value": 115})
        second = self.corrected(ids["respiratory-rate"], reading={"value": 22})
        self.assertEqual(4, second["score"]["total"])
        self.assertEqual(4, self.derived(made)["score:news2"]["valueQuantity"]["value"])

    def test_companions(self):
        made, ids = self.set_of()
        flow = {"device": "nasal-cannula", "flow": {"value": 2, "unit": "L/min"}}
        first = self.corrected(ids["oxygen-saturation"], reason="other", text="was on oxygen", reading={"oxygen": flow})
        self.assertEqual(2, first["score"]["total"])
        there = self.get(first["id"])["observations"]
        self.assertEqual(["main", "oxygen.flow"], [one["role"] for one in there])
        companion = there[1]["id"]
        self.assertEqual(str(uuid.uuid5(uuid.UUID(ids["oxygen-saturation"]), "oxygen.flow")), companion)
        self.assertIn(companion, str(self.derived(made)["panel"]["hasMember"]))
        second = self.corrected(first["id"], reading={"value": 95})  # the companion says the same
        self.assertEqual("final", self.resource(companion)["status"])
        self.assertEqual(["main", "oxygen.flow"], [one["role"] for one in self.get(second["id"])["observations"]])
        third = self.corrected(second["id"], reading={"oxygen": {"device": "room-air"}})
        self.assertEqual("entered-in-error", self.resource(companion)["status"])
        self.assertNotIn(companion, str(self.derived(made)["panel"]["hasMember"]))
        self.assertEqual(1, third["score"]["total"])

    def test_another_kind_in_a_set(self):
        made, ids = self.set_of(readings=numbers()["readings"][1:])
        self.assertIn("missing", made["score"])
        fresh = self.daemon.post(reading(by="n-7"))  # not of the set
        self.assertEqual(201, fresh.status)
        got = self.corrected(ids["heart-rate"], reason="wrong-sign",
                             reading={"kind": "respiratory-rate", "value": 16, "unit": "/min"})
        self.assertEqual(["retracted", "waiting"], [self.get(one)["state"] for one in (ids["heart-rate"], got["id"])])
        self.assertEqual(made["set"], self.get(got["id"])["set"])
        members = str(self.derived(made)["panel"]["hasMember"])
        self.assertIn(got["id"], members)
        self.assertNotIn(ids["heart-rate"], members)

    def test_of_a_set_another_patient(self):
        made, ids = self.set_of()
        right = patient(SECRETS[0] + "-moved")
        got = self.corrected(ids["heart-rate"], reason="wrong-patient", patient=right, reading={"value": 73})
        self.assertEqual([("heart-rate", "waiting")], self.listed(right))
        self.assertEqual(73, self.resource(got["id"])["valueQuantity"]["value"])
        self.assertEqual("entered-in-error", self.derived(made)["score:news2"]["status"])

    def test_reasons_are_told(self):
        said = self.daemon.ask("GET", "/v1/kinds").json["corrections"]["reasons"]
        self.assertEqual(9, len(said))
        self.assertIn("wrong-patient", [one["word"] for one in said])


class WhoMay(WithDaemon):
    config = ""

    def test_the_author_or_one_who_decides(self):
        author = self.daemon.enrol("bedside", "--may", "send,read", "--attended", "--practitioner", "n-7", "--practitioner", "n-8")
        lead = self.daemon.enrol("desk", "--may", "send,read,decide", "--attended", "--practitioner", "lead-1")
        body = {"reason": "wrong-number", "reading": {"value": 71}}
        for by, token, status in (("n-8", author, 403), ("lead-1", author, 422), ("n-7", author, 201), ("lead-1", lead, 201)):
            id = self.daemon.post(reading(by="n-7"), token=author).json["readings"][0]["id"]
            answer = self.daemon.post({**body, "by": by}, "/v1/readings/%s/corrections" % id, token=token)
            self.assertEqual(status, answer.status, (by, answer.body))
            self.assertNotIn("n-7", answer.body.decode())

    def test_a_token_without_the_right(self):
        reader = self.daemon.enrol("screen", "--may", "read")
        answer = self.daemon.post({}, "/v1/readings/%s/corrections" % uuid.uuid4(), token=reader)
        self.assertEqual(403, answer.status)


class Held(WithDaemon):
    """Of a device's set one reading waits for somebody: corrected it goes out, and the set is whole."""
    config = ""

    def test_a_held_member(self):
        device = self.daemon.enrol("monitor", "--may", "send,read")
        desk = self.daemon.enrol("desk", "--may", "send,read,decide", "--attended", "--practitioner", "lead-1")
        body = numbers()
        del body["by"]
        body["readings"][3]["value"] = 190  # can hardly be true: asked, and nobody is there
        made = self.daemon.post(body, token=device).json
        pulse = made["readings"][3]
        self.assertEqual(("held", "heart-rate"), (pulse["state"], pulse["kind"]))
        panel = str(uuid.uuid5(uuid.UUID(made["set"]), "panel"))
        score = str(uuid.uuid5(uuid.UUID(made["set"]), "score:news2"))
        look = lambda id: self.daemon.ask("GET", "/fhir/Observation/" + id, token=desk)
        self.assertEqual(404, look(score).status)
        self.assertNotIn(pulse["id"], str(look(panel).json))
        got = self.daemon.post({"reason": "faulty-device", "by": "lead-1", "reading": {"value": 90}},
                               "/v1/readings/%s/corrections" % pulse["id"], token=desk)
        self.assertEqual((201, 0), (got.status, got.json["score"]["total"]), got.body)
        self.assertEqual(90, look(pulse["id"]).json["valueQuantity"]["value"])
        self.assertEqual("final", look(score).json["status"])
        self.assertIn(pulse["id"], str(look(panel).json["hasMember"]))
        self.assertEqual(0, self.daemon.counts(desk)["held"])

    def test_a_held_one_beside_it_stays_held(self):
        device = self.daemon.enrol("pump", "--may", "send,read,decide")
        body = numbers()
        del body["by"]
        body["readings"][3]["value"] = 190
        made = self.daemon.post(body, token=device).json
        got = self.daemon.post({"reason": "wrong-number", "by": "n-1", "reading": {"value": 15}},
                               "/v1/readings/%s/corrections" % made["readings"][0]["id"], token=device)
        self.assertEqual((422, [("/by", "not-allowed")]), (got.status, got.problems()))
        desk = self.daemon.enrol("desk-2", "--may", "send,read,decide", "--attended", "--practitioner", "n-1")
        got = self.daemon.post({"reason": "wrong-number", "by": "n-1", "reading": {"value": 15}},
                               "/v1/readings/%s/corrections" % made["readings"][0]["id"], token=desk)
        self.assertEqual(201, got.status, got.body)
        self.assertIn("withheld", got.json["score"])
        seen = self.daemon.ask("GET", "/v1/readings/" + made["readings"][3]["id"], token=desk).json
        self.assertEqual(("held", "confirm"), (seen["state"], seen["reason"]))
