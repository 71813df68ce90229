"""TLS: versions, a certificate that changes while connections go on, and who may not come in without it."""
import http.client
import json
import os
import signal
import socket
import ssl
import subprocess
import time
import unittest

from support import BUILD, MAPPINGS, SCRATCH, Answer, Daemon, free_port, reading, scratch_file, wait_until


def run_openssl(*words):
    subprocess.run(["openssl", *words], check=True, capture_output=True, timeout=60)


def make_pair(folder, days=90, kind=("ec", "-pkeyopt", "ec_paramgen_curve:P-256")):
    """A self-signed certificate and its key, as two paths."""
    certificate, key = os.path.join(folder, "certificate.pem"), os.path.join(folder, "key.pem")
    run_openssl("req", "-x509", "-newkey", *kind, "-nodes", "-keyout", key, "-out", certificate, "-days", str(days), "-subj", "/CN=localhost",
                "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1")
    os.chmod(key, 0o600)
    return certificate, key


def folder_for(name):
    path = os.path.join(SCRATCH, name)
    os.makedirs(path, exist_ok=True)
    return path


def settings(certificate, key, more=""):
    return 'intake {\n certificate = "%s"\n key = "%s"\n%s}\n' % (certificate, key, more)


def trusting(certificate):
    context = ssl.create_default_context(cafile=certificate)
    context.check_hostname = True
    return context


class TlsDaemon(Daemon):
    def __init__(self, certificate, key, more="", **others):
        self.certificate = certificate
        super().__init__(config=settings(certificate, key, more), **others)

    def ask(self, method, path, body=None, headers=None, token=None):
        connection = http.client.HTTPSConnection("localhost", self.port, timeout=15, context=trusting(self.certificate))
        try:
            return ask_on(connection, method, path, body, {**(headers or {}), **({"Authorization": "Bearer " + token} if token else {})})
        finally:
            connection.close()

    def answers(self):
        try:
            return self.ask("GET", "/health/ready").status == 200
        except OSError:
            return False


def ask_on(connection, method, path, body=None, headers=None):
    headers = dict(headers or {})
    if body is not None:
        body = json.dumps(body).encode()
        headers["Content-Type"] = "application/json"
    connection.request(method, path, body, headers)
    answer = connection.getresponse()
    return Answer(answer.status, answer.headers, answer.read())


def serial_of(port, version=None):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    if version:
        context.minimum_version = context.maximum_version = version
    with socket.create_connection(("127.0.0.1", port), timeout=5) as wire, context.wrap_socket(wire) as tls:
        return tls.getpeercert(True)


class Tls(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.daemon = TlsDaemon(*make_pair(folder_for("tls")), more=' headers_deadline = "1 s"\n')
        cls.token = cls.daemon.enrol("ward", "--may", "send,read", "--attended")

    @classmethod
    def tearDownClass(cls):
        cls.daemon.stop()

    def test_a_reading_is_taken_and_hsts_is_said(self):
        answer = self.daemon.ask("POST", "/v1/readings", reading(), token=self.token)
        self.assertEqual(201, answer.status, answer.body)
        for path in ("/health/live", "/nowhere"):
            said = self.daemon.ask("GET", path).headers["Strict-Transport-Security"]
            self.assertGreaterEqual(int(said.split("max-age=")[1]), 31536000)
        self.assertIn("listens on https://", self.daemon.said())

    def test_versions(self):
        def hello(low, high):
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
            context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
            context.set_ciphers("ALL:@SECLEVEL=0")
            context.minimum_version, context.maximum_version = low, high
            with socket.create_connection(("127.0.0.1", self.daemon.port), timeout=5) as wire, context.wrap_socket(wire) as tls:
                return tls.version()
        version = ssl.TLSVersion
        self.assertEqual("TLSv1.2", hello(version.TLSv1_2, version.TLSv1_2))
        self.assertEqual("TLSv1.3", hello(version.TLSv1_3, version.TLSv1_3))
        self.assertEqual("TLSv1.3", hello(version.TLSv1_2, version.TLSv1_3))
        for old in (version.TLSv1, version.TLSv1_1):
            with self.assertRaises((ssl.SSLError, ConnectionResetError)):
                hello(old, old)

    def test_no_key_exchange_without_forward_secrecy(self):
        folder = folder_for("rsa")
        daemon = TlsDaemon(*make_pair(folder, kind=("rsa:2048",)))
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        context.maximum_version = ssl.TLSVersion.TLSv1_2

        def cipher(wanted):
            context.set_ciphers(wanted)
            with socket.create_connection(("127.0.0.1", daemon.port), timeout=5) as wire, context.wrap_socket(wire) as tls:
                return tls.cipher()[0]
        self.assertIn("ECDHE", cipher("ECDHE+AESGCM"))
        with self.assertRaises((ssl.SSLError, ConnectionResetError)):
            cipher("kRSA")
        daemon.stop()

    def test_plain_bytes_end_the_connection(self):
        for sent in (b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n", b"\x00" * 600, b"\x16\x03\x01\xff\xff" + b"A" * 300):
            begun = time.monotonic()
            with socket.create_connection(("127.0.0.1", self.daemon.port), timeout=5) as wire:
                wire.sendall(sent)
                got = b""
                try:
                    while piece := wire.recv(4096):
                        got += piece
                except ConnectionResetError:
                    pass
            self.assertFalse(got.startswith(b"HTTP"), got)
            self.assertLess(time.monotonic() - begun, 4)
        self.assertEqual(200, self.daemon.ask("GET", "/health/live").status)

    def seconds_until_cut(self, drip):
        begun = time.monotonic()
        with socket.create_connection(("127.0.0.1", self.daemon.port), timeout=0.2) as wire:
            wire.settimeout(0.2)
            try:
                while time.monotonic() - begun < 8:
                    if drip:
                        wire.sendall(drip[:1])
                        drip = drip[1:]
                    try:
                        if wire.recv(4096) == b"":
                            break
                    except TimeoutError:
                        pass
            except (ConnectionResetError, BrokenPipeError):
                pass
        return time.monotonic() - begun

    def test_a_slow_handshake_is_cut(self):
        # a hello that would be 512 bytes long, one byte every 0.2 s
        for drip in (b"", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\x07" * 100):
            self.assertLess(self.seconds_until_cut(drip), 3.5)

    def test_slow_headers_are_cut_under_tls_too(self):
        begun = time.monotonic()
        with socket.create_connection(("127.0.0.1", self.daemon.port), timeout=5) as wire:
            with trusting(self.daemon.certificate).wrap_socket(wire, server_hostname="localhost") as tls:
                tls.settimeout(0.2)
                try:
                    tls.sendall(b"GET /v1/kinds HTTP/1.1\r\n")
                    while time.monotonic() - begun < 8:
                        try:
                            if tls.recv(4096) == b"":
                                break
                        except TimeoutError:
                            tls.sendall(b"X: y\r\n")
                except (OSError, ssl.SSLError):
                    pass
        self.assertLess(time.monotonic() - begun, 3.5)

    def test_a_large_body_and_many_on_one_connection(self):
        connection = http.client.HTTPSConnection("localhost", self.daemon.port, timeout=15, context=trusting(self.daemon.certificate))
        bearer = {"Authorization": "Bearer " + self.token}
        try:
            connection.connect()
            wire = connection.sock
            for i in range(20):
                self.assertEqual(201, ask_on(connection, "POST", "/v1/readings", reading(note="n" * 1900, age=30 + i), bearer).status)
            answer = ask_on(connection, "GET", "/v1/kinds")
            self.assertEqual((200, True), (answer.status, len(answer.body) > 20000))
            self.assertIs(wire, connection.sock)
        finally:
            connection.close()


class Reload(unittest.TestCase):
    def test_another_certificate_while_a_connection_goes_on(self):
        folder = folder_for("reload")
        certificate, key = make_pair(folder)
        daemon = TlsDaemon(certificate, key)
        first = serial_of(daemon.port)
        old = http.client.HTTPSConnection("localhost", daemon.port, timeout=15, context=trusting(certificate))
        self.assertEqual(200, ask_on(old, "GET", "/health/live").status)
        wire = old.sock
        make_pair(folder)
        self.hup(daemon, "is in force")
        second = serial_of(daemon.port)
        self.assertNotEqual(first, second)
        self.assertEqual(second, serial_of(daemon.port, ssl.TLSVersion.TLSv1_2))
        for _ in range(3):
            self.assertEqual(200, ask_on(old, "GET", "/health/live").status)
        self.assertIs(wire, old.sock)
        old.close()
        self.broken_ones_keep_it(daemon, folder, second)
        self.assertEqual(0, daemon.stop())

    def hup(self, daemon, words):
        before = self.said(daemon, words)
        daemon.process.send_signal(signal.SIGHUP)
        wait_until(lambda: self.said(daemon, words) > before, 5, daemon.said)

    @staticmethod
    def said(daemon, words):
        """How often it said that of a certificate; it says it of the kind table as well."""
        return sum("certificate" in line and words in line for line in daemon.said().splitlines())

    def broken_ones_keep_it(self, daemon, folder, served):
        certificate, key = (os.path.join(folder, name) for name in ("certificate.pem", "key.pem"))
        with open(certificate) as file:
            good = file.read()
        other = make_pair(folder_for("other"))
        with open(other[0]) as file:
            strange = file.read()
        rows = [(certificate, strange, "is not the key of the certificate"), (certificate, good[:200], certificate), (certificate, "", certificate),
                (key, "no key\n", key)]
        for path, text, words in rows:
            with open(path) as file:
                kept = file.read()
            with open(path, "w") as file:
                file.write(text)
            self.hup(daemon, "the old certificate stays in force")
            self.assertIn(words, daemon.said())
            self.assertEqual(served, serial_of(daemon.port))
            with open(path, "w") as file:
                file.write(kept)

    def test_handshakes_while_it_changes_again_and_again(self):
        folder = folder_for("often")
        daemon = TlsDaemon(*make_pair(folder))
        served, until = set(), time.monotonic() + 3
        while time.monotonic() < until:
            make_pair(folder)
            daemon.process.send_signal(signal.SIGHUP)
            for _ in range(5):
                served.add(serial_of(daemon.port))
        self.assertGreater(len(served), 3)
        self.assertEqual(0, daemon.stop())


def start_with(config, *words):
    path = scratch_file("wardpost.conf", config + '\nstore {\n path = "%s"\n}\naccess {\n clients = "%s"\n users = "%s"\n}\n' % (
        os.path.join(SCRATCH, "never.db"), os.path.join(SCRATCH, "no-clients.json"), os.path.join(SCRATCH, "no-users.json")))
    return subprocess.run([os.path.join(BUILD, "wardpostd"), "--config", path, "--mappings", MAPPINGS, *words], capture_output=True, text=True,
                          timeout=10, stdin=subprocess.DEVNULL)


class Start(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.certificate, cls.key = make_pair(folder_for("start"))

    def refused(self, config, words):
        for check in ((), ("--check",)):
            done = start_with(config, *check)
            self.assertEqual(78, done.returncode, done.stderr)
            self.assertIn(words, done.stderr)

    def test_plain_off_loopback_is_refused(self):
        for address in ("0.0.0.0", "[::]", "192.0.2.7"):
            self.refused('intake {\n listen = "%s:%d"\n}\n' % (address, free_port()), "needs TLS")

    def test_off_loopback_with_tls_or_a_proxy_is_fine(self):
        for more in ("certificate = \"%s\"\n key = \"%s\"" % (self.certificate, self.key), 'proxy = "192.0.2.8"'):
            done = start_with('intake {\n listen = "0.0.0.0:%d"\n %s\n}\n' % (free_port(), more), "--check")
            self.assertEqual((0, ""), (done.returncode, done.stderr))

    def test_broken_pairs_are_refused(self):
        other = make_pair(folder_for("start-other"))
        self.refused(settings(self.certificate, other[1]), "is not the key of the certificate")
        self.refused(settings(self.key, self.key), self.key)
        self.refused(settings(self.certificate, self.certificate), self.certificate)
        self.refused(settings(self.certificate, "/nowhere/key.pem"), "/nowhere/key.pem")
        self.refused(settings(self.certificate, SCRATCH), SCRATCH)
        self.refused('intake {\n certificate = "%s"\n}\n' % self.certificate, "go together")

    def test_a_key_that_others_may_read_is_refused(self):
        certificate, key = make_pair(folder_for("start-open"))
        for mode in (0o604, 0o644, 0o620, 0o602):
            os.chmod(key, mode)
            self.refused(settings(certificate, key), "others may read it")
        for mode in (0o600, 0o400, 0o640):
            os.chmod(key, mode)
            done = start_with(settings(certificate, key), "--check")
            self.assertEqual((0, ""), (done.returncode, done.stderr))

    def test_check_warns_before_it_ends(self):
        for days, words in ((10, "expires at"), (90, "")):
            pair = make_pair(folder_for("start-%d" % days), days=days)
            done = start_with(settings(*pair), "--check")
            self.assertEqual(0, done.returncode, done.stderr)
            self.assertEqual(bool(words), bool(done.stderr), done.stderr)
            self.assertIn(words, done.stderr)

    def test_encodings_of_keys(self):
        folder = folder_for("start-forms")
        for kind in (("rsa:2048",), ("ec", "-pkeyopt", "ec_paramgen_curve:P-384"), ("ed25519",)):
            certificate, key = make_pair(folder, kind=kind)
            done = start_with(settings(certificate, key), "--check")
            self.assertEqual((0, ""), (done.returncode, done.stderr), kind)


class Proxy(unittest.TestCase):
    def test_only_the_proxy_may_connect(self):
        daemon = Daemon(config='intake {\n proxy = "127.0.0.3"\n}\n', wait=False)
        wait_until(lambda: daemon.alive() and "listens" in daemon.said(), 10, daemon.said)

        def ask(address, path):
            with socket.create_connection(("127.0.0.1", daemon.port), timeout=5, source_address=(address, 0)) as wire:
                got = b""
                try:
                    wire.sendall(b"GET %s HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n" % path)
                    while piece := wire.recv(65536):
                        got += piece
                except (ConnectionResetError, BrokenPipeError):
                    pass
                return got

        def strange():
            return int([line for line in ask("127.0.0.3", b"/metrics").decode().splitlines()
                        if line.startswith("wardpost_connections_strange_total ")][0].split()[1])
        before = strange()
        self.assertIn(b"200 OK", ask("127.0.0.3", b"/health/live"))
        self.assertIn(b"Strict-Transport-Security", ask("127.0.0.3", b"/health/live"))
        for address in ("127.0.0.1", "127.0.0.2"):
            self.assertEqual(b"", ask(address, b"/health/live"))
        self.assertEqual(before + 2, strange())
        self.assertEqual(0, daemon.stop())
