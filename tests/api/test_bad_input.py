"""What bad input gets (issue 2): nothing stored, and a clear answer."""
import gzip
import json
import time

from support import WithDaemon, reading, patient, SYSTEM


def text(**changes):
    return json.dumps(reading(**changes))


def moment(seconds):
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time.time() + seconds))


# name, body, status, problems (pointer, code) in any order, words of the details
BODIES = [
    ("broken JSON, line and column", '{"kind": "heart-rate",\n "value": }', 400, [("", "malformed")], ["line 2, column 11"]),
    ("cut short", text()[:-5], 400, [("", "malformed")], ["line 1"]),
    ("empty", "", 400, [("", "malformed")], []),
    ("something behind it", text() + " x", 400, [("", "malformed")], []),
    ("no object", "[1]", 422, [("", "wrong-type")], []),
    ("a name twice", text()[:-1] + ', "value": 73}', 400, [("", "malformed")], ["twice"]),
    ("NaN", text().replace("72", "NaN"), 400, [("", "malformed")], ["NaN"]),
    ("Infinity", text().replace("72", "-Infinity"), 400, [("", "malformed")], []),
    ("1e400", text().replace("72", "1e400"), 400, [("", "malformed")], ["exponent"]),
    ("leading zero", text().replace("72", "072"), 400, [("", "malformed")], []),
    ("not UTF-8", text(note="zebra").encode().replace(b"zebra", b"\xff\xfe"), 400, [("", "malformed")], ["UTF-8"]),
    ("a lone surrogate", text(note="zebra").replace("zebra", "\\ud800"), 400, [("", "malformed")], []),
    ("deeply nested", "[" * 20000, 400, [("", "malformed")], []),
    ("a number in quotes", text(value="72"), 422, [("/value", "wrong-type")], ["without quotes"]),
    ("a value that is no number", text(value="fast"), 422, [("/value", "wrong-type")], []),
    ("a value that is a list", text(value=[72]), 422, [("/value", "wrong-type")], []),
    ("a patient that is a text", text(patient="x"), 422, [("/patient", "wrong-type")], []),
    ("unknown kind", text(kind="hart-rate"), 422, [("/kind", "unknown-kind")], ["heart-rate"]),
    ("no kind", text(kind=None), 422, [("/kind", "missing-field")], []),
    ("no value", text(value=None), 422, [("/value", "missing-field")], []),
    ("no unit", text(unit=None), 422, [("/unit", "missing-field")], []),
    ("unknown field", text(sit="radial-artery"), 422, [("/sit", "unknown-field")], ["site"]),
    ("unknown field of the patient", text(patient=patient(birthdate="1951-03-14")), 422,
     [("/patient/birthdate", "unknown-field")], ["birthDate"]),
    ("unknown unit", text(unit="furlong"), 422, [("/unit", "unknown-unit")], ["/min"]),
    ("unknown word", text(site="radial-arterie"), 422, [("/site", "unknown-word")], ["radial-artery"]),
    ("a pointer is escaped", text(**{"a/b~c": 1}), 422, [("/a~1b~0c", "unknown-field")], []),
    ("a day that does not exist", text(age=None, taken="2026-02-30T10:00:00Z"), 422, [("/taken", "bad-time")], []),
    ("no leap year", text(age=None, taken="2025-02-29T10:00:00Z"), 422, [("/taken", "bad-time")], []),
    ("hour 25", text(age=None, taken="2026-02-20T25:00:00Z"), 422, [("/taken", "bad-time")], []),
    ("no zone", text(age=None, taken="2026-02-20T10:00:00"), 422, [("/taken", "bad-time")], ["zone"]),
    ("the future", text(age=None, taken=moment(3600)), 422, [("/taken", "future-time")], []),
    ("no time", text(age=None), 422, [("/taken", "missing-field")], []),
    ("a birth date that does not exist", text(patient=patient(birthDate="1951-02-29")), 422,
     [("/patient/birthDate", "bad-time")], []),
    ("patient without identifier", text(patient={"family": "Quillfeather"}), 422,
     [("/patient/identifier", "missing-field")], []),
    ("patient with half an identifier", text(patient={"identifier": {"system": SYSTEM}}), 422,
     [("/patient/identifier/value", "missing-field")], []),
    ("no patient, nobody enrolled", text(patient=None), 422, [("/patient", "missing-field")], []),
    ("an id that is no UUID", text(id="12"), 422, [("/id", "malformed")], []),
    ("an empty set", json.dumps({"patient": patient(), "age": 1, "readings": []}), 422, [("/readings", "missing-field")], []),
    ("two hundred readings", json.dumps({"patient": patient(), "age": 1, "readings": [
        {"kind": "heart-rate", "value": 72, "unit": "/min"}] * 200}), 422, [("/readings", "too-many")], ["100"]),
    ("all faults at once", text(value="72", unit="furlong", sit=1, age=None, taken="2026-02-30T10:00:00Z", patient={}), 422,
     [("/value", "wrong-type"), ("/unit", "unknown-unit"), ("/sit", "unknown-field"), ("/taken", "bad-time"),
      ("/patient/identifier", "missing-field")], []),
    ("the third of a set", json.dumps({"patient": patient(), "age": 1, "readings": [
        {"kind": "heart-rate", "value": 72, "unit": "/min"}, {"kind": "oxygen-saturation", "value": 97, "unit": "%"},
        {"kind": "body-temperature", "value": 37, "unit": "furlong"}]}), 422, [("/readings/2/unit", "unknown-unit")], ["Cel"]),
]

GZIP = {"Content-Encoding": "gzip"}
PACKED = gzip.compress(text().encode())


class BadInput(WithDaemon):
    def test_each_body(self):
        for name, body, status, problems, words in BODIES:
            with self.subTest(name):
                answer = self.kept_nothing(body)
                self.assertEqual(status, answer.status, answer.body)
                self.assertEqual("application/problem+json", answer.headers["Content-Type"].split(";")[0])
                self.assertEqual(status, answer.json["status"])
                self.assertEqual(sorted(problems), sorted(answer.problems()), answer.body)
                for word in words:
                    self.assertIn(word, answer.details())

    def test_the_reading_they_vary_is_good(self):
        self.taken(reading())

    def test_ten_megabytes(self):
        answer = self.kept_nothing(text(note="x" * 10_000_000))
        self.assertEqual(413, answer.status)

    def test_a_body_larger_than_it_says_nothing_about(self):
        answer = self.kept_nothing(iter([b"[" * 65536] * 40), headers={"Transfer-Encoding": "chunked",
                                                                      "Content-Type": "application/json"})
        self.assertEqual(413, answer.status)

    def test_types_and_codings(self):
        rows = [("text/plain", None, 415), ("application/xml", None, 415), ("", None, 415),
                ("application/jsonx", None, 415), ("application/json", "br", 415), ("application/json", "gzip, gzip", 415)]
        for kind, coding, status in rows:
            with self.subTest((kind, coding)):
                headers = {"Content-Type": kind, **({"Content-Encoding": coding} if coding else {})}
                self.assertEqual(status, self.kept_nothing(text(), headers=headers).status)

    def test_a_charset_does_no_harm(self):
        self.assertEqual(201, self.daemon.post(text(), headers={"Content-Type": "application/json; charset=utf-8"}).status)

    def test_gzip_that_is_good(self):
        self.assertEqual(201, self.daemon.post(PACKED, headers=GZIP).status)

    def test_gzip_that_is_not(self):
        rows = [("cut short", PACKED[:-9]), ("last byte gone", PACKED[:-1]), ("no gzip", text().encode()),
                ("a bit turned over", PACKED[:30] + bytes([PACKED[30] ^ 0x55]) + PACKED[31:]),
                ("something behind it", PACKED + b"tail"), ("nothing", b"")]
        for name, body in rows:
            with self.subTest(name):
                answer = self.kept_nothing(body, headers=GZIP)
                self.assertEqual(400, answer.status, answer.body)

    def test_gzip_bomb(self):
        begun = time.monotonic()
        bomb = gzip.compress(b" " * 300_000_000, 6)
        self.assertLess(len(bomb), 1 << 20)
        packed = time.monotonic()
        self.assertEqual(413, self.kept_nothing(bomb, headers=GZIP).status)
        self.assertLess(time.monotonic() - packed, max(2, packed - begun))

    def test_set_is_all_or_nothing(self):
        answer = self.kept_nothing({"patient": patient(), "age": 1, "readings": [
            {"kind": "heart-rate", "value": 72, "unit": "/min"}, {"kind": "pain", "value": 11}]})
        self.assertEqual(422, answer.status)
        self.assertTrue(all(pointer.startswith("/readings/1/") for pointer, _ in answer.problems()), answer.body)

    def test_nothing_personal_in_the_answer(self):
        answer = self.kept_nothing(text(value="72", unit="furlong"))
        self.assertNotIn(b"Quillfeather", answer.body)
        self.assertNotIn(b"1951-03-14", answer.body)
