"""Corrections of what is in the chart: the far end validates each version, counts them, and has its faults."""
import http.client
import json
import os
import subprocess
import tempfile
import time
import unittest
import uuid

from support import ROOT, SCRATCH, SECRETS, Daemon, free_port, patient, reading, wait_until

HOME = os.environ.get("FAR_END_HOME", ROOT + "/build/far_end")
COURIER = ('courier {\n server = "http://127.0.0.1:%d/fhir"\n request_timeout = "1 s"\n retry_first = "50 ms"\n'
           ' retry_most = "300 ms"\n}\n')


class FarEnd:
    def __init__(self):
        self.port = free_port()
        self.process = subprocess.Popen(["node", ROOT + "/tests/far_end/server.mjs", "--port", str(self.port), "--data",
                                         tempfile.mkdtemp(dir=SCRATCH)], env={**os.environ, "FAR_END_HOME": HOME},
                                        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL)
        wait_until(lambda: self.answers(), 60, "the far end")

    def ask(self, method, path, body=None, headers=None):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            connection.request(method, path, json.dumps(body) if body is not None else None,
                               {"Content-Type": "application/fhir+json", **(headers or {})})
            answer = connection.getresponse()
            text = answer.read()
            return answer.status, json.loads(text) if text else None
        finally:
            connection.close()

    def answers(self):
        try:
            return self.ask("GET", "/fhir/metadata")[0] == 200
        except OSError:
            return False

    def fault(self, **fault):
        assert self.ask("POST", "/faults", fault)[0] < 300

    def calm(self):
        self.ask("DELETE", "/faults")

    def found(self, identity):
        _, bundle = self.ask("GET", "/fhir/Observation?identifier=urn:ietf:rfc:3986%7Curn:uuid:" + identity)
        return [entry["resource"] for entry in bundle.get("entry", [])]

    def stop(self):
        self.process.terminate()
        self.process.wait(30)


@unittest.skipUnless(os.path.isdir(HOME + "/node_modules"), "no far end is installed")
class Charted(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.far = FarEnd()
        cls.daemon = Daemon(config=COURIER % cls.far.port, arguments=["--demo"])

    @classmethod
    def tearDownClass(cls):
        cls.daemon.stop()
        cls.far.stop()

    def tearDown(self):
        self.far.calm()

    def post(self, body):
        answer = self.daemon.post(body)
        self.assertEqual(201, answer.status, answer.body)
        return answer.json

    def one(self, **changes):
        return self.post(reading(by="n-7", **changes))["readings"][0]["id"]

    def corrected(self, id, **body):
        answer = self.daemon.post({"reason": "wrong-number", "by": "n-7", **body}, "/v1/readings/%s/corrections" % id)
        self.assertEqual(201, answer.status, answer.body)
        return answer.json

    def get(self, id):
        return self.daemon.ask("GET", "/v1/readings/" + id).json

    def settled(self):
        """Nothing waits any more."""
        wait_until(lambda: self.daemon.counts()["waiting"] == 0, 30, lambda: str(self.daemon.ask("GET", "/v1/status").body))

    def there(self, identity):
        found = self.far.found(identity)
        self.assertEqual(1, len(found), found)
        return found[0]

    def test_amended_there(self):
        id = self.one(value=62)
        self.settled()
        before = self.there(id)
        made = self.corrected(id, reading={"value": 72, "site": "radial-artery"})
        self.settled()
        after = self.there(id)
        self.assertEqual((before["id"], "corrected", 72), (after["id"], after["status"], after["valueQuantity"]["value"]))
        self.assertEqual(int(before["meta"]["versionId"]) + 1, int(after["meta"]["versionId"]))
        self.assertEqual(["superseded", "charted"], [self.get(one)["state"] for one in (id, made["id"])])

    def test_never_sent(self):
        self.far.fault(fault="status", status=503)
        id = self.one(value=62)
        made = self.corrected(id, reading={"value": 72})
        self.far.calm()
        self.settled()
        self.assertEqual(72, self.there(id)["valueQuantity"]["value"])
        self.assertEqual("charted", self.get(made["id"])["state"])

    def test_the_answer_to_the_original_is_lost(self):
        self.far.fault(fault="lose-answer", next=1, match={"method": "P(OST|UT)"})
        id = self.one(value=62)
        made = self.corrected(id, reading={"value": 72})
        self.settled()
        self.assertEqual(72, self.there(id)["valueQuantity"]["value"])
        self.assertEqual("charted", self.get(made["id"])["state"])

    def test_the_answer_to_the_correction_is_lost(self):
        id = self.one(value=62)
        self.settled()
        version = int(self.there(id)["meta"]["versionId"])
        self.far.fault(fault="lose-answer", next=1, match={"method": "P(OST|UT)"})
        made = self.corrected(id, reading={"value": 72})
        self.settled()
        after = self.there(id)
        self.assertEqual((72, "charted"), (after["valueQuantity"]["value"], self.get(made["id"])["state"]))
        self.assertEqual(version + 1, int(after["meta"]["versionId"]))  # it went once
        again = self.corrected(made["id"], reading={"value": 73})  # and its version is known
        self.settled()
        self.assertEqual((73, "charted"), (self.there(id)["valueQuantity"]["value"], self.get(again["id"])["state"]))

    def test_somebody_else_has_changed_it(self):
        id = self.one(value=62)
        self.settled()
        theirs = self.there(id)
        theirs["note"] = [{"text": "Looked at again."}]
        theirs["status"] = "amended"
        self.assertEqual(200, self.far.ask("PUT", "/fhir/Observation/" + theirs["id"], theirs)[0])
        made = self.corrected(id, reading={"value": 72})
        seen = wait_until(lambda: (lambda s: s if s["state"] == "held" else None)(self.get(made["id"])), 20, self.daemon.said)
        self.assertIn("somebody else", seen["reason"])
        self.assertEqual((62, "amended"), (self.there(id)["valueQuantity"]["value"], self.there(id)["status"]))
        released = self.daemon.post({"reason": "looked, ours stands", "by": "lead"}, "/v1/readings/%s/release" % made["id"])
        self.assertEqual(200, released.status, released.body)
        self.settled()
        self.assertEqual((72, "corrected"), (self.there(id)["valueQuantity"]["value"], self.there(id)["status"]))

    def set_of(self):
        signs = [("respiratory-rate", 14, "/min"), ("oxygen-saturation", 97, "%"), ("body-temperature", 36.8, "Cel"), ("heart-rate", 72, "/min")]
        readings = [{"kind": kind, "value": value, "unit": unit} for kind, value, unit in signs]
        readings[1]["oxygen"] = {"device": "room-air"}
        readings += [{"kind": "blood-pressure", "systolic": 124, "diastolic": 78, "unit": "mm[Hg]"}, {"kind": "consciousness", "value": "alert"}]
        made = self.post({"patient": patient(SECRETS[0] + "-" + uuid.uuid4().hex[:6]), "age": 10, "by": "n-7", "readings": readings})
        return made, {one["kind"]: one["id"] for one in made["readings"]}

    def derived(self, made, role):
        return self.there(str(uuid.uuid5(uuid.UUID(made["set"]), role)))

    def test_a_set_with_its_score(self):
        made, ids = self.set_of()
        self.settled()
        panel = self.derived(made, "panel")
        self.assertEqual(0, self.derived(made, "score:news2")["valueQuantity"]["value"])
        first = self.corrected(ids["heart-rate"], reading={"value": 115})
        self.settled()
        score = self.derived(made, "score:news2")
        self.assertEqual((2, "corrected"), (score["valueQuantity"]["value"], score["status"]))
        self.assertEqual(panel, self.derived(made, "panel"))
        self.corrected(first["id"], reason="faulty-device", **{"entered-in-error": True})
        self.settled()
        self.assertEqual("entered-in-error", self.there(ids["heart-rate"])["status"])
        self.assertEqual(115, self.there(ids["heart-rate"])["valueQuantity"]["value"])
        self.assertEqual("entered-in-error", self.derived(made, "score:news2")["status"])
        after = self.derived(made, "panel")
        self.assertEqual(len(panel["hasMember"]) - 1, len(after["hasMember"]))
        self.assertNotIn(self.there(ids["heart-rate"])["id"], str(after["hasMember"]))
        self.assertEqual("retracted", self.get(first["id"])["state"])
        self.assertEqual(0, self.daemon.counts()["held"])

    def test_another_patient(self):
        id = self.one(value=66)
        self.settled()
        made = self.corrected(id, reason="wrong-patient", patient=patient(SECRETS[0] + "-b"))
        self.settled()
        self.assertEqual("entered-in-error", self.there(id)["status"])
        fresh = self.there(made["id"])
        self.assertEqual(("final", 66, SECRETS[0] + "-b"),
                         (fresh["status"], fresh["valueQuantity"]["value"], fresh["subject"]["identifier"]["value"]))

    def test_many_at_once(self):
        """In Bundles, with answers lost now and then: each is there once, with the last value."""
        ids = [self.one(value=60 + n, patient=patient("%s-m%d" % (SECRETS[0], n % 5))) for n in range(30)]
        self.far.fault(fault="lose-answer", probability=0.2, match={"method": "P(OST|UT)"})
        counting = {}
        for n, id in enumerate(ids):
            time.sleep(0.01)
            counting[id] = self.corrected(id, reading={"value": 100 - n % 10})["id"]
        for n, id in enumerate(ids[::3]):
            counting[id] = self.corrected(counting[id], reading={"value": 70 + n})["id"]
        time.sleep(1)
        self.far.calm()
        wait_until(lambda: self.daemon.counts()["waiting"] == 0, 60, lambda: str(self.daemon.ask("GET", "/v1/status").body))
        for id, now in counting.items():
            seen = self.get(now)
            self.assertEqual(("charted", seen["sent"]["value"]), (seen["state"], self.there(id)["valueQuantity"]["value"]), seen)
