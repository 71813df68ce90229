"""Last of all: nothing personal in the logs and metrics of the daemons of all tests before."""
import unittest

import support


class Privacy(unittest.TestCase):
    def test_logs(self):
        daemon = support.Daemon()
        daemon.post(support.reading(by=support.SECRETS[3], note=support.SECRETS[4]))
        daemon.post(support.reading(by=support.SECRETS[3], note=support.SECRETS[4], value="72"))
        daemon.ask("GET", "/fhir/Observation?patient:identifier=" + support.SECRETS[0])
        metrics = daemon.ask("GET", "/metrics").body.decode()
        daemon.stop()
        self.assertIn("listens", daemon.said())  # the log is where we look
        for one in support.everything:
            for secret in support.SECRETS + support.TOKENS:
                self.assertNotIn(secret, one.said())
                self.assertNotIn(secret, metrics)

    def test_a_number_without_quotes_is_not_said_again(self):
        number = "0077120355"  # no number in JSON: a leading zero
        daemon = support.Daemon(config="")
        token = daemon.enrol("hall", "--attended")
        sent = '{"patient": {"identifier": {"system": "%s", "value": %s}}, "kind": "heart-rate"}' % (support.SYSTEM, number)
        answer = daemon.ask("POST", "/v1/readings", sent, token=token)
        self.assertEqual(([("", "malformed")], 400), (answer.problems(), answer.status))
        self.assertNotIn(number, answer.body.decode())
        with open(daemon.clients, "w", encoding="ascii") as file:
            file.write('{"clients": [{"name": "hall", "practitioners": [%s]}]}' % number)
        self.assertEqual(401, daemon.ask("GET", "/v1/status", token="of nobody").status)
        daemon.stop()
        self.assertIn("clients file is broken", daemon.said())
        self.assertNotIn(number, daemon.said())
