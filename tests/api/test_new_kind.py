"""A kind that is added as data alone is charted on a far end that validates."""
import json
import os
import shutil
import subprocess
import tempfile
import unittest

from support import MAPPINGS, ROOT, SCRATCH, Daemon, free_port, patient, reading, wait_until

# LOINC 8280-0, a waist circumference: from memory; the table has no such kind.
WAIST = {"kind": "waist", "title": "Waist", "order": 99,
         "category": {"system": "category", "code": "exam", "display": "Exam"},
         "code": [{"system": "loinc", "code": "8280-0"}],
         "parts": {"value": {"title": "Waist", "type": "quantity", "unit": "cm", "accepts": ["cm", "[in_i]"],
                             "limits": [{"grade": "refuse", "below": 10, "above": 400, "source": "invented for this test"}]}}}


@unittest.skipUnless(os.path.isdir(os.environ.get("FAR_END_HOME", ROOT + "/build/far_end") + "/node_modules"), "no far end is installed")
class NewKind(unittest.TestCase):
    def test_it_is_charted(self):
        table = os.path.join(tempfile.mkdtemp(dir=SCRATCH), "mappings")
        shutil.copytree(MAPPINGS, table)
        with open(table + "/kinds/waist.json", "w") as out:
            json.dump(WAIST, out)
        port = free_port()
        far = subprocess.Popen(["node", ROOT + "/tests/far_end/server.mjs", "--port", str(port), "--data", tempfile.mkdtemp(dir=SCRATCH)],
                               env={**os.environ, "FAR_END_HOME": os.environ.get("FAR_END_HOME", ROOT + "/build/far_end")},
                               stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, stdin=subprocess.DEVNULL)
        try:
            daemon = Daemon(mappings=table, arguments=["--server", "http://127.0.0.1:%d/fhir" % port])
            taken = daemon.post(reading(kind="waist", value=34, unit="[in_i]", patient=patient()))
            self.assertEqual(201, taken.status, taken.body)
            identity = taken.json["readings"][0]["id"]
            seen = wait_until(lambda: (lambda s: s if s["state"] != "waiting" else None)(
                daemon.ask("GET", "/v1/readings/" + identity).json), 25, daemon.said)
            self.assertEqual("charted", seen["state"], seen)
            self.assertEqual(86.4, daemon.ask("GET", "/fhir/Observation/" + identity).json["valueQuantity"]["value"])  # 34 x 2.54
            self.assertEqual(0, daemon.stop())
        finally:
            far.terminate()
            far.wait(10)
