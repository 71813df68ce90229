"""Exit codes of wardpost (sysexits.h)."""
import os

from support import MAPPINGS, WithDaemon, free_port, reading, scratch_file, tool


class Tool(WithDaemon):
    def test_exit_codes(self):
        here = "http://127.0.0.1:%d" % self.daemon.port
        good, bad = scratch_file("good.json", reading(age=None, taken="2026-01-05T10:00:00Z", confirmed=True)), scratch_file("bad.json", reading(value="72"))
        broken = scratch_file("broken.json", "{")
        rows = [(["map", good, "--mappings", MAPPINGS], 0), (["map", bad, "--mappings", MAPPINGS], 65), (["map", broken, "--mappings", MAPPINGS], 65),
                (["map", "/nowhere", "--mappings", MAPPINGS], 66), (["map", good, "--mappings", os.path.dirname(good)], 78), (["map", good, "--mappings", "/nowhere"], 66),
                (["send", good, "--daemon", here], 0), (["send", bad, "--daemon", here], 65), (["status", "--daemon", here], 0),
                (["status", "--daemon", "http://127.0.0.1:%d" % free_port()], 69), (["list", "--daemon", here], 0),
                (["show", "5d2a4c0e-0c39-4f0e-9f70-64a1f0a8d0ff", "--daemon", here], 66), (["check", "--mappings", MAPPINGS], 0),
                (["nonsense"], 64), ([], 64), (["map"], 64)]
        for words, code in rows:
            with self.subTest(" ".join(words)):
                done = tool(*words)
                self.assertEqual(code, done.returncode, done.stderr)
                if code:
                    self.assertEqual(("", True), (done.stdout, done.stderr != ""))

    def test_not_let_in(self):
        done = tool("status", "--daemon", "http://127.0.0.1:%d" % self.daemon.port, environment={"WARDPOST_TOKEN": "wrong"})
        self.assertEqual(77, done.returncode, done.stderr)
