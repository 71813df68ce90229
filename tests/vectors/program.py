"""wardpost map, as a person would call it."""

import subprocess

import digits


class Program:
    def __init__(self, path, mappings, folder):
        self.path, self.mappings = path, mappings
        self.file = folder / "sent.json"

    def map(self, sent, *switches):
        """(exit code, standard output, standard error)."""
        text = sent if isinstance(sent, str) else digits.dumps(sent)
        self.file.write_text(text, encoding="utf-8")
        words = [self.path, "map", "--mappings", self.mappings, *switches, self.file]
        done = subprocess.run(words, capture_output=True, encoding="utf-8", timeout=30, check=False)
        return done.returncode, done.stdout, done.stderr
