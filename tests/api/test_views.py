"""Lists, the read-only FHIR view, health, metrics, the description of itself."""
import re

from support import WithDaemon, patient, reading

FORM = {"Content-Type": "application/x-www-form-urlencoded"}


class Views(WithDaemon):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.ids = [cls.daemon.post(reading(value=70 + n, patient=patient("XQ-77120-Z-v%d" % (n % 2)))).json["readings"][0]["id"]
                   for n in range(7)]

    def pages(self, path):
        seen = []
        for _ in range(10):
            answer = self.daemon.ask("GET", path)
            self.assertEqual(200, answer.status, answer.body)
            bundle = answer.json
            self.assertEqual(("Bundle", "searchset"), (bundle["resourceType"], bundle["type"]))
            seen += [entry["resource"]["id"] for entry in bundle.get("entry", [])]
            after = [link["url"] for link in bundle.get("link", []) if link["relation"] == "next"]
            if not after:
                return seen
            path = re.sub(r"^https?://[^/]*", "", after[0])
            path = path if path.startswith("/") else "/fhir/" + path
        self.fail("the pages do not end")

    def test_pages(self):
        self.assertEqual(sorted(self.ids), sorted(self.pages("/fhir/Observation?_count=3")))

    def test_search_by_get_and_post(self):
        term = "patient:identifier=https%3A%2F%2Fclinic.example%2Fmrn%7CXQ-77120-Z-v1"
        got = self.daemon.ask("GET", "/fhir/Observation?" + term).json
        self.assertEqual(sorted(self.ids[1::2]), sorted(e["resource"]["id"] for e in got["entry"]))
        posted = self.daemon.post(term, "/fhir/Observation/_search", headers=FORM).json
        self.assertEqual([e["resource"] for e in got["entry"]], [e["resource"] for e in posted["entry"]])
        self.assertEqual([], self.pages("/fhir/Observation?code=http://loinc.org%7C8310-5"))
        self.assertEqual(7, len(self.pages("/fhir/Observation?code=8867-4")))

    def test_a_term_it_does_not_know_is_not_ignored(self):
        answer = self.daemon.ask("GET", "/fhir/Observation?favourite=1")
        self.assertEqual((400, "OperationOutcome"), (answer.status, answer.json["resourceType"]))

    def test_patients(self):
        got = self.daemon.ask("GET", "/fhir/Patient").json
        self.assertEqual({"XQ-77120-Z-v0", "XQ-77120-Z-v1"}, {e["resource"]["identifier"][0]["value"] for e in got["entry"]})
        found = self.daemon.post("identifier=XQ-77120-Z-v1", "/fhir/Patient/_search", headers=FORM).json
        self.assertEqual(["XQ-77120-Z-v1"], [e["resource"]["identifier"][0]["value"] for e in found["entry"]])

    def test_full_urls_are_absolute(self):  # R4 bundle.html: fullUrl, "Absolute URL for resource"
        for entry in self.daemon.ask("GET", "/fhir/Observation").json["entry"]:
            self.assertRegex(entry["fullUrl"], r"^(https?://|urn:uuid:)")

    def test_nothing_found_is_no_empty_list(self):  # R4 json.html: an array is never empty
        for path in ("/fhir/Observation?code=http://loinc.org%7C8310-5", "/fhir/Patient?identifier=nobody"):
            found = self.daemon.ask("GET", path).json
            self.assertEqual(("Bundle", "searchset"), (found["resourceType"], found["type"]))
            self.assertNotIn("entry", found)

    def test_metadata_names_what_is_there(self):
        said = self.daemon.ask("GET", "/fhir/metadata").json
        self.assertEqual(("CapabilityStatement", "4.0.1"), (said["resourceType"], said["fhirVersion"]))
        self.assertEqual({"Observation", "Patient"}, {r["type"] for r in said["rest"][0]["resource"]})

    def test_list(self):
        got = self.daemon.post({"kind": "heart-rate", "state": "waiting"}, "/v1/readings/_search").json["readings"]
        self.assertEqual(self.ids[::-1], [one["id"] for one in got])
        self.assertEqual([], self.daemon.post({"kind": "pain"}, "/v1/readings/_search").json["readings"])
        self.assertNotIn("sent", got[0])
        sent = self.daemon.post({"kind": "heart-rate", "sent": True, "count": 1}, "/v1/readings/_search").json["readings"][0]["sent"]
        self.assertEqual("heart-rate", sent["readings"][0]["kind"] if "readings" in sent else sent["kind"])
        answer = self.daemon.post({"sent": "yes"}, "/v1/readings/_search")
        self.assertEqual((422, [("/sent", "wrong-type")]), (answer.status, answer.problems()))
        answer = self.daemon.post({"kid": "pain"}, "/v1/readings/_search")
        self.assertEqual((422, [("/kid", "unknown-field")]), (answer.status, answer.problems()))

    def test_kinds(self):
        said = self.daemon.ask("GET", "/v1/kinds").json
        self.assertIn("heart-rate", [kind["kind"] for kind in said["kinds"]])

    def test_metrics_grammar(self):  # OpenMetrics 1.0: a TYPE for each, counters end in _total, # EOF last
        answer = self.daemon.ask("GET", "/metrics")
        self.assertTrue(answer.headers["Content-Type"].startswith("application/openmetrics-text; version=1.0.0"))
        text = answer.body.decode()
        self.assertTrue(text.endswith("# EOF\n"))
        types, names = dict(re.findall(r"^# TYPE (\S+) (\S+)$", text, re.M)), set()
        for line in text.splitlines()[:-1]:
            self.assertRegex(line, r"^(# (TYPE|HELP|UNIT) \S+ .+|[a-z_:][a-z0-9_:]*(\{[^}]*\})? -?[0-9.]+)$")
            if not line.startswith("#"):
                name = line.split()[0].split("{")[0]
                family = name[:-6] if name.endswith("_total") else name
                self.assertEqual("counter" if name.endswith("_total") else "gauge", types[family])
                self.assertNotIn(line.split()[0], names)
                names.add(line.split()[0])
        self.assertIn("wardpost_readings_accepted_total 7\n", text)

    def test_openapi_is_what_is_there(self):
        answer = self.daemon.ask("GET", "/openapi.json")
        self.assertEqual("3.1.0", answer.json["openapi"])
        for path, methods in answer.json["paths"].items():
            for method, said in methods.items():
                if "text/event-stream" in said["responses"].get("200", {}).get("content", {}):
                    method = "head"  # the stream itself never ends
                there = path.replace("{id}", self.ids[0])
                got = self.daemon.ask(method.upper(), there, b"{}" if method == "post" else None)
                if "Patient/" in there and method == "get":
                    self.assertNotEqual(405, got.status)
                    continue
                self.assertNotIn(got.status, (404, 405, 500), (method, path))
        declared = list(answer.json["paths"]["/openapi.json"]["get"]["responses"]["200"]["content"])[0]
        self.assertEqual(declared, answer.headers["Content-Type"].split(";")[0])
