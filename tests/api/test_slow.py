"""Senders that drip, hang or speak something else are cut off; others go on meanwhile. Deadlines of 1 and 2 s."""
import json
import socket
import time

from support import WithDaemon, reading

HEAD = b"POST /v1/readings HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"


class Slow(WithDaemon):
    config = 'intake {\n headers_deadline = "1 s"\n body_deadline = "2 s"\n idle = "2 s"\n connections_most = "40"\n}\n'

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.token = cls.daemon.enrol("one", "--may", "send,read", "--attended")
        cls.bearer = b"Authorization: Bearer " + cls.token.encode() + b"\r\n"

    def seconds_until_cut(self, begin, drip, most=8):
        """How long the daemon lets a sender go on that sends a little every 0.2 s; what it said."""
        begun, said = time.monotonic(), b""
        with socket.create_connection(("127.0.0.1", self.daemon.port), timeout=5) as wire:
            wire.settimeout(0.2)
            try:
                wire.sendall(begin)
                while time.monotonic() - begun < most:
                    try:
                        got = wire.recv(4096)
                        if got == b"":
                            break
                        said += got
                    except TimeoutError:
                        if drip:
                            wire.sendall(drip)
            except (ConnectionResetError, BrokenPipeError):
                pass
        return time.monotonic() - begun, said

    def test_each_is_cut(self):
        rows = [("says nothing", b"", b"", 1), ("headers that drip", b"GET /v1/kinds HTTP/1.1\r\n", b"X: y\r\n", 1),
                ("a first line that drips", b"G", b"E", 1), ("a body that drips", HEAD + self.bearer + b"Content-Length: 5000\r\n\r\n{", b" ", 2),
                ("a body that does not come", HEAD + self.bearer + b"Content-Length: 5000\r\n\r\n", b"", 2),
                ("chunks that drip", HEAD + self.bearer + b"Transfer-Encoding: chunked\r\n\r\n", b"1\r\n \r\n", 2),
                ("something else than HTTP", b"\x16\x03\x01\x02\x00\x01\x00\x01", b"\x00", 1),
                ("no line end", b"\x00" * 4000, b"", 1)]
        for name, begin, drip, deadline in rows:
            with self.subTest(name):
                took, said = self.seconds_until_cut(begin, drip)
                self.assertLess(took, deadline + 2.5)
                self.assertFalse(said.startswith(b"HTTP/1.1 2"), said)

    def test_half_closed_is_cut(self):
        for said in (b"\x16\x03\x01\x02\x00\x01\x00\x01", b"GET\r\n\r\n",
                     HEAD + self.bearer + b"Content-Length: -5\r\n\r\n{}"):
            with socket.create_connection(("127.0.0.1", self.daemon.port), timeout=5) as wire:
                wire.sendall(said)
                wire.shutdown(socket.SHUT_WR)
                try:
                    got = wire.recv(4096)
                except ConnectionResetError:
                    got = b""
                self.assertFalse(got.startswith(b"HTTP/1.1 2"), got)

    def test_others_go_on_meanwhile(self):
        wires = [socket.create_connection(("127.0.0.1", self.daemon.port), timeout=5) for _ in range(20)]
        for wire in wires:
            wire.sendall(HEAD)
        begun = time.monotonic()
        self.assertEqual(201, self.daemon.post(reading(), token=self.token).status)
        self.assertLess(time.monotonic() - begun, 0.9)  # before those are cut
        for wire in wires:
            wire.close()

    def test_room_again_after_more_than_it_takes(self):
        wires = [socket.create_connection(("127.0.0.1", self.daemon.port), timeout=5) for _ in range(60)]
        time.sleep(2.5)
        self.assertEqual(201, self.daemon.post(reading(), token=self.token).status)
        for wire in wires:
            wire.close()

    def test_cut_ones_are_counted(self):
        before = self.cut()
        self.seconds_until_cut(b"G", b"")
        self.assertGreater(self.cut(), before)

    def cut(self):
        text = self.daemon.ask("GET", "/metrics").body.decode()
        return int([line.split()[1] for line in text.splitlines() if line.startswith("wardpost_connections_cut_total ")][0])

    def test_nothing_of_a_cut_one_is_kept(self):
        before = self.daemon.counts(self.token)
        body = json.dumps(reading()).encode()
        self.seconds_until_cut(HEAD + self.bearer + b"Content-Length: %d\r\n\r\n" % (len(body) + 9) + body, b"")
        self.assertEqual(before, self.daemon.counts(self.token))

    def test_patient_keep_alive_sender_is_served(self):
        with socket.create_connection(("127.0.0.1", self.daemon.port), timeout=5) as wire:
            for _ in range(4):
                wire.sendall(b"GET /health/live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
                self.assertTrue(wire.recv(4096).startswith(b"HTTP/1.1 200"))
                time.sleep(0.7)
