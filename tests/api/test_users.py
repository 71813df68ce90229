"""wardpost user: accounts to sign in with; both checks read their file."""
import json
import os
import re
import stat
import subprocess
import tempfile
import unittest

from support import BUILD, MAPPINGS, SCRATCH, scratch_file, tool

WORDS = ["--practitioner", "N-4711", "--role", "nurse", "--display", "Ana Quill"]


class Users(unittest.TestCase):
    def setUp(self):
        self.path = os.path.join(tempfile.mkdtemp(dir=SCRATCH), "users.json")

    def user(self, *words, code=0):
        done = tool("user", *words, "--users", self.path)
        self.assertEqual(code, done.returncode, done.stderr)
        if code:
            self.assertEqual(("", True), (done.stdout, done.stderr != ""))
        return done

    def file(self):
        with open(self.path, encoding="utf-8") as file:
            return json.load(file)["users"]

    def test_an_account_from_first_to_last(self):
        done = self.user("add", "ana", *WORDS)
        pin = done.stdout.strip()
        self.assertRegex(pin, r"^[0-9]{6}$")
        self.assertNotIn(pin, done.stderr)
        self.assertIn("must be changed", done.stderr)
        self.assertEqual(0o600, stat.S_IMODE(os.stat(self.path).st_mode))
        [one] = self.file()
        self.assertRegex(one.pop("pin"), r"^\$argon2id\$v=19\$m=65536,t=2,p=1\$")
        self.assertEqual({"name": "ana", "practitioner": "N-4711", "display": "Ana Quill", "role": "nurse", "disabled": False,
                          "must-change": True}, one)
        self.assertNotIn(pin, json.dumps(one))
        self.user("add", "ben", "--practitioner", "N-2", "--role", "administrator", "--display", "Ben Ñúñez")
        listed = self.user("list").stdout.splitlines()
        self.assertEqual(2, len(listed))
        self.assertRegex(listed[0], r"^ana +nurse +N-4711 +Ana Quill \(PIN to be changed\)$")
        self.assertRegex(listed[1], r"^ben +administrator +N-2 +Ben Ñúñez \(PIN")
        self.assertNotIn("argon2", "".join(listed))

        before = self.file()
        self.user("disable", "ANA")
        self.assertEqual([True, False], [one["disabled"] for one in self.file()])
        self.assertIn("(disabled)", self.user("list").stdout.splitlines()[0])
        self.user("enable", "ana")
        self.assertEqual(before, self.file())
        again = self.user("reset", "ana").stdout.strip()
        self.assertRegex(again, r"^[0-9]{6}$")
        self.assertNotEqual(before[0]["pin"], self.file()[0]["pin"])
        self.assertEqual(before[1], self.file()[1])

    def test_what_is_refused_changes_nothing(self):
        self.user("add", "ana", *WORDS)
        with open(self.path, "rb") as file:
            before = file.read()
        rows = [(["add", "ana", *WORDS], 65), (["add", "ANA", *WORDS], 65), (["add", "", *WORDS], 64), (["add", "a b", *WORDS], 64),
                (["add", "a\tb", *WORDS], 64), (["add", "n" * 65, *WORDS], 64), (["add", "bea"], 64),
                (["add", "bea", *WORDS[:4]], 64), (["add", "bea", *WORDS[2:]], 64), (["add", "bea", *WORDS[:2], *WORDS[4:]], 64),
                (["add", "bea", *WORDS[:2], "--role", "boss", *WORDS[4:]], 64), (["add", "bea", *WORDS, "--practitioner", "N-5"], 64),
                (["add", "bea", *WORDS[:4], "--display", "a\x1b[2Jb"], 64), (["add", "bea", *WORDS[:4], "--display", "d" * 101], 64),
                (["add", os.fsdecode(b"b\xffa"), *WORDS], 64),
                (["disable", "bea"], 66), (["enable", "bea"], 66), (["reset", "bea"], 66), (["disable"], 64), (["list", "ana"], 64),
                (["remove", "ana"], 64), (["add", "bea", "482613", *WORDS], 64), ([], 64)]
        for words, code in rows:
            with self.subTest(words):
                self.user(*words, code=code)
                with open(self.path, "rb") as file:
                    self.assertEqual(before, file.read())

    def test_no_file_and_no_folder(self):
        self.assertEqual("", self.user("list").stdout)
        self.user("reset", "ana", code=66)
        self.assertFalse(os.path.exists(self.path))
        self.path = "/nowhere/users.json"
        self.user("add", "ana", *WORDS, code=73)

    def test_the_same_practitioner_twice_is_said(self):
        self.user("add", "ana", *WORDS)
        self.assertIn("same practitioner", self.user("add", "ana-office", *WORDS).stderr)

    def test_several_at_once(self):
        running = [subprocess.Popen([os.path.join(BUILD, "wardpost"), "user", "add", "u%d" % i, *WORDS, "--users", self.path],
                                    stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) for i in range(6)]
        pins = [one.communicate(timeout=30)[0] for one in running]
        self.assertEqual([0] * 6, [one.returncode for one in running])
        self.assertTrue(all(re.match(rb"^[0-9]{6}\n$", pin) for pin in pins), pins)
        self.assertEqual({"u%d" % i for i in range(6)}, {one["name"] for one in self.file()})

    def test_a_broken_file_is_left_alone_and_said_by_each_check(self):
        text = '{"users": [{"name": "ana",\n"practitioner": 4711}]}'
        with open(self.path, "w", encoding="utf-8") as file:
            file.write(text)
        config = scratch_file("wardpost.conf", 'access {\n clients = "/nowhere/clients.json"\n users = "%s"\n}\n' % self.path)
        daemon = [os.path.join(BUILD, "wardpostd"), "--config", config, "--mappings", MAPPINGS, "--check"]
        for words in (["add", "ana", *WORDS], ["list"]):
            self.user(*words, code=78)
        for done in (subprocess.run(daemon, capture_output=True, text=True, timeout=10),
                     tool("check", "--mappings", MAPPINGS, "--users", self.path)):
            self.assertEqual(78, done.returncode, done.stderr)
            self.assertIn(self.path, done.stderr)
            self.assertIn("/users/0/practitioner", done.stderr)
            self.assertNotIn("4711", done.stderr)
        with open(self.path, encoding="utf-8") as file:
            self.assertEqual(text, file.read())
        os.unlink(self.path)
        self.user("add", "ana", *WORDS)
        for done in (subprocess.run(daemon, capture_output=True, text=True, timeout=10),
                     tool("check", "--mappings", MAPPINGS, "--users", self.path)):
            self.assertEqual(0, done.returncode, done.stderr)
