"""NDJSON: line by line, mixed, long, and left in the middle."""
import gzip
import json
import socket
import uuid

from support import WithDaemon, reading, wait_until

NDJSON = {"Content-Type": "application/x-ndjson"}


def lines(answer):
    return [json.loads(line) for line in answer.body.decode().splitlines()]


class Bulk(WithDaemon):
    def test_good_and_bad_mixed(self):
        sent = [json.dumps(reading()), "{bad", json.dumps(reading(unit="furlong")), json.dumps(reading(value=170)),
                json.dumps(reading(value=73)), '"text"', "\ufffd".encode("utf-16").hex()]
        before = self.daemon.counts()["waiting"]
        answer = self.daemon.post("\n".join(sent) + "\n", headers=NDJSON)
        self.assertEqual((200, "application/x-ndjson"), (answer.status, answer.headers["Content-Type"]))
        got = lines(answer)
        self.assertEqual(list(range(1, len(sent) + 1)), [one["line"] for one in got])
        self.assertEqual([201, 400, 422, 422, 201, 400, 400], [one["status"] for one in got], got)
        self.assertEqual([("/unit", "unknown-unit")], [(e["pointer"], e["code"]) for e in got[2]["errors"]])
        self.assertEqual([("/value", "confirm")], [(e["pointer"], e["code"]) for e in got[3]["errors"]])
        self.assertEqual(before + 2, self.daemon.counts()["waiting"])

    def test_line_numbers_count_blank_lines(self):
        answer = self.daemon.post("\n".join([json.dumps(reading()), "", "", "{bad"]), headers=NDJSON)
        self.assertEqual((4, 400), (lines(answer)[-1]["line"], lines(answer)[-1]["status"]))

    def test_line_ends(self):
        for end, last in [("\r\n", "\r\n"), ("\n", ""), ("\n", "\n")]:
            got = lines(self.daemon.post(json.dumps(reading()) + end + json.dumps(reading()) + last, headers=NDJSON))
            self.assertEqual([201, 201], [one["status"] for one in got])

    def test_thousands(self):
        sent = [json.dumps(reading(id=str(uuid.uuid4()))) for _ in range(3000)]
        before = self.daemon.counts()["waiting"]
        for body, headers in [("\n".join(sent).encode(), NDJSON),
                              (gzip.compress("\n".join(sent).encode(), 1), {**NDJSON, "Content-Encoding": "gzip"})]:
            got = lines(self.daemon.post(body, headers=headers, timeout=30))
            self.assertEqual([(n, 201) for n in range(1, 3001)], [(one["line"], one["status"]) for one in got])
            self.assertEqual([json.loads(s)["id"] for s in sent], [one["answer"]["readings"][0]["id"] for one in got])
            self.assertEqual(before + 3000, self.daemon.counts()["waiting"])  # the second time each was there already

    def test_a_line_that_is_too_long(self):
        got = lines(self.daemon.post(json.dumps(reading(note="x" * 2_000_000)) + "\n" + json.dumps(reading()), headers=NDJSON))
        self.assertEqual([413, 201], [one["status"] for one in got], got)

    def test_a_body_that_is_too_long(self):
        self.assertEqual(413, self.daemon.post(b"\n" * (17 << 20), headers=NDJSON).status)

    def test_a_set_is_a_line(self):
        one = {"kind": "heart-rate", "value": 72, "unit": "/min"}
        whole = reading(kind=None, value=None, unit=None, readings=[one, {"kind": "pain", "value": 0}])
        got = lines(self.daemon.post(json.dumps(whole), headers=NDJSON))
        self.assertEqual(2, len(got[0]["answer"]["readings"]))

    def test_sender_that_leaves_in_the_middle(self):
        """Whole lines before the break are taken or not, each wholly; what is sent again is not there twice."""
        sent = [json.dumps(reading(id=str(uuid.uuid4()))) for _ in range(50)]
        before = self.daemon.counts()["waiting"]
        text = "\n".join(sent).encode()
        with socket.create_connection(("127.0.0.1", self.daemon.port), timeout=5) as wire:
            wire.sendall(b"POST /v1/readings HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nContent-Type: application/x-ndjson\r\n"
                         b"Content-Length: %d\r\n\r\n" % (self.daemon.port, len(text)) + text[:len(text) // 2])
            wait_until(lambda: self.daemon.counts()["waiting"] > before, 5, "the first lines to be on disk")
        self.assertLessEqual(self.daemon.counts()["waiting"], before + 25)
        got = lines(self.daemon.post(text, headers=NDJSON))
        self.assertEqual([201] * 50, [one["status"] for one in got])
        self.assertEqual(before + 50, self.daemon.counts()["waiting"])

    def test_one_reading_cut_in_the_middle_is_not_kept(self):
        body = json.dumps(reading()).encode()
        before = self.daemon.counts()
        with socket.create_connection(("127.0.0.1", self.daemon.port), timeout=5) as wire:
            wire.sendall(b"POST /v1/readings HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nContent-Type: application/json\r\n"
                         b"Content-Length: %d\r\n\r\n" % (self.daemon.port, len(body) + 1) + body)
        self.assertEqual(200, self.daemon.ask("GET", "/health/live").status)
        self.assertEqual(before, self.daemon.counts())
