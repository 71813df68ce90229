"""Signals, the service manager, settings."""
import json
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
import unittest

import support
from support import BUILD, MAPPINGS, SCRATCH, Daemon, reading, scratch_file, wait_until


def check(text):
    path = scratch_file("wardpost.conf", text)
    return path, subprocess.run([os.path.join(BUILD, "wardpostd"), "--config", path, "--mappings", MAPPINGS, "--check"],
                                capture_output=True, text=True, timeout=10)


class Settings(unittest.TestCase):
    def test_faults_are_said_with_file_and_line(self):
        rows = [("unknown name", "intake {\n thread = \"2\"\n}\n", 2), ("unknown section", "\nintak {\n}\n", 2),
                ("no number", "intake {\n\n threads = \"two\"\n}\n", 3), ("too large", "intake {\n threads = \"65\"\n}\n", 2),
                ("no such choice", "courier {\n way = \"pigeon\"\n}\n", 2), ("not closed", "\nintake {\n threads = \"2\"\n", 2)]
        for name, text, line in rows:
            with self.subTest(name):
                path, done = check(text)
                self.assertEqual(78, done.returncode, done.stderr)
                self.assertIn("%s:%d" % (path, line), done.stderr)

    def test_a_good_one(self):
        _, done = check('access {\n clients = "/nowhere/clients.json"\n}\nintake {\n threads = "3"\n}\n')
        self.assertEqual(0, done.returncode, done.stderr)

    def test_a_distant_server_is_refused(self):
        for server in ("http://fhir.example/r4", "http://127.0.0.1@fhir.example/", "http://127.0.0.1.fhir.example/"):
            _, done = check('courier {\n server = "%s"\n}\n' % server)
            self.assertEqual(78, done.returncode, server)

    def test_demo_only_on_loopback(self):
        done = subprocess.run([os.path.join(BUILD, "wardpostd"), "--demo", "--listen", "0.0.0.0:%d" % support.free_port(),
                               "--store", SCRATCH + "/never.db"], capture_output=True, text=True, timeout=10)
        self.assertNotEqual(0, done.returncode)


class Signals(unittest.TestCase):
    def test_broken_table_keeps_the_old_one_and_a_good_one_is_taken(self):
        table = os.path.join(tempfile.mkdtemp(dir=SCRATCH), "mappings")
        shutil.copytree(MAPPINGS, table)
        daemon = Daemon(mappings=table)
        version = daemon.ask("GET", "/v1/status").json["table"]
        path = os.path.join(table, "kinds", "heart-rate.json")
        with open(path) as file:
            good = file.read()
        for text, words in [(good[:-20], "stays in force"), (good.replace('"/min"', '"furlong"'), "stays in force")]:
            with open(path, "w") as file:
                file.write(text)
            before = daemon.said().count(words)
            daemon.process.send_signal(signal.SIGHUP)
            wait_until(lambda: daemon.said().count(words) > before, 5, daemon.said)
            self.assertIn("heart-rate.json", daemon.said())
            self.assertEqual(version, daemon.ask("GET", "/v1/status").json["table"])
            self.assertEqual(201, daemon.post(reading()).status)
        with open(path, "w") as file:
            file.write(good.replace('"title": "Pulse",\n  "order"', '"title": "Heartbeat",\n  "order"'))
        daemon.process.send_signal(signal.SIGHUP)
        wait_until(lambda: daemon.ask("GET", "/v1/status").json["table"] != version, 5, daemon.said)
        self.assertIn(b"Heartbeat", daemon.ask("GET", "/v1/kinds").body)
        self.assertEqual(0, daemon.stop())

    def test_term_answers_what_is_under_way(self):
        daemon = Daemon()
        body = json.dumps(reading()).encode()
        with socket.create_connection(("127.0.0.1", daemon.port), timeout=10) as wire:
            wire.sendall(b"POST /v1/readings HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nContent-Type: application/json\r\n"
                         b"Content-Length: %d\r\n\r\n" % (daemon.port, len(body)) + body[:20])
            time.sleep(0.3)
            daemon.process.send_signal(signal.SIGTERM)
            time.sleep(0.3)
            wire.sendall(body[20:])
            self.assertTrue(wire.recv(4096).startswith(b"HTTP/1.1 201"))
        self.assertEqual(0, daemon.process.wait(15))

    def test_service_manager_is_told(self):
        folder = tempfile.mkdtemp(dir=SCRATCH)
        told = []
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
            manager.bind(folder + "/notify")
            manager.settimeout(0.1)

            def heard(word):
                try:
                    told.append(manager.recv(4096).decode())
                except TimeoutError:
                    pass
                return any(word in one for one in told)
            daemon = Daemon(environment={"NOTIFY_SOCKET": folder + "/notify", "WATCHDOG_USEC": "400000"})
            for word, deed in [("READY=1", None), ("WATCHDOG=1", None), ("RELOADING=1", signal.SIGHUP), ("STOPPING=1", signal.SIGTERM)]:
                if deed:
                    daemon.process.send_signal(deed)
                wait_until(lambda: heard(word), 5, lambda: "%s; heard %s" % (word, told))
            self.assertTrue(told[0].startswith("READY=1"))
            self.assertEqual(0, daemon.stop())
