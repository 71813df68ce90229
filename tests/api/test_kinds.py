"""The kind table as forms get it: other languages, packed, asked for again by its tag."""
import concurrent.futures
import glob
import gzip
import json
import os
import re
import shutil
import signal
import tempfile
import unittest

from support import MAPPINGS, SCRATCH, Daemon, WithDaemon, wait_until

GZIP = {"Accept-Encoding": "gzip"}


def walk(value, names_are_free=False):
    """Every member, with whether its name is one of the format's."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield name, inner, not names_are_free
            yield from walk(inner, name in ("parts", "context", "fields", "units", "when", "codings", "scores"))
    elif isinstance(value, list):
        for inner in value:
            yield from walk(inner)


class Kinds(WithDaemon):
    def ask(self, query="", **headers):
        return self.daemon.ask("GET", "/v1/kinds" + query, headers={n.replace("_", "-"): v for n, v in headers.items()})

    def test_languages(self):
        names = {"en": "English"}
        for path in glob.glob(os.path.join(MAPPINGS, "languages", "*.json")):
            with open(path) as file:
                one = json.load(file)
            names[one["language"]] = one["name"]
            said = self.ask("?language=" + one["language"]).json
            self.assertEqual((one["language"], one["texts"]), (said["language"], said["texts"]))
        self.assertIn("es", names)
        for query in ("", "?language=en"):
            said = self.ask(query).json
            self.assertEqual(names, said["languages"])
            self.assertNotIn("texts", said)

    def test_unknown_arguments(self):
        self.assertEqual(404, self.ask("?language=xx").status)
        self.assertEqual(404, self.ask("?language=../es").status)
        self.assertEqual(400, self.ask("?for=mapping").status)
        self.assertEqual("no-store", self.ask("?language=xx").headers["Cache-Control"])

    def test_packed(self):
        plain, packed = self.ask(), self.ask(Accept_Encoding="br, gzip;q=1.0")
        self.assertIsNone(plain.headers["Content-Encoding"])
        self.assertEqual("gzip", packed.headers["Content-Encoding"])
        self.assertEqual(plain.body, gzip.decompress(packed.body))
        self.assertLess(len(packed.body) * 4, len(plain.body))
        self.assertIsNone(self.ask(Accept_Encoding="gzip;q=0").headers["Content-Encoding"])

    def test_tags(self):
        """Each document and each form of it has its own; it says the same until the table is another one."""
        tags = set()
        for query in ("", "?language=es", "?for=form", "?for=form&language=es"):
            for headers in ({}, GZIP):
                with self.subTest((query, headers)):
                    first = self.daemon.ask("GET", "/v1/kinds" + query, headers=headers)
                    tag = first.headers["ETag"]
                    self.assertRegex(tag, r'^"[0-9a-f]{16}(-gzip)?"$')
                    self.assertEqual(("no-cache", "Accept-Encoding"), (first.headers["Cache-Control"], first.headers["Vary"]))
                    tags.add(tag)
                    for known in (tag, '"other", W/%s' % tag):
                        again = self.daemon.ask("GET", "/v1/kinds" + query, headers={**headers, "If-None-Match": known})
                        self.assertEqual((304, b"", tag), (again.status, again.body, again.headers["ETag"]))
                    other = self.daemon.ask("GET", "/v1/kinds" + query, headers={**headers, "If-None-Match": '"0000000000000000"'})
                    self.assertEqual((200, first.body), (other.status, other.body))
        self.assertEqual(8, len(tags))

    def test_for_the_form(self):
        """What only mapping needs is not in it, nor where a limit comes from; everything else is: no number, text or word is lost."""
        whole, short = self.ask().json, self.ask("?for=form").json
        gone = {"about", "as", "category", "coding", "members-category", "part-codings", "profile", "systems"}
        self.assertEqual(set(whole), set(short))
        for name, value, ours in walk(short):
            self.assertFalse(ours and name in gone, name)
            self.assertFalse(ours and name == "code" and not isinstance(value, str))
            self.assertNotEqual("http://hl7.org/fhir/StructureDefinition/heartrate", value)

        def bare(value):
            if isinstance(value, list):
                return [bare(inner) for inner in value]
            if not isinstance(value, dict):
                return value
            return {n: bare(v) for n, v in value.items() if n != "about" and not (n == "source" and "text" not in value)}

        for kind, left in zip(whole["kinds"], short["kinds"]):
            self.assertEqual((kind["kind"], kind["title"], kind["order"], bare(kind.get("hints")), bare(kind.get("computed"))),
                             (left["kind"], left["title"], left["order"], left.get("hints"), left.get("computed")))
            self.assertEqual(list(kind["parts"]), list(left["parts"]))
            for name, part in kind["parts"].items():
                for rows in ("limits", "ranges", "names"):
                    self.assertEqual(bare(part.get(rows, [])), left["parts"][name].get(rows, []))
                self.assertEqual([row["source"] for row in part.get("ranges", [])], [row["source"] for row in left["parts"][name].get("ranges", [])])
            self.assertEqual([c["code"] for c in kind.get("checks", []) if "code" in c],
                             [c["code"] for c in left.get("checks", []) if "code" in c])
        for name, words in whole["codings"].items():
            self.assertEqual([(w["word"], w["text"]) for w in words["words"]],
                             [(w["word"], w["text"]) for w in short["codings"][name]["words"]])
        self.assertLess(len(self.ask("?for=form", **{"Accept_Encoding": "gzip"}).body) + 3000, len(self.ask(Accept_Encoding="gzip").body))

    def test_packed_once_whoever_asks(self):
        queries = ["", "?language=es", "?for=form", "?for=form&language=es"] * 10
        with concurrent.futures.ThreadPoolExecutor(8) as pool:
            sizes = list(pool.map(lambda query: len(self.daemon.ask("GET", "/v1/kinds" + query, headers=GZIP).body), queries))
        kept = re.search(r"^wardpost_kinds_kept_bytes (\d+)$", self.daemon.ask("GET", "/metrics").body.decode(), re.M)
        self.assertEqual(sum(sizes[:4]), int(kept[1]))


class AnotherTable(unittest.TestCase):
    def test_another_table_has_another_tag(self):
        folder = os.path.join(tempfile.mkdtemp(dir=SCRATCH), "mappings")
        shutil.copytree(MAPPINGS, folder)
        daemon = Daemon(mappings=folder)
        try:
            before = daemon.ask("GET", "/v1/kinds?language=es", headers=GZIP)
            path = os.path.join(folder, "languages", "es.json")
            with open(path) as file:
                spanish = file.read()
            with open(path, "w") as file:
                file.write(spanish.replace('"Pulse": "Pulso"', '"Pulse": "Frecuencia del pulso"'))
            daemon.process.send_signal(signal.SIGHUP)
            ask = lambda: daemon.ask("GET", "/v1/kinds?language=es", headers={**GZIP, "If-None-Match": before.headers["ETag"]})
            wait_until(lambda: ask().status == 200, 10, "the new table")
            self.assertIn("Frecuencia del pulso", gzip.decompress(ask().body).decode())
        finally:
            daemon.stop()
