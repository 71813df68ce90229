"""Who the patients are: imported, searched, named by readings. All of them are invented."""
import json

from support import SECRETS, SYSTEM, WithDaemon, patient, reading, scratch_file, tool

NDJSON = {"Content-Type": "application/x-ndjson"}
CSV = {"Content-Type": "text/csv; charset=utf-8"}
HEADING = "system,value,family,given,birthDate,gender,ward,bed,active\r\n"


def csv(*rows, heading=HEADING):
    return (heading + "".join(row + "\r\n" for row in rows)).encode()


def one(value, **more):
    return {"identifier": {"system": SYSTEM, "value": value}, **more}


class Patients(WithDaemon):
    def imported(self, body, headers=NDJSON, **more):
        answer = self.daemon.post(body, "/v1/patients", headers=headers, **more)
        self.assertEqual(200, answer.status, answer.body)
        self.assertEqual("application/x-ndjson", answer.headers["Content-Type"])
        return [json.loads(line) for line in answer.body.splitlines()]

    def lines(self, *patients):
        return self.imported("".join(json.dumps(p) + "\n" for p in patients))

    def found(self, **question):
        answer = self.daemon.post(question, "/v1/patients/_search")
        self.assertEqual(200, answer.status, answer.body)
        self.assertEqual("none", answer.json["server"])
        return answer.json["patients"]

    def values(self, **question):
        return [p["identifier"]["value"] for p in self.found(**question)]

    def refused(self, question):
        answer = self.daemon.post(question, "/v1/patients/_search")
        self.assertEqual(422, answer.status, answer.body)
        return answer.problems()

    def test_a_patient_is_found_each_way(self):
        self.assertEqual([{"line": 1, "status": 200}, {"line": 2, "status": 200}], self.lines(
            one("A-1", family="Gar\u00e7on-Ib\u00e9", given="Ada", birthDate="1960-02-29", gender="female", ward="West", bed="4"),
            one("A-2", family="Garcon", given="Bo", birthDate="1960-02-29", ward="West")))
        found = self.found(identifier={"system": SYSTEM, "value": "A-1"})
        self.assertEqual(1, len(found))
        self.assertRegex(found[0].pop("seen"), r"^20\d\d-\d\d-\d\dT[\d:.]+Z$")
        self.assertEqual({"identifier": {"system": SYSTEM, "value": "A-1"}, "family": "Gar\u00e7on-Ib\u00e9", "given": "Ada",
                          "birthDate": "1960-02-29", "gender": "female", "ward": "West", "bed": "4", "active": True,
                          "source": "import", "alike": False}, found[0])
        self.assertEqual(["A-1"], self.values(identifier="A-1"))
        self.assertEqual(["A-2", "A-1"], self.values(family="GARCON"))
        self.assertEqual(["A-1"], self.values(family="garconi"))
        self.assertEqual(["A-2"], self.values(family="ga", given="b"))
        self.assertEqual(["A-2", "A-1"], self.values(birthDate="1960-02-29"))
        self.assertEqual(["A-1"], self.values(birthDate="1960-02-29", family="garcon ibe"))
        self.assertEqual(["A-2", "A-1"], self.values(ward="West"))
        self.assertEqual(["A-2"], self.values(ward="West", count=1))
        self.assertEqual([], self.values(identifier={"system": "https://other.example/id", "value": "A-1"}))
        self.assertEqual([], self.values(identifier="A-3"))

    def test_alike_names_are_told(self):
        self.lines(one("B-1", family="Twinname"), one("B-2", family="TWIN-NAME", active=True), one("B-3", family="Twinnamex"))
        self.assertEqual({"B-1": True, "B-2": True, "B-3": False},
                         {p["identifier"]["value"]: p["alike"] for p in self.found(family="twin")})

    def test_a_later_import_moves_and_discharges(self):
        self.lines(one("C-1", family="Mover", ward="East", bed="1"))
        self.lines(one("C-1", ward="North"))
        self.assertEqual([("North", None, "Mover")], [(p["ward"], p.get("bed"), p["family"]) for p in self.found(identifier="C-1")])
        self.lines(one("C-1", ward="North", active=False))
        self.assertEqual([], self.values(ward="North"))
        self.assertEqual([False], [p["active"] for p in self.found(identifier="C-1")])

    def test_wrong_lines_are_answered_and_the_others_taken(self):
        body = "\n".join(["\ufeff" + json.dumps(one("D-1")), "", "{", json.dumps(one("D-2", birthDate="1960-02-30")), json.dumps({"family": "Nobody"}),
                          json.dumps(one("D-3", room="7")), json.dumps(one("D-4", gender="f")), json.dumps([]), json.dumps(one("D-5", active="yes")),
                          json.dumps(one("D|6")), json.dumps(one("D-7", family="x" * 101)), json.dumps(one("D-8"))])
        lines = self.imported(body.encode())
        self.assertEqual([(1, 200), (3, 422), (4, 422), (5, 422), (6, 422), (7, 422), (8, 422), (9, 422), (10, 422), (11, 422), (12, 200)],
                         [(line["line"], line["status"]) for line in lines])
        self.assertEqual([("", "malformed"), ("/birthDate", "bad-time"), ("/identifier", "missing-field"), ("/room", "unknown-field"),
                          ("/gender", "unknown-word"), ("", "wrong-type"), ("/active", "wrong-type"), ("/identifier/value", "malformed"),
                          ("/family", "too-long")],
                         [(line["errors"][0]["pointer"], line["errors"][0]["code"]) for line in lines if line["status"] == 422])
        self.assertEqual(["D-1"], self.values(identifier="D-1"))
        self.assertEqual([], self.values(identifier="D-2"))

    def test_csv(self):
        lines = self.imported(b"\xef\xbb\xbf" + csv('%s,E-1,"Quote, ""Q""",Ada,1970-01-01,other,South,2,true' % SYSTEM, "%s,E-2,Low,,,,,,false" % SYSTEM,
                                                    "%s,E-3,too,few" % SYSTEM, '%s,E-4,"open' % SYSTEM), CSV)
        self.assertEqual([(2, 200), (3, 200), (4, 422), (5, 422)], [(line["line"], line["status"]) for line in lines])
        self.assertIn("4 cells", lines[2]["errors"][0]["detail"])
        found = self.found(identifier="E-1")[0]
        self.assertEqual(('Quote, "Q"', "Ada", "1970-01-01", "other", "South", "2", True),
                         tuple(found[n] for n in ("family", "given", "birthDate", "gender", "ward", "bed", "active")))
        self.assertEqual({"identifier": {"system": SYSTEM, "value": "E-2"}, "family": "Low", "active": False, "source": "import", "alike": False},
                         {n: v for n, v in self.found(identifier="E-2")[0].items() if n != "seen"})

    def test_csv_that_is_none(self):
        for body in (b"", b"\xef\xbb\xbf", b"value;family\r\nF-1;x\r\n", b"value,room\r\nF-1,7\r\n", b"value,value\r\nF-1,F-2\r\n",
                     b"family\r\nx\r\n", b'value,"fam\r\n', b"\xff\xfe" + "value".encode("utf-16-le")):
            answer = self.daemon.post(body, "/v1/patients", headers=CSV)
            self.assertEqual(422, answer.status, (body, answer.body))
            self.assertTrue(answer.problems(), body)
        lines = self.imported(csv("%s,F-\xff,x,,,,,," % SYSTEM).replace(b"\xc3\xbf", b"\xff"), CSV)
        self.assertEqual([422], [line["status"] for line in lines])
        lines = self.imported(csv("%s,F-\x01,x,,,,,,perhaps" % SYSTEM, "%s,F-9,,,,,,,perhaps" % SYSTEM), CSV)
        self.assertEqual(["malformed", "wrong-type"], [line["errors"][0]["code"] for line in lines])

    def test_an_import_that_is_empty_or_of_another_kind(self):
        self.assertEqual([], self.imported(b"\n\n"))
        self.assertEqual(415, self.daemon.post(b"{}", "/v1/patients").status)
        self.assertEqual(405, self.daemon.ask("GET", "/v1/patients").status)

    def test_many_lines_in_one_import(self):
        patients = [one("G-%05d" % n, family="Crowd", ward="Big") for n in range(5000)]
        lines = self.lines(*patients)
        self.assertEqual([200] * 5000, [line["status"] for line in lines])
        self.assertEqual(["G-04999"], self.values(identifier="G-04999"))
        self.assertEqual(50, len(self.values(ward="Big")))

    def test_too_many_lines(self):
        line = b'{"identifier":{"system":"urn:x","value":"H-1"}}\n'
        answer = self.daemon.post(line * 50001, "/v1/patients", headers=NDJSON, timeout=60)
        self.assertEqual(413, answer.status, answer.body)
        self.assertEqual([], self.values(identifier="H-1"))
        self.assertEqual(50000, len(self.imported(line * 50000, timeout=60)))
        self.assertEqual(["H-1"], self.values(identifier="H-1"))

    def test_a_reading_makes_its_patient_known(self):
        self.taken(reading(patient=patient("I-1")))
        found = self.found(identifier="I-1")
        self.assertEqual([("reading", SECRETS[1], SECRETS[2])], [(p["source"], p["family"], p["birthDate"]) for p in found])
        self.lines(one("I-1", family="Truename", ward="West"))
        self.taken(reading(patient=patient("I-1"), kind="respiratory-rate", value=16))
        self.assertEqual([("import", "Truename", SECRETS[2])],
                         [(p["source"], p["family"], p["birthDate"]) for p in self.found(identifier="I-1")])

    def test_questions_that_are_none(self):
        self.assertEqual([("", "missing-field")], self.refused({}))
        self.assertEqual([("", "missing-field")], self.refused({"given": "Ada"}))
        self.assertEqual([("/family", "malformed")], self.refused({"family": "x"}))
        self.assertEqual([("/family", "malformed")], self.refused({"family": "''-"}))
        self.assertEqual([("", "not-allowed")], self.refused({"family": "xy", "ward": "West"}))
        self.assertEqual([("", "not-allowed")], self.refused({"identifier": "A-1", "birthDate": "1960-02-29"}))
        self.assertEqual([("/birthDate", "bad-time")], self.refused({"birthDate": "29-FEB-1960"}))
        self.assertEqual([("/identifier/value", "missing-field")], self.refused({"identifier": {"system": SYSTEM}}))
        self.assertEqual([("/count", "implausible")], self.refused({"family": "xy", "count": 51}))
        self.assertEqual([("/room", "unknown-field")], self.refused({"family": "xy", "room": "7"}))
        self.assertEqual([("/identifier", "wrong-type")], self.refused({"identifier": 7}))
        self.assertEqual(400, self.daemon.post(b"{", "/v1/patients/_search").status)

    def test_hostile_texts_come_back_as_they_were(self):
        names = ["<script>alert(1)</script>", "\u202ereversed", "%_'\"; DROP TABLE entry; --", "\U0001F600\U0001F600", "x" * 100]
        self.lines(*[one("J-%d" % n, family=name, ward="J") for n, name in enumerate(names)])
        self.assertEqual(sorted(names), sorted(p["family"] for p in self.found(ward="J")))
        self.assertEqual(["J-2"], self.values(family="%_'\"; drop"))
        self.assertEqual([], self.values(family="zz%"))

    def test_the_tool(self):
        at = "http://127.0.0.1:%d" % self.daemon.port
        done = tool("patients", scratch_file("list.csv", csv("%s,K-1,Tool,,,,,," % SYSTEM).decode()), "--daemon", at)
        self.assertEqual((0, {"line": 2, "status": 200}), (done.returncode, json.loads(done.stdout)))
        done = tool("patients", scratch_file("list.ndjson", json.dumps(one("K-2"))), "--daemon", at)
        self.assertEqual((0, {"line": 1, "status": 200}), (done.returncode, json.loads(done.stdout)))
        self.assertEqual(["K-1"], self.values(identifier="K-1"))
        self.assertEqual(["K-2"], self.values(identifier="K-2"))


class WithSystems(WithDaemon):
    config = 'patients {\n system = "%s"\n systems = "https://clinic.example/visit https://clinic.example/study"\n}' % SYSTEM

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.token = cls.daemon.enrol("office", "--may", "read,decide")
        cls.reader = cls.daemon.enrol("tablet", "--may", "read,send")

    def test_a_number_alone_is_of_a_listed_system(self):
        gsrn = "401234567890123450"  # invented; its check digit is right
        rows = [(SYSTEM, "1"), ("https://clinic.example/study", "2"), ("https://elsewhere.example/id", "1"), ("https://id.gs1.org/8018", gsrn),
                ("https://id.gs1.org/8018", gsrn[:-1] + "8"), ("https://id.gs1.org/8018", "1")]
        body = "".join(json.dumps({"identifier": {"system": s, "value": v}}) + "\n" for s, v in rows)
        body += json.dumps({"identifier": {"value": "3"}}) + "\n"  # of patients.system
        answer = self.daemon.post(body.encode(), "/v1/patients", headers=NDJSON, token=self.token)
        self.assertEqual([200] * 7, [json.loads(line)["status"] for line in answer.body.splitlines()])
        for value, systems in (("1", [SYSTEM]), ("2", ["https://clinic.example/study"]), ("3", [SYSTEM]), (gsrn, ["https://id.gs1.org/8018"]),
                               (gsrn[:-1] + "8", [])):
            found = self.daemon.post({"identifier": value}, "/v1/patients/_search", token=self.reader).json["patients"]
            self.assertEqual(systems, [p["identifier"]["system"] for p in found], value)

    def test_rights(self):
        line = json.dumps(one("L-1")).encode()
        self.assertEqual(403, self.daemon.post(line, "/v1/patients", headers=NDJSON, token=self.reader).status)
        self.assertEqual(401, self.daemon.post(line, "/v1/patients", headers=NDJSON).status)
        self.assertEqual(401, self.daemon.post({"family": "xy"}, "/v1/patients/_search").status)
        sender = self.daemon.enrol("cuff", "--may", "send")
        self.assertEqual(403, self.daemon.post({"family": "xy"}, "/v1/patients/_search", token=sender).status)
