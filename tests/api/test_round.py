"""Who is due: by the score of the last set, by order, by default; reminders. All patients are invented."""
import datetime
import json
import sqlite3
import time
import os

from support import SYSTEM, WithDaemon, reading

NDJSON = {"Content-Type": "application/x-ndjson"}


def ago(minutes):
    at = datetime.datetime.now(datetime.timezone.utc) - datetime.timedelta(minutes=minutes)
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def when(text):
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))


class Round(WithDaemon):
    number = 0

    def setUp(self):
        Round.number += 1
        self.ward = "Ward %d" % Round.number

    def known(self, name, ward=True):
        self.value = "%s-%s" % (self.ward.replace(" ", ""), name)
        line = {"identifier": {"system": SYSTEM, "value": self.value}, "family": name, "birthDate": "1960-01-01"}
        if ward:
            line["ward"] = self.ward
        answer = self.daemon.post(json.dumps(line).encode(), "/v1/patients", headers=NDJSON)
        self.assertEqual(200, json.loads(answer.body)["status"], answer.body)
        return {"identifier": {"system": SYSTEM, "value": self.value}, "birthDate": line["birthDate"]}

    def set(self, patient, minutes, pulse=80, leave_out=(), **more):
        signs = [{"kind": "heart-rate", "value": pulse, "unit": "/min"}, {"kind": "respiratory-rate", "value": 16, "unit": "/min"},
                 {"kind": "oxygen-saturation", "value": 97, "unit": "%", "oxygen": {"device": "room-air"}},
                 {"kind": "blood-pressure", "systolic": 120, "diastolic": 80, "unit": "mm[Hg]"},
                 {"kind": "body-temperature", "value": 37.0, "unit": "Cel"}, {"kind": "consciousness", "value": "alert"}]
        body = {"patient": patient, "taken": ago(minutes), "by": "N-9", "readings": [s for s in signs if s["kind"] not in leave_out], **more}
        for one in body["readings"]:
            one["confirmed"] = True
        return self.taken(body)

    def order(self, patient, **more):
        body = {"patient": {"identifier": patient["identifier"]}, "kind": None, "reason": "as the doctor said", "by": "N-9", **more}
        return self.daemon.post(body, "/v1/patients/_order")

    def ordered(self, patient, **more):
        answer = self.order(patient, **more)
        self.assertEqual(200, answer.status, answer.body)
        return answer.json

    def round(self, **question):
        answer = self.daemon.post({"ward": self.ward, **question}, "/v1/round/_search")
        self.assertEqual(200, answer.status, answer.body)
        return answer.json

    def only(self):
        patients = self.round()["patients"]
        self.assertEqual(1, len(patients))
        return patients[0]

    def test_by_the_score_of_the_last_set(self):
        patient = self.known("Score")
        answer = self.set(patient, 10, pulse=100)  # 1 point for the pulse: 4 hours
        self.assertEqual((1, 240), (answer["score"]["total"], answer["score"]["interval-minutes"]))
        one = self.only()
        self.assertEqual((240, "score", "later", []), (one["interval-minutes"], one["why"], one["state"], one["reminders"]))
        self.assertEqual((answer["set"], "N-9"), (one["last"]["set"], one["last"]["by"]))
        kept = one["last"]["score"]
        self.assertEqual({n: answer["score"][n] for n in ("score", "total", "scale", "single-trigger", "risk", "response", "interval-minutes")}, kept)
        self.assertEqual(240 * 60, (when(one["due"]) - when(one["last"]["taken"])).total_seconds())
        self.assertNotIn("over", one)
        self.assertNotIn("scored", one)

    def test_single_trigger_and_continuous(self):
        self.set(self.known("Single"), 10, pulse=135)  # 3 points for one sign
        self.set(self.known("Worst"), 10, pulse=135, readings=[
            {"kind": "heart-rate", "value": 135, "unit": "/min", "confirmed": True}, {"kind": "respiratory-rate", "value": 26, "unit": "/min", "confirmed": True},
            {"kind": "oxygen-saturation", "value": 90, "unit": "%", "oxygen": {"device": "room-air"}, "confirmed": True},
            {"kind": "blood-pressure", "systolic": 120, "diastolic": 80, "unit": "mm[Hg]"}, {"kind": "body-temperature", "value": 37.0, "unit": "Cel"},
            {"kind": "consciousness", "value": "alert"}])
        states = {p["patient"]["family"]: (p["state"], p["interval-minutes"], p["last"]["score"]["total"], p["last"]["score"]["single-trigger"])
                  for p in self.round()["patients"]}
        self.assertEqual({"Single": ("later", 60, 3, True), "Worst": ("continuous", 0, 9, True)}, states)
        self.assertIsNone([p for p in self.round()["patients"] if p["state"] == "continuous"][0]["due"])

    def test_late_and_missed_and_the_order_of_all(self):
        for name, minutes in (("Due", 62), ("Late", 60 + 21), ("Missed", 60 + 41), ("More", 200), ("Soon", 40), ("Later", 5)):
            self.set(self.known(name), minutes, pulse=135)
        self.known("Never")
        got = self.round()
        self.assertEqual([("More", "missed"), ("Missed", "missed"), ("Late", "late"), ("Due", "due"), ("Soon", "soon"), ("Never", "never"), ("Later", "later")],
                         [(p["patient"]["family"], p["state"]) for p in got["patients"]])
        over = [p.get("over") for p in got["patients"]]
        for least, most, is_over in ((2.32, 2.35, over[0]), (0.68, 0.71, over[1]), (0.35, 0.38, over[2]), (0.03, 0.06, over[3])):
            self.assertTrue(least <= is_over <= most, over)
        self.assertEqual([None] * 3, over[4:])
        never = got["patients"][5]
        self.assertEqual((None, None, 720, "default"), (never["last"], never["due"], never["interval-minutes"], never["why"]))
        self.assertFalse(got["more"])
        cut = self.round(count=2)
        self.assertEqual((["More", "Missed"], True), ([p["patient"]["family"] for p in cut["patients"]], cut["more"]))

    def test_a_set_that_lacks_a_sign_does_not_put_off_what_the_score_asked_for(self):
        patient = self.known("Partly")
        scored = self.set(patient, 90, pulse=135)
        partly = self.set(patient, 3, leave_out=("consciousness",))
        self.assertIn("withheld", partly["score"])
        one = self.only()
        self.assertEqual((partly["set"], None), (one["last"]["set"], one["last"]["score"]))
        self.assertEqual((scored["set"], 3), (one["scored"]["set"], one["scored"]["score"]["total"]))
        self.assertEqual((60, "score", "late"), (one["interval-minutes"], one["why"], one["state"]))

    def test_without_any_score_the_last_set_counts_and_the_default(self):
        child = self.known("Child")
        child["birthDate"] = ago(60 * 24 * 365 * 7)[:10]
        answer = self.set(child, 30, pulse=95)
        self.assertIn("withheld", answer["score"])
        one = self.only()
        self.assertEqual((720, "default", "later"), (one["interval-minutes"], one["why"], one["state"]))
        self.assertEqual(720 * 60, (when(one["due"]) - when(one["last"]["taken"])).total_seconds())

    def test_a_late_arrival_is_not_the_last(self):
        patient = self.known("Offline")
        last = self.set(patient, 5)
        self.set(patient, 300, pulse=135)  # kept on a tablet till now
        self.assertEqual(last["set"], self.only()["last"]["set"])
        self.taken(reading(patient=patient, value=70, confirmed=True))  # a single reading is no set
        self.assertEqual(last["set"], self.only()["last"]["set"])

    def test_orders(self):
        patient = self.known("Ordered")
        self.assertEqual({"kind": None, "interval-minutes": 30, "state": "ordered"}, self.ordered(patient, **{"interval-minutes": 30}))
        one = self.only()  # nothing taken: from the order on
        self.assertEqual((30, "order", "soon", None), (one["interval-minutes"], one["why"], one["state"], one["last"]))
        self.set(patient, 120, pulse=135)
        self.assertEqual((30, "order", "missed"), tuple(self.only()[n] for n in ("interval-minutes", "why", "state")))
        self.ordered(patient, **{"interval-minutes": 480})  # by somebody who knows the score
        self.assertEqual((480, "order", "later"), tuple(self.only()[n] for n in ("interval-minutes", "why", "state")))
        time.sleep(1.1)  # taken has whole seconds here
        self.set(patient, 0, pulse=135)  # worse after the order: the score asks for less time
        self.assertEqual((60, "score"), tuple(self.only()[n] for n in ("interval-minutes", "why")))
        self.assertEqual("ended", self.ordered(patient)["state"])
        self.assertEqual(404, self.order(patient).status)
        self.assertEqual((60, "score"), tuple(self.only()[n] for n in ("interval-minutes", "why")))

    def test_orders_are_audited(self):
        patient = self.known("Audited")
        self.ordered(patient, **{"interval-minutes": 30}, reason="first")
        self.ordered(patient, **{"interval-minutes": 60}, reason="second", by="N-10")
        self.ordered(patient, reason="third", by="N-11")
        with sqlite3.connect(os.path.join(self.daemon.folder, "w.db")) as store:
            rows = store.execute("SELECT interval_minutes, reason, ordered_by, ended_reason, ended_by, made_ms <= ended_ms FROM watch_order WHERE patient = ? ORDER BY number",
                                 ("%s|%s" % (SYSTEM, self.value),)).fetchall()
        self.assertEqual([(30, "first", "N-9", "second", "N-10", 1), (60, "second", "N-10", "third", "N-11", 1)], rows)

    def test_reminders(self):
        patient = self.known("Reminded")
        at = ago(-4)  # in four minutes: a reading now does it
        self.ordered(patient, kind="pain", at=at, reason="after the tablet")
        self.ordered(patient, kind="body-temperature", **{"interval-minutes": 240})
        self.ordered(patient, at=ago(-120))
        reminders = {r["kind"]: r for r in self.only()["reminders"]}
        self.assertEqual({"pain": "soon", "body-temperature": "later", None: "later"}, {k: r["state"] for k, r in reminders.items()})
        self.assertEqual(("after the tablet", when(at)), (reminders["pain"]["reason"], when(reminders["pain"]["due"])))
        self.assertEqual(240, reminders["body-temperature"]["interval-minutes"])
        self.taken(reading(patient=patient, kind="pain", value=3, unit="{score}", taken=ago(10), age=None, confirmed=True))  # before it was made
        self.assertIn("pain", [r["kind"] for r in self.only()["reminders"]])
        time.sleep(1.1)
        self.taken(reading(patient=patient, kind="pain", value=2, unit="{score}", age=0, confirmed=True))
        self.assertEqual({"body-temperature", None}, {r["kind"] for r in self.only()["reminders"]})
        self.set(patient, 0)  # two hours early: that reminder stays
        self.assertEqual({"body-temperature", None}, {r["kind"] for r in self.only()["reminders"]})

    def test_wards(self):
        self.known("In")
        self.assertIn(self.ward, self.round()["wards"])
        mine = self.ward
        self.known("Nowhere", ward=False)
        self.set(self.known("Seen", ward=False), 30)
        self.set(self.known("Yesterday", ward=False), 60 * 25)
        self.taken(reading(patient=self.known("Single", ward=False), confirmed=True))
        answer = self.daemon.post({}, "/v1/round/_search").json
        names = {p["patient"]["family"] for p in answer["patients"] if mine.replace(" ", "") in p["patient"]["identifier"]["value"]}
        self.assertEqual({"In", "Seen"}, names)
        self.assertEqual(["In"], [p["patient"]["family"] for p in self.round()["patients"]])
        self.assertEqual([], self.round(ward="no such ward")["patients"])

    def refused(self, path, body):
        answer = self.daemon.post(body, path)
        self.assertEqual(422, answer.status, answer.body)
        return answer.problems()

    def test_what_is_wrong(self):
        who = {"identifier": {"system": SYSTEM, "value": "X"}}
        good = {"patient": who, "reason": "r", "by": "N-9", "interval-minutes": 5}
        for problem, change in ((("/patient", "missing-field"), {"patient": None}), (("/patient/identifier", "missing-field"), {"patient": {}}),
                                (("/reason", "missing-field"), {"reason": None}), (("/by", "missing-field"), {"by": None}),
                                (("/kind", "unknown-kind"), {"kind": "pane"}), (("/interval-minutes", "implausible"), {"interval-minutes": 10081}),
                                (("/interval-minutes", "implausible"), {"interval-minutes": -1}), (("/at", "not-allowed"), {"at": ago(-5)}),
                                (("/at", "bad-time"), {"at": ago(5), "interval-minutes": None}), (("/at", "bad-time"), {"at": "soon", "interval-minutes": None}),
                                (("/at", "bad-time"), {"at": ago(-60 * 24 * 8), "interval-minutes": None}), (("/ward", "unknown-field"), {"ward": "x"})):
            body = {n: v for n, v in {**good, **change}.items() if v is not None}
            self.assertEqual([problem], self.refused("/v1/patients/_order", body), change)
        self.assertEqual([("/count", "implausible")], self.refused("/v1/round/_search", {"count": 201}))
        self.assertEqual([("/bed", "unknown-field")], self.refused("/v1/round/_search", {"bed": "1"}))
        self.assertEqual(400, self.daemon.post(b"[", "/v1/patients/_order").status)


class Rights(WithDaemon):
    config = 'round {\n interval = "4 h"\n soon = "1 h"\n}'

    def test_rights_and_settings(self):
        nurse = self.daemon.enrol("tablet", "--may", "send,read,decide", "--practitioner", "N-9")
        line = json.dumps({"identifier": {"system": SYSTEM, "value": "R-1"}, "ward": "W"}).encode()
        self.assertEqual(200, self.daemon.post(line, "/v1/patients", headers=NDJSON, token=nurse).status)
        order = {"patient": {"identifier": {"system": SYSTEM, "value": "R-1"}}, "reason": "r", "by": "N-10", "interval-minutes": 50}
        self.assertEqual([("/by", "not-allowed")], self.daemon.post(order, "/v1/patients/_order", token=nurse).problems())
        looker = self.daemon.enrol("screen", "--may", "read")
        self.assertEqual(403, self.daemon.post({**order, "by": "N-9"}, "/v1/patients/_order", token=looker).status)
        self.assertEqual(401, self.daemon.post({}, "/v1/round/_search").status)
        one = self.daemon.post({}, "/v1/round/_search", token=looker).json["patients"][0]
        self.assertEqual((240, "default", "never"), (one["interval-minutes"], one["why"], one["state"]))
        self.assertEqual(200, self.daemon.post({**order, "by": "N-9"}, "/v1/patients/_order", token=nurse).status)
        one = self.daemon.post({}, "/v1/round/_search", token=looker).json["patients"][0]
        self.assertEqual((50, "order", "soon"), (one["interval-minutes"], one["why"], one["state"]))
