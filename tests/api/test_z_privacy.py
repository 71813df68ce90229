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
