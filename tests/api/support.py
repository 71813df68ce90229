"""A daemon of our own, one request to it, and a reading to vary."""
import copy
import http.client
import json
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
import unittest

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
BUILD = os.environ["WARDPOST_BUILD"]
MAPPINGS = os.path.join(ROOT, "mappings")
SCRATCH = tempfile.mkdtemp(prefix="wardpost-api-")

SYSTEM = "https://clinic.example/mrn"
# What must never stand in a log or a metric; every reading of these tests carries them. Invented.
SECRETS = ["XQ-77120-Z", "Quillfeather", "1951-03-14", "N-4711-QZ", "left over from breakfast zebra"]
TOKENS = []
PINS = []

everything = []  # all processes, in the order they were started


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def patient(value=SECRETS[0], **more):
    return {"identifier": {"system": SYSTEM, "value": value}, "birthDate": SECRETS[2], "family": SECRETS[1], **more}


def reading(**changes):
    """A pulse that nobody has anything against; a change to None leaves that member out."""
    made = {"patient": patient(), "age": 30, "kind": "heart-rate", "value": 72, "unit": "/min"}
    made.update(copy.deepcopy(changes))
    return {name: value for name, value in made.items() if value is not None}


class Answer:
    def __init__(self, status, headers, body):
        self.status, self.headers, self.body = status, headers, body

    @property
    def json(self):
        return json.loads(self.body)

    def problems(self):
        return [(e["pointer"], e["code"]) for e in self.json.get("errors", [])]

    def details(self):
        return " | ".join(e["detail"] for e in self.json.get("errors", []))


def request(port, method, path, body=None, headers=None, token=None, timeout=15):
    """One request on a connection of its own. A dict is sent as JSON."""
    headers = dict(headers or {})
    if isinstance(body, (dict, list)):
        body = json.dumps(body)
    if isinstance(body, str):
        body = body.encode()
    if body is not None and not any(name.lower() == "content-type" for name in headers):
        headers["Content-Type"] = "application/json"
    if token:
        headers["Authorization"] = "Bearer " + token
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout)
    try:
        try:
            connection.request(method, path, body, headers, encode_chunked="Transfer-Encoding" in headers)
        except (BrokenPipeError, ConnectionResetError):
            pass  # it answered before the body was through; the answer is there to be read
        answer = connection.getresponse()
        return Answer(answer.status, answer.headers, answer.read())
    finally:
        connection.close()


class Daemon:
    """wardpostd with a folder of its own. `config`: text of sections that are added to the settings, then without --demo."""

    def __init__(self, config=None, mappings=MAPPINGS, arguments=(), environment=None, wait=True):
        self.folder = tempfile.mkdtemp(dir=SCRATCH)
        self.port = free_port()
        self.clients = os.path.join(self.folder, "clients.json")
        self.users = os.path.join(self.folder, "users.json")
        self.log_path = os.path.join(self.folder, "log")
        words = [os.path.join(BUILD, "wardpostd"), "--listen", "127.0.0.1:%d" % self.port, "--store",
                 os.path.join(self.folder, "w.db"), "--mappings", mappings, *arguments]
        if config is None:
            words.append("--demo")
        else:
            path = os.path.join(self.folder, "wardpost.conf")
            with open(path, "w") as out:
                out.write(config + '\naccess {\n clients = "%s"\n users = "%s"\n}\n' % (self.clients, self.users))
            words += ["--config", path]
        self.log = open(self.log_path, "wb")
        self.process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log,
                                        env={**os.environ, **(environment or {})})
        everything.append(self)
        if wait:
            self.wait_ready()

    def wait_ready(self):
        wait_until(lambda: self.alive() and self.answers(), 10, self.said)

    def alive(self):
        if self.process.poll() is not None:
            raise AssertionError("wardpostd ended with %s: %s" % (self.process.returncode, self.said()))
        return True

    def answers(self):
        try:
            return request(self.port, "GET", "/health/ready", timeout=2).status == 200
        except OSError:
            return False

    def said(self):
        with open(self.log_path, errors="replace") as log:
            return log.read()

    def ask(self, method, path, body=None, **more):
        return request(self.port, method, path, body, **more)

    def post(self, body, path="/v1/readings", **more):
        return self.ask("POST", path, body, **more)

    def counts(self, token=None):
        status = self.ask("GET", "/v1/status", token=token).json
        return {n: status[n] for n in ("waiting", "held", "charted", "discarded", "refusals")}

    def enrol(self, name, *words):
        done = subprocess.run([os.path.join(BUILD, "wardpost"), "device", "add", name, "--clients", self.clients, *words],
                              capture_output=True, text=True, timeout=10)
        if done.returncode != 0:
            raise AssertionError(done.stderr)
        token = done.stdout.strip()
        TOKENS.append(token)
        # the daemon looks at the file at most once a second
        wait_until(lambda: self.ask("GET", "/v1/status", token=token).status != 401, 5, "the new token to be taken")
        return token

    def add_user(self, name, role="nurse", practitioner=None, display=None):
        """An account with a PIN that must be changed; the PIN."""
        done = subprocess.run([os.path.join(BUILD, "wardpost"), "user", "add", name, "--users", self.users, "--role", role, "--practitioner",
                               practitioner or "N-" + name, "--display", display or "Nurse " + name], capture_output=True, text=True, timeout=10)
        if done.returncode != 0:
            raise AssertionError(done.stderr)
        PINS.append(done.stdout.strip())
        return done.stdout.strip()

    def stop(self, patience=15):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(patience)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        self.log.close()
        return self.process.returncode


class Browser:
    """What a page of ours does: keeps the cookie, sends the csrf token and its Origin."""

    def __init__(self, daemon):
        self.daemon, self.cookie, self.csrf = daemon, None, None

    def ask(self, method, path, body=None, headers=None, csrf=True):
        headers = {"Host": "127.0.0.1:%d" % self.daemon.port, **(headers or {})}
        if method == "POST":
            headers.setdefault("Origin", "http://127.0.0.1:%d" % self.daemon.port)
        if self.cookie:
            headers["Cookie"] = self.cookie
        if csrf and self.csrf and method == "POST":
            headers.setdefault("Wardpost-Csrf", self.csrf)
        answer = self.daemon.ask(method, path, body, headers=headers, timeout=30)
        if set_cookie := answer.headers.get("Set-Cookie"):
            self.cookie = None if "Max-Age=0" in set_cookie else set_cookie.split(";")[0]
        if answer.status == 200 and answer.body and "csrf" in answer.json:
            self.csrf = answer.json["csrf"]
        return answer

    def post(self, path, body=None, **more):
        return self.ask("POST", path, body, **more)

    def sign_in(self, name, pin):
        return self.post("/v1/session", {"name": name, "pin": pin})

    def first_time(self, name, pin, fresh):
        """Signs in with the PIN somebody else made and changes it at once."""
        PINS.append(fresh)
        first = self.sign_in(name, pin)
        changed = self.post("/v1/session/_pin", {"pin": pin, "fresh": fresh})
        if (first.status, changed.status) != (200, 200):
            raise AssertionError((first.status, first.body, changed.status, changed.body))
        return self


def wait_until(true, seconds, what):
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        got = true()
        if got:
            return got
        time.sleep(0.03)
    raise AssertionError("waited %s s for %s" % (seconds, what() if callable(what) else what))


def tool(*words, stdin=None, environment=None):
    return subprocess.run([os.path.join(BUILD, "wardpost"), *words], input=stdin, capture_output=True, text=True, timeout=15,
                          env={**os.environ, **(environment or {})})


def scratch_file(name, text):
    path = os.path.join(tempfile.mkdtemp(dir=SCRATCH), name)
    with open(path, "w") as out:
        out.write(text if isinstance(text, str) else json.dumps(text))
    return path


def end_all():
    for one in everything:
        one.stop()
    shutil.rmtree(SCRATCH, ignore_errors=True)


class WithDaemon(unittest.TestCase):
    """One demo daemon for all tests of a class."""
    config = None

    @classmethod
    def setUpClass(cls):
        cls.daemon = Daemon(config=cls.config)

    @classmethod
    def tearDownClass(cls):
        cls.daemon.stop()

    def kept_nothing(self, body, **more):
        before = self.daemon.counts()
        answer = self.daemon.post(body, **more)
        self.assertEqual(before, self.daemon.counts())
        return answer

    def taken(self, body, **more):
        answer = self.daemon.post(body, **more)
        self.assertEqual(201, answer.status, answer.body)
        return answer.json
