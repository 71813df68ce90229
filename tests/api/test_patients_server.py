"""The FHIR server is asked for patients: what goes to it, what comes back, and what becomes of a search when it does not answer.
The server is one of this test's own. All patients are invented."""
import http.server
import json
import threading
import time
import unittest
import urllib.parse

from support import SYSTEM, Daemon, WithDaemon, wait_until

NDJSON = {"Content-Type": "application/x-ndjson"}
VISIT = "https://clinic.example/visit"
CONFIG = 'patients {\n system = "%s"\n}\ncourier {\n server = "http://127.0.0.1:%%d/fhir"\n}' % SYSTEM


def resource(value, system=SYSTEM, **more):
    return {"resourceType": "Patient", "id": "p-" + value, "identifier": [{"system": system, "value": value}], **more}


def bundle(*resources):
    return {"resourceType": "Bundle", "type": "searchset", "total": len(resources), "entry": [{"resource": r, "search": {"mode": "match"}} for r in resources]}


class Server:
    """Answers Patient searches with what it is told to, and remembers how it was asked."""

    def __init__(self):
        server = self
        self.answer, self.status, self.wait, self.asked = bundle(), 200, 0, []

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def reply(self, status, body):
                self.send_response(status)
                self.send_header("Content-Length", str(len(body)))
                self.send_header("Content-Type", "application/fhir+json")
                self.end_headers()
                self.wfile.write(body)

            def do_GET(self):
                server.asked.append((self.command, self.path, None, None))
                self.reply(404, b"{}")

            def do_POST(self):
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                server.asked.append((self.command, self.path, self.headers.get("Content-Type"), body.decode()))
                if server.wait:
                    time.sleep(server.wait)
                try:
                    self.reply(server.status, server.answer if isinstance(server.answer, bytes) else json.dumps(server.answer).encode())
                except (BrokenPipeError, ConnectionResetError):
                    pass

            def log_message(self, *words):
                pass

        self.http = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.http.daemon_threads = True
        self.port = self.http.server_address[1]
        threading.Thread(target=self.http.serve_forever, daemon=True).start()

    def searches(self):
        return [a for a in self.asked if a[0] == "POST"]

    def close(self):
        self.http.shutdown()
        self.http.server_close()


class Asking(WithDaemon):
    @classmethod
    def setUpClass(cls):
        cls.server = Server()
        cls.daemon = Daemon(config=CONFIG % cls.server.port)
        cls.token = cls.daemon.enrol("tablet", "--may", "send,read,decide")

    @classmethod
    def tearDownClass(cls):
        super().tearDownClass()
        cls.server.close()

    def setUp(self):
        self.server.answer, self.server.status, self.server.wait = bundle(), 200, 0
        self.server.asked.clear()
        # a server that did not answer is left alone for some seconds
        wait_until(lambda: self.search(family="zzz")["server"] == "asked", 8, "the server to be asked again")
        self.server.asked.clear()

    def search(self, **question):
        answer = self.daemon.post(question, "/v1/patients/_search", token=self.token)
        self.assertEqual(200, answer.status, answer.body)
        return answer.json

    def terms(self):
        (method, path, kind, body), = self.server.searches()
        self.assertEqual(("POST", "/fhir/Patient/_search", "application/x-www-form-urlencoded"), (method, path, kind))
        return dict(urllib.parse.parse_qsl(body, strict_parsing=True))

    def test_what_goes_to_the_server(self):
        for question, terms in (({"identifier": "A-1"}, {"identifier": SYSTEM + "|A-1"}),
                                ({"identifier": {"system": VISIT, "value": "V,1"}}, {"identifier": VISIT + "|V\\,1"}),
                                ({"identifier": "401234567890123450"},
                                 {"identifier": SYSTEM + "|401234567890123450,https://id.gs1.org/8018|401234567890123450"}),
                                ({"birthDate": "1951-03-14"}, {"birthdate": "1951-03-14"}),
                                ({"birthDate": "1951-03-14", "family": "S\u00f8r & Co"}, {"birthdate": "1951-03-14", "family": "S\u00f8r & Co"}),
                                ({"family": "Quill", "given": "Ada"}, {"family": "Quill", "given": "Ada"})):
            self.server.asked.clear()
            self.assertEqual({"patients": [], "server": "asked"}, self.search(**question))
            self.assertEqual({"_count": "50", **terms}, self.terms())
        self.server.asked.clear()
        self.assertEqual({"patients": [], "server": "none"}, self.search(ward="West"))
        self.assertEqual([], self.server.searches())

    def test_what_the_server_says_is_answered_and_kept(self):
        self.server.answer = bundle(resource("B-1", name=[{"use": "official", "family": "Kept", "given": ["Ada", "Bea"]}], birthDate="1951-03-14", gender="female"))
        one, = self.search(family="kept")["patients"]
        self.assertEqual(({"system": SYSTEM, "value": "B-1"}, "Kept", "Ada Bea", "1951-03-14", "female", True, "server", False),
                         tuple(one[n] for n in ("identifier", "family", "given", "birthDate", "gender", "active", "source", "alike")))
        self.server.status = 500
        got = self.search(birthDate="1951-03-14")
        self.assertEqual(("away", ["B-1"]), (got["server"], [p["identifier"]["value"] for p in got["patients"]]))

    def test_merged_with_the_local_copy(self):
        line = json.dumps({"identifier": {"system": SYSTEM, "value": "C-1"}, "family": "Merge", "ward": "West", "bed": "3"}) + "\n" + \
            json.dumps({"identifier": {"system": SYSTEM, "value": "C-2"}, "family": "Merger"})
        self.daemon.post(line.encode(), "/v1/patients", headers=NDJSON, token=self.token)
        self.server.answer = bundle(resource("C-1", name=[{"family": "Merged"}], active=False), resource("C-3", name=[{"family": "Elsewhere"}]))
        got = {p["identifier"]["value"]: p for p in self.search(family="merge")["patients"]}
        self.assertEqual({"C-1", "C-2", "C-3"}, set(got))  # C-3: the server has its own ways of finding a name
        self.assertEqual(("Merged", "West", "3", False, "server"), tuple(got["C-1"][n] for n in ("family", "ward", "bed", "active", "source")))
        self.assertEqual("import", got["C-2"]["source"])
        self.assertEqual(1, len(self.search(family="merge", count=1)["patients"]))

    def test_found_by_another_number(self):
        self.server.answer = bundle({"resourceType": "Patient", "identifier": [{"system": VISIT, "value": "V-9"}, {"system": SYSTEM, "value": "D-1"}]})
        self.assertEqual([{"system": SYSTEM, "value": "D-1"}], [p["identifier"] for p in self.search(identifier={"system": VISIT, "value": "V-9"})["patients"]])
        self.server.answer = bundle(resource("V-10", VISIT))
        self.assertEqual([{"system": VISIT, "value": "V-10"}], [p["identifier"] for p in self.search(identifier={"system": VISIT, "value": "V-10"})["patients"]])

    def test_answers_of_no_use(self):
        for status, answer, end in ((200, json.dumps(bundle(resource("E|1"), {"resourceType": "Patient", "identifier": 7})).encode(), "asked"),
                                    (200, b"<html>", "away"), (302, b"", "away"), (200, b" " * (5 << 20), "away")):
            self.server.status, self.server.answer = 200, bundle()
            wait_until(lambda: self.search(family="zzz")["server"] == "asked", 8, "the server to be asked again")
            self.server.status, self.server.answer = status, answer
            self.server.asked.clear()
            self.assertEqual({"patients": [], "server": end}, self.search(family="hostile"))
            self.assertEqual(1, len(self.server.searches()))
        self.assertTrue(self.daemon.alive())

    def test_a_server_that_does_not_answer_holds_up_nobody(self):
        self.server.wait = 6
        got, ended = {}, {}

        def ask(number):
            begun = time.monotonic()
            got[number] = self.search(family="slow")
            ended[number] = time.monotonic() - begun

        threads = [threading.Thread(target=ask, args=(n,)) for n in range(8)]
        for one in threads:
            one.start()
        time.sleep(0.3)
        begun = time.monotonic()
        self.assertEqual(200, self.daemon.ask("GET", "/v1/status", token=self.token).status)
        self.assertLess(time.monotonic() - begun, 1.0)  # the threads that serve are free
        for one in threads:
            one.join()
        self.assertEqual({"away"}, {g["server"] for g in got.values()})
        self.assertLess(max(ended.values()), 4.0)
        self.assertGreater(max(ended.values()), 2.5)
        begun = time.monotonic()
        self.assertEqual("away", self.search(family="slow")["server"])  # it is left alone now
        self.assertLess(time.monotonic() - begun, 1.0)

    def test_no_name_in_the_log(self):
        self.server.answer = bundle(resource("S-SECRET", name=[{"family": "Hushhush"}]))
        self.assertEqual(1, len(self.search(family="Hushhush")["patients"]))
        self.server.status = 500
        self.assertEqual("away", self.search(family="Hushhush")["server"])
        self.assertIn("the server answers a search with 500", self.daemon.said())
        self.assertNotIn("Hushhush", self.daemon.said())
        self.assertNotIn("S-SECRET", self.daemon.said())


class Away(unittest.TestCase):
    def test_nobody_listens_there(self):
        daemon = Daemon(config=CONFIG % 1)
        token = daemon.enrol("tablet", "--may", "read")
        self.assertEqual({"patients": [], "server": "away"}, daemon.post({"family": "nobody"}, "/v1/patients/_search", token=token).json)
        self.assertEqual(0, daemon.stop())

    def test_a_stop_does_not_wait_for_the_server(self):
        server = Server()
        server.wait = 6
        daemon = Daemon(config=CONFIG % server.port)
        token = daemon.enrol("tablet", "--may", "read")
        asking = threading.Thread(target=lambda: daemon.post({"family": "slow"}, "/v1/patients/_search", token=token))
        asking.start()
        wait_until(server.searches, 3, "the search to reach the server")
        begun = time.monotonic()
        self.assertEqual(0, daemon.stop())
        self.assertLess(time.monotonic() - begun, 6)
        asking.join()
        server.close()
