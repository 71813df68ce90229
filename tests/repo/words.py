"""What people read: each text of the kind table and each message of the form is there in every language, and says the same figures."""
import glob
import json
import os
import re
import tempfile
import unittest

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
TABLE = os.path.join(ROOT, "mappings")
WEB = os.path.join(ROOT, "daemon", "web")
ONE, EACH = {"ask", "title", "text", "say", "name", "credit", "risk"}, {"cautions", "scales"}  # mappings/README.md


def load(path):
    def once(pairs):
        names = [name for name, _ in pairs]
        if len(set(names)) < len(names):
            raise ValueError("%s: %s stands there twice" % (path, next(n for n in names if names.count(n) > 1)))
        return dict(pairs)
    with open(path, encoding="utf-8") as file:
        return json.load(file, object_pairs_hook=once)


def texts_of(value):
    """The texts for people in a file of the table."""
    if isinstance(value, list):
        for inner in value:
            yield from texts_of(inner)
    elif isinstance(value, dict):
        for name, inner in value.items():
            if name in ONE and isinstance(inner, str):
                yield inner
            elif name in EACH:
                yield from (text for text in (inner.values() if isinstance(inner, dict) else inner) if isinstance(text, str))
            if name != "about":
                yield from texts_of(inner)


def table_texts():
    files = [f for f in glob.glob(os.path.join(TABLE, "**", "*.json"), recursive=True)
             if os.path.relpath(f, TABLE).split(os.sep)[0] not in ("vectors", "languages")]
    return {text for file in files for text in texts_of(load(file))}


def holes(text):
    return sorted(re.findall(r"\{[^{}]*\}", text))


def figures(text):
    return sorted(re.findall(r"\d+(?:[.,]\d+)?", re.sub(r"\{[^{}]*\}", "", text)))


def said_differently(original, translation):
    """Why a translation cannot be the same message; None: it can."""
    if not translation.strip() or translation != translation.strip():
        return "blank, or blanks at its ends"
    if holes(original) != holes(translation) or translation.count("{") != len(holes(original)) or translation.count("}") != len(holes(original)):
        return "other holes"
    return None


def catalogue(folder, language):
    """The messages of one language, which stand in several files."""
    found = {}
    for file in sorted(glob.glob(os.path.join(folder, "words", language, "**", "*.json"), recursive=True)):
        for key, text in load(file).items():
            if key in found:
                raise ValueError("%s: %s stands in another file too" % (file, key))
            found[key] = text
    return found


def scripts(folder):
    for file in sorted(glob.glob(os.path.join(folder, "form", "*.js")) + glob.glob(os.path.join(folder, "*.js"))):
        with open(file, encoding="utf-8") as source:
            yield os.path.basename(file), source.read()


def certain(folder):
    """Keys that are certainly asked for: they stand in the call, alone or as one of two: say('key'), say(is ? 'key' : 'other')."""
    found = {}
    for file, code in scripts(folder):
        keys = re.findall(r"""\bsay\(\s*'([^'\\]+)'""", code)
        for choice in re.findall(r"""\bsay\([^()'`,]*(?:===? *'[^']*' *)?\?( *'[^']+' *: *'[^']+')""", code):
            keys += re.findall(r"'([^']+)'", choice)
        for key in keys:
            found.setdefault(key, file)
    return found


def spoken(folder):
    """All keys that may be asked for, and patterns: a key built from pieces (`grade.${word}`) stands for all that begin and end so."""
    keys, patterns = set(certain(folder)), {}
    for file, code in scripts(folder):
        # keys that go through a variable or a table have a dot, by which they are known
        keys.update(re.findall(r"""'([a-z][\w-]*(?:\.[\w-]+)+)'""", code))
        for pattern in re.findall(r"\bsay\(\s*`([^`\s]*\$\{[^`\s]*)`", code) + re.findall(r"`([a-z][\w-]*\.[^`\s/]*\$\{[^`\s/]*)`", code):
            patterns["[\\w.-]+".join(re.escape(piece) for piece in re.split(r"\$\{[^}]*\}", pattern))] = "%s: `%s`" % (file, pattern)
    return keys, patterns


def too_late(folder):
    """Messages that are asked for by what comes first and stand among those that come last (form/bundle)."""
    with open(os.path.join(folder, "form", "bundle"), encoding="utf-8") as file:
        first = file.read().split("later.js:")[0].split()
    late = set()
    for file in glob.glob(os.path.join(folder, "words", "en", "later", "*.json")):
        late |= set(load(file))
    return ["%s: say('%s') stands in words/*/later" % (file, key) for key, file in certain(folder).items() if key in late and file in first]


def faults(folder):
    """All that is wrong with the messages of a form."""
    english = catalogue(folder, "en")
    languages = sorted(os.path.basename(path) for path in glob.glob(os.path.join(folder, "words", "*")))
    found = ["%s: say('%s') has no message" % (file, key) for key, file in certain(folder).items() if key not in english]
    keys, patterns = spoken(folder)
    found += ["%s stands for no message" % where for pattern, where in patterns.items() if not any(re.fullmatch(pattern, key) for key in english)]
    found += ["en: nobody says %s" % key for key in english
              if key not in keys and not any(re.fullmatch(pattern, key) for pattern in patterns)]
    for language in languages:
        words = catalogue(folder, language)
        found += ["%s: %s is missing" % (language, key) for key in english if key not in words]
        found += ["%s: %s is not in en" % (language, key) for key in words if key not in english]
        found += ["%s: %s: %s" % (language, key, said_differently(english[key], words[key])) for key in words
                  if key in english and said_differently(english[key], words[key])]
    return found


class Table(unittest.TestCase):
    def languages(self):
        found = [load(file) for file in sorted(glob.glob(os.path.join(TABLE, "languages", "*.json")))]
        self.assertIn("es", [one["language"] for one in found])
        return found

    def test_every_text_is_translated_and_nothing_else(self):
        texts = table_texts()
        self.assertGreater(len(texts), 400)
        for one in self.languages():
            with self.subTest(one["language"]):
                self.assertEqual([], sorted(texts - set(one["texts"])), "not translated")
                self.assertEqual([], sorted(set(one["texts"]) - texts), "texts of nobody")

    def test_holes_and_figures_are_those_of_the_original(self):
        for one in self.languages():
            for original, translation in one["texts"].items():
                with self.subTest((one["language"], original)):
                    self.assertIsNone(said_differently(original, translation))
                    self.assertEqual(figures(original), figures(translation))

    def test_two_texts_do_not_become_one(self):
        """Two words of a list that read the same could not be told apart."""
        for one in self.languages():
            seen = {}
            for original, translation in one["texts"].items():
                with self.subTest((one["language"], original)):
                    self.assertNotIn(translation, seen, seen.get(translation))
                seen[translation] = original

    def test_who_reviewed_it_is_said(self):
        for one in self.languages():
            self.assertIn("clinician", one["about"])


class Form(unittest.TestCase):
    def test_messages(self):
        self.assertGreater(len(catalogue(WEB, "en")), 20)
        self.assertEqual([], too_late(WEB))
        self.assertGreater(len(catalogue(WEB, "es")), 20)
        self.assertGreater(len(certain(WEB)), 5)
        self.assertEqual([], faults(WEB))

    def test_a_fault_is_found(self):
        """The same form with one thing wrong at a time."""
        code = "say('a.one'); say('two', {n: 1}); say(`state.${word}`); const keys = ['b.three'];"
        words = {"a.one": "One", "two": "{n} two", "state.held": "Held", "b.three": "Three"}
        spanish = {"a.one": "Uno", "two": "{n} dos", "state.held": "Retenido", "b.three": "Tres"}
        rows = [(code, words, spanish, []),
                (code + "say('none')", words, spanish, ["form.js: say('none') has no message"]),
                (code + "say(is === 'so' ? 'two' : 'none', {n: 1})", words, spanish, ["form.js: say('none') has no message"]),
                (code + "say(`grade.${word}`)", words, spanish, ["form.js: `grade.${word}` stands for no message"]),
                (code, {**words, "left": "Over"}, {**spanish, "left": "Resto"}, ["en: nobody says left"]),
                (code, words, {k: v for k, v in spanish.items() if k != "two"}, ["es: two is missing"]),
                (code, words, {**spanish, "more": "Más"}, ["es: more is not in en"]),
                (code, words, {**spanish, "two": "dos"}, ["es: two: other holes"]),
                (code, words, {**spanish, "two": "{n} dos {n}"}, ["es: two: other holes"]),
                (code, words, {**spanish, "two": "{n} dos }"}, ["es: two: other holes"]),
                (code, words, {**spanish, "a.one": " "}, ["es: a.one: blank, or blanks at its ends"])]
        for script, english, other, wanted in rows:
            with self.subTest(wanted), tempfile.TemporaryDirectory() as folder:
                for language, messages in (("en", english), ("es", other)):
                    os.makedirs(os.path.join(folder, "words", language))
                    with open(os.path.join(folder, "words", language, "all.json"), "w") as out:
                        json.dump(messages, out)
                os.makedirs(os.path.join(folder, "form"))
                with open(os.path.join(folder, "form", "form.js"), "w") as out:
                    out.write(script)
                self.assertEqual(wanted, faults(folder))

    def test_a_key_stands_in_one_file(self):
        with tempfile.TemporaryDirectory() as folder:
            os.makedirs(os.path.join(folder, "words", "en"))
            for name in ("one", "two"):
                with open(os.path.join(folder, "words", "en", name + ".json"), "w") as out:
                    out.write('{"a": "A"}')
            with self.assertRaises(ValueError):
                catalogue(folder, "en")
