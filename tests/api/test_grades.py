"""Refused, asked, override, flagged; preview and `wardpost map`."""
import json
import uuid

from support import MAPPINGS, WithDaemon, patient, reading, scratch_file, tool


class Grades(WithDaemon):
    def test_refused_with_what_may_be_meant(self):
        rows = [("98.6 Cel", reading(kind="body-temperature", value=98.6, unit="Cel"), "/value", "implausible", "98.6 °F"),
                ("saturation over 100", reading(kind="oxygen-saturation", value=101, unit="%"), "/value", "implausible", ""),
                ("pain 11", reading(kind="pain", value=11, unit=None), "/value", "implausible", ""),
                ("systolic under diastolic", reading(kind="blood-pressure", value=None, systolic=80, diastolic=120,
                                                     unit="mm[Hg]"), "/systolic", "inconsistent", "")]
        for name, body, pointer, code, words in rows:
            for confirmed in (None, True):
                with self.subTest((name, confirmed)):
                    answer = self.kept_nothing({**body, **({"confirmed": True} if confirmed else {})})
                    self.assertEqual(422, answer.status, answer.body)
                    self.assertIn((pointer, code), answer.problems())
                    self.assertNotIn("confirm", [c for _, c in answer.problems()])
                    self.assertIn(words, answer.details())

    def test_asked_then_confirmed(self):
        body = reading(value=170, patient=patient("XQ-77120-Z-ask"))
        answer = self.kept_nothing(body)
        self.assertEqual((422, [("/value", "confirm")]), (answer.status, answer.problems()))
        taken = self.taken({**body, "confirmed": True})
        self.assertEqual("waiting", taken["readings"][0]["state"])
        shown = self.daemon.ask("GET", "/v1/readings/" + taken["readings"][0]["id"]).json
        self.assertIs(True, shown["sent"]["confirmed"])

    def test_what_was_confirmed_is_not_asked_again(self):
        who = patient("XQ-77120-Z-again")
        self.taken(reading(value=170, patient=who, age=900, confirmed=True))
        self.taken(reading(value=166, patient=who, age=60))
        other_side = self.kept_nothing(reading(value=38, patient=who))
        self.assertEqual((422, [("/value", "confirm")]), (other_side.status, other_side.problems()), other_side.body)

    def test_confirming_one_of_a_set_is_not_confirming_the_other(self):
        one = {"kind": "heart-rate", "value": 170, "unit": "/min"}
        body = {"patient": patient("XQ-77120-Z-two"), "age": 1, "readings": [
            {**one, "confirmed": True}, {"kind": "respiratory-rate", "value": 45, "unit": "/min"}]}
        answer = self.kept_nothing(body)
        self.assertEqual((422, [("/readings/1/value", "confirm")]), (answer.status, answer.problems()))

    def test_compared_with_the_last_one(self):
        rows = [("ten times", {"kind": "heart-rate", "unit": "/min"}, 22, 220),
                ("digits exchanged", {"kind": "body-height", "unit": "cm"}, 158, 185)]
        for name, what, first, second in rows:
            with self.subTest(name):
                who = patient("XQ-77120-Z-" + what["kind"])
                self.taken(reading(**what, age=900, value=first, patient=who, confirmed=True))
                answer = self.kept_nothing(reading(**what, value=second, patient=who))
                self.assertEqual((422, ("/value", "confirm")), (answer.status, answer.problems()[0]), answer.body)
                self.assertRegex(answer.details(), r"\b%d\b" % first)
                self.assertEqual(201, self.daemon.post(reading(**what, value=second, patient=patient("XQ-77120-Z-o" + what["kind"]), confirmed=True)).status)

    def test_override(self):
        body = reading(value=310, patient=patient("XQ-77120-Z-over"))
        answer = self.kept_nothing({**body, "confirmed": True})
        self.assertEqual((422, [("/value", "implausible")]), (answer.status, answer.problems()), answer.body)
        self.assertIs(True, answer.json["errors"][0]["override"])
        half = self.kept_nothing({**body, "override": {"by": "N-4711-QZ"}})
        self.assertEqual(422, half.status)
        self.assertIn(("/override/reason", "missing-field"), half.problems())
        whole = {"by": "N-4711-QZ", "second": "N-17", "reason": "felt and counted twice"}
        taken = self.taken({**body, "override": whole})
        shown = self.daemon.ask("GET", "/v1/readings/" + taken["readings"][0]["id"]).json
        self.assertEqual(whole, shown["sent"]["override"])

    def test_flags(self):
        rows = [(72, "N"), (101, "H"), (100, "N"), (59, "L"), (60, "N")]  # 60 to 100: common practice
        for value, flag in rows:
            with self.subTest(value):
                body = reading(value=value, patient=patient("XQ-77120-Z-%d" % value))
                taken = self.taken(body)["readings"][0]
                self.assertEqual([("value", flag)], [(f["part"], f["interpretation"]) for f in taken["flags"]])
                seen = self.daemon.ask("GET", "/fhir/Observation/" + taken["id"]).json
                self.assertEqual(flag, seen["interpretation"][0]["coding"][0]["code"])
                self.assertEqual((60, 100), tuple(seen["referenceRange"][0][end]["value"] for end in ("low", "high")))

    def test_digits_survive(self):
        body = json.dumps(reading(kind="body-temperature", value=0, unit="Cel")).replace('"value": 0', '"value": 37.10')
        taken = self.taken(body)["readings"][0]
        self.assertIn(b'"value":37.10,', self.daemon.ask("GET", "/fhir/Observation/" + taken["id"]).body)
        self.assertIn(b"37.10", self.daemon.ask("GET", "/v1/readings/" + taken["id"]).body)

    def test_converted(self):  # 98.6 °F is 37 °C: common practice
        taken = self.taken(reading(kind="body-temperature", value=98.6, unit="[degF]"))["readings"][0]
        self.assertIn(b'"valueQuantity":{"value":37.0,', self.daemon.ask("GET", "/fhir/Observation/" + taken["id"]).body)

    def test_counted(self):  # 18 beats in 15 s are 72 a minute: common practice
        taken = self.taken(reading(value=None, unit=None, counted={"beats": 18, "seconds": 15}))["readings"][0]
        self.assertEqual(72, self.daemon.ask("GET", "/fhir/Observation/" + taken["id"]).json["valueQuantity"]["value"])

    def test_not_taken(self):
        taken = self.taken(reading(value=None, unit=None, **{"not-taken": "refused"}))["readings"][0]
        seen = self.daemon.ask("GET", "/fhir/Observation/" + taken["id"]).json
        self.assertEqual("asked-declined", seen["dataAbsentReason"]["coding"][0]["code"])
        self.assertNotIn("valueQuantity", seen)


SET = {"patient": patient("XQ-77120-Z-set"), "taken": "2026-01-05T10:00:00Z", "by": "N-4711-QZ", "readings": [
    {"id": "5d2a4c0e-0c39-4f0e-9f70-64a1f0a8d0%02x" % n, "confirmed": True, **one} for n, one in enumerate([
        {"kind": "respiratory-rate", "value": 16, "unit": "/min"},
        {"kind": "oxygen-saturation", "value": 97, "unit": "%", "oxygen": {"device": "room-air"}},
        {"kind": "blood-pressure", "systolic": 122, "diastolic": 78, "unit": "mm[Hg]"},
        {"kind": "heart-rate", "value": 72, "unit": "/min"},
        {"kind": "consciousness", "value": "alert"},
        {"kind": "body-temperature", "value": 37.0, "unit": "Cel"}])]}


class Preview(WithDaemon):
    def test_stores_nothing_and_is_what_map_says(self):
        one = {**reading(age=None), "id": str(uuid.uuid4()), "taken": "2026-01-05T10:00:00Z", "confirmed": True}
        for name, body in [("one", one), ("set", SET)]:
            with self.subTest(name):
                answer = self.kept_nothing(body, path="/v1/preview")
                self.assertEqual(200, answer.status, answer.body)
                mapped = tool("map", scratch_file("reading.json", body), "--all", "--mappings", MAPPINGS)
                self.assertEqual(0, mapped.returncode, mapped.stderr)
                ours, theirs = answer.json["observations"], json.loads(mapped.stdout)
                self.assertEqual(*[{e["resource"]["id"]: e["resource"] for e in bundle["entry"]
                                    if not self.is_made(e["resource"], body)} for bundle in (ours, theirs)])
                self.assertEqual(len(ours["entry"]), len(theirs["entry"]))
                self.assertEqual(404, self.daemon.ask("GET", "/v1/readings/" + ours["entry"][-1]["resource"]["id"]).status)

    def is_made(self, resource, body):
        """Panel and score have ids that are given anew each time."""
        return resource["id"] not in [r["id"] for r in body.get("readings", [body])]

    def test_the_score_of_a_normal_set(self):  # NEWS2, RCP 2017: every value in the 0 column
        previewed = self.daemon.post(SET, "/v1/preview").json["score"]
        taken = self.taken(SET)["score"]
        self.assertEqual(0, previewed["total"], previewed)
        self.assertEqual(0, taken["total"], taken)

    def test_refuses_what_readings_refuses(self):
        for body in (reading(value=170), reading(value="72"), reading(kind="hart-rate")):
            ours, theirs = self.kept_nothing(body, path="/v1/preview"), self.kept_nothing(body)
            self.assertEqual((theirs.status, theirs.problems()), (ours.status, ours.problems()))
