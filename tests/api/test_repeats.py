"""A reading that is sent again, and Idempotency-Key."""
import json
import socket
import time
import uuid

from support import WithDaemon, Daemon, reading


class Ids(WithDaemon):
    def test_the_same_again_answers_the_same_and_keeps_one(self):
        body = reading(id=str(uuid.uuid4()), taken="2026-01-05T10:00:00Z", age=None, confirmed=True)
        first = self.daemon.post(body)
        self.assertEqual(201, first.status, first.body)
        self.assertEqual("/v1/readings/" + body["id"], first.headers["Location"])
        kept = self.daemon.counts()
        for again in (body, dict(reversed(body.items()))):
            second = self.daemon.post(again)
            self.assertEqual(first.status, second.status)
            self.assertEqual(first.json, second.json)
        self.assertEqual(kept, self.daemon.counts())

    def test_another_content_under_an_id(self):
        body = reading(id=str(uuid.uuid4()), taken="2026-01-05T10:00:00Z", age=None, confirmed=True)
        self.taken(body)
        for name, change in [("value", {"value": 73}), ("digits", {"value": 72.0}), ("note", {"note": "x"}),
                             ("time", {"taken": "2026-01-05T10:00:01Z"})]:
            with self.subTest(name):
                answer = self.kept_nothing({**body, **change})
                self.assertEqual((409, [("/id", "id-conflict")]), (answer.status, answer.problems()), answer.body)

    def test_a_resolved_age_and_the_confirmation_are_not_content(self):
        body = reading(id=str(uuid.uuid4()))
        first = self.taken(body)
        kept = self.daemon.counts()
        self.assertEqual(first, self.taken({**body, "age": 31}))
        self.assertEqual(first, self.taken({**body, "confirmed": True}))
        self.assertEqual(kept, self.daemon.counts())

    def test_upper_case_is_the_same_id(self):
        body = reading(id=str(uuid.uuid4()))
        first = self.taken(body)
        self.assertEqual(first, self.taken({**body, "id": body["id"].upper()}))

    def test_one_id_twice_in_a_set(self):
        one = {"id": str(uuid.uuid4()), "kind": "heart-rate", "value": 72, "unit": "/min"}
        whole = reading(kind=None, value=None, unit=None, readings=[one, {**one, "value": 73}])
        answer = self.kept_nothing(whole)
        self.assertEqual(422, answer.status, answer.body)
        self.assertIn(("/readings/1/id", "inconsistent"), answer.problems())

    def test_ids_survive_a_restart_of_the_same_store(self):
        daemon = Daemon()
        body = reading(id=str(uuid.uuid4()))
        first = daemon.post(body).json
        daemon.stop()
        again = Daemon(arguments=["--store", daemon.folder + "/w.db"])
        self.assertEqual(first, again.post(body).json)
        self.assertEqual(1, again.counts()["waiting"])
        again.stop()


class Keys(WithDaemon):
    def test_key_and_the_same_body(self):
        key = {"Idempotency-Key": '"%s"' % uuid.uuid4()}
        body = json.dumps(reading())
        first = self.taken(body, headers=key)
        kept = self.daemon.counts()
        self.assertEqual(first, self.taken(body, headers=key))
        self.assertEqual(kept, self.daemon.counts())

    def test_key_and_another_body(self):
        key = {"Idempotency-Key": '"%s"' % uuid.uuid4()}
        self.taken(reading(), headers=key)
        self.assertEqual(422, self.kept_nothing(reading(value=73), headers=key).status)

    def test_a_refusal_does_not_bind_a_key(self):
        key = {"Idempotency-Key": '"%s"' % uuid.uuid4()}
        self.assertEqual(422, self.kept_nothing(reading(value=170), headers=key).status)
        self.taken(reading(value=170, confirmed=True), headers=key)

    def test_without_a_key_each_is_a_reading(self):
        kept = self.daemon.counts()["waiting"]
        self.assertNotEqual(self.taken(reading()), self.taken(reading()))
        self.assertEqual(kept + 2, self.daemon.counts()["waiting"])

    def test_a_key_whose_first_request_is_not_finished(self):
        key, body = '"%s"' % uuid.uuid4(), json.dumps(reading()).encode()
        with socket.create_connection(("127.0.0.1", self.daemon.port), timeout=5) as wire:
            wire.sendall(b"POST /v1/readings HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nConnection: close\r\n" +
                         b"Idempotency-Key: " + key.encode() + b"\r\nContent-Length: %d\r\n\r\n" % len(body) + body[:20])
            time.sleep(0.3)  # its headers are looked at
            second = self.daemon.post(body, headers={"Idempotency-Key": key})
            self.assertEqual(409, second.status)
            self.assertEqual("still under way", second.json["title"])
            wire.sendall(body[20:])
            first = b""
            while got := wire.recv(65536):
                first += got
        self.assertTrue(first.startswith(b"HTTP/1.1 201"), first[:40])
        again = self.daemon.post(body, headers={"Idempotency-Key": key})
        self.assertEqual(201, again.status)
        self.assertEqual(json.loads(first.split(b"\r\n\r\n", 1)[1]), again.json)

    def test_a_key_that_is_too_long(self):
        self.assertEqual(400, self.kept_nothing(reading(), headers={"Idempotency-Key": "k" * 256}).status)
