"""What was sent, read against the kind table: one Set of Readings, or the problems of its shape, words and units."""

import re
import uuid
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from fractions import Fraction

from table import half_even

FRAME = {"id", "patient", "taken", "kind", "by", "device", "note", "not-taken", "confirmed", "override", "unit"}
SET = {"id", "patient", "taken", "by", "device", "note", "context", "readings"}


@dataclass
class Value:
    """A number with its unit as entered, a word, or a reason."""

    number: Decimal = None
    unit: str = None
    word: dict = None
    reason: dict = None
    pointer: str = ""  # where it stands in what was sent
    entered: bool = True  # False: worked out, from beats or from points


@dataclass
class Reading:
    kind: dict
    pointer: str
    sent: dict
    taken: str
    by: str = None
    device: str = None
    note: str = None
    reason: dict = None  # the whole reading was not taken
    parts: dict = field(default_factory=dict)  # name: Value
    said: dict = field(default_factory=dict)  # path of a context field: Value, text, list of words, or (beats, seconds)

    @property
    def id(self):
        return self.sent["id"].lower()

    @property
    def confirmed(self):
        return self.sent.get("confirmed", False)

    @property
    def overridden(self):
        return "override" in self.sent

    @property
    def on(self):
        return date.fromisoformat(self.taken[:10])  # the date where it was taken


@dataclass
class Set:
    body: dict
    single: bool
    readings: list

    @property
    def id(self):
        return self.body["id"].lower()

    @property
    def patient(self):
        return self.body["patient"]

    @property
    def born(self):
        text = self.patient.get("birthDate")
        return date.fromisoformat(text) if text else None

    @property
    def taken(self):
        return self.body.get("taken", self.readings[0].taken)

    @property
    def by(self):
        return self.body.get("by", self.readings[0].by)

    @property
    def on(self):
        return date.fromisoformat(self.taken[:10])

    def context(self, name, usual=None):
        return self.body.get("context", {}).get(name, usual)


def named(space, name):
    return str(uuid.uuid5(uuid.UUID(space), name))


def step(pointer, name):
    return f"{pointer}/{str(name).replace('~', '~0').replace('/', '~1')}"


class Parse:
    """Collects everything that is wrong; `problems` is a list of (pointer, code)."""

    def __init__(self, table):
        self.table = table
        self.problems = []

    def bad(self, pointer, code):
        self.problems.append((pointer, code))

    def typed(self, members, name, pointer, wanted):
        """The member when it is of that type; None with a problem, or without one when it is not there."""
        if name not in members:
            return None
        value = members[name]
        if not isinstance(value, wanted) or isinstance(value, bool) != (wanted is bool):
            return self.bad(step(pointer, name), "wrong-type")
        if isinstance(value, (str, list)) and not (value.strip() if isinstance(value, str) else value):
            return self.bad(step(pointer, name), "missing-field")
        return value

    def body(self, body):
        if not isinstance(body, dict):
            return self.bad("", "wrong-type")
        single = "readings" not in body
        self.patient(body)
        if not single:
            for name in body.keys() - SET:
                self.bad(step("", name), "unknown-field")
        rows = [body] if single else self.typed(body, "readings", "", list) or []
        readings = [self.reading(row, body, "" if single else f"/readings/{i}") for i, row in enumerate(rows)]
        return Set(body, single, readings)

    def patient(self, body):
        patient = self.typed(body, "patient", "", dict)
        if patient is None:
            return None if "patient" in body else self.bad("/patient", "missing-field")
        if "identifier" not in patient:
            self.bad("/patient/identifier", "missing-field")
        born = self.typed(patient, "birthDate", "/patient", str)
        if born and not _is_date(born):
            self.bad("/patient/birthDate", "bad-time")
        return None

    def reading(self, row, body, pointer):
        inherits = lambda name: row.get(name, body.get(name))
        name = self.typed(row, "kind", pointer, str)
        if name is None:
            return None if "kind" in row else self.bad(step(pointer, "kind"), "missing-field")
        kind = self.table.kinds.get(name)
        if kind is None:
            return self.bad(step(pointer, "kind"), "unknown-kind")
        reading = Reading(kind, pointer, row, inherits("taken"), inherits("by"), inherits("device"), inherits("note"))
        self.time(reading, row, pointer)
        self.known(reading)
        self.reason(reading)
        self.said(reading)
        self.parts(reading)
        return reading

    def time(self, reading, row, pointer):
        if reading.taken is None:
            return self.bad("/taken", "missing-field")
        if not _is_time(reading.taken):
            return self.bad(step(pointer, "taken") if "taken" in row else "/taken", "bad-time")
        return None

    def known(self, reading):
        kind = reading.kind
        quantity = any(part["type"] == "quantity" for part in kind["parts"].values())
        known = FRAME | kind["parts"].keys() | kind["context"].keys()
        for name in reading.sent.keys() - (known if quantity else known - {"unit"}):
            self.bad(step(reading.pointer, name), "unknown-field")

    def reason(self, reading):
        word = self.typed(reading.sent, "not-taken", reading.pointer, str)
        if word is None:
            return
        reading.reason = self.table.reasons.get(word)
        if reading.reason is None:
            self.bad(step(reading.pointer, "not-taken"), "unknown-word")
        if "computed" in reading.kind:
            self.bad(step(reading.pointer, "not-taken"), "inconsistent")
        for name in reading.sent.keys() & (reading.kind["parts"].keys() | {"counted"}):
            self.bad(step(reading.pointer, name), "inconsistent")

    # ---- parts ----

    def parts(self, reading):
        if "not-taken" in reading.sent:
            return
        kind, sent = reading.kind, reading.sent
        given = {one["gives"] for path, one in self.table.fields(kind) if one["type"] == "count" and path in sent}
        for name, part in kind["parts"].items():
            value = self.number(reading, name, part) if part["type"] == "quantity" else self.word(reading, name, part)
            if value is not None:
                reading.parts[name] = value
            elif part.get("required", True) and name not in sent and name not in given:
                self.bad(step(reading.pointer, name), "missing-field")
        self.counts(reading)
        self.sums(reading)
        self.unit_missing(reading)

    def unit_missing(self, reading):
        for name, part in reading.kind["parts"].items():
            if name in reading.sent and part["type"] == "quantity" and "unit" not in reading.sent:
                if not part.get("unit-optional"):
                    return self.bad(step(reading.pointer, "unit"), "missing-field")
        return None

    def unit(self, members, pointer, part):
        spelling = self.typed(members, "unit", pointer, str)
        if spelling is None:
            return part.get("unit")
        unit = self.table.unit(part, spelling)
        if unit is None and (step(pointer, "unit"), "unknown-unit") not in self.problems:
            self.bad(step(pointer, "unit"), "unknown-unit")
        return unit

    def number(self, reading, name, part):
        unit = self.unit(reading.sent, reading.pointer, part)
        pointer = step(reading.pointer, name)
        if part.get("not-taken") and isinstance(reading.sent.get(name), dict):
            word = self.typed(reading.sent[name], "not-taken", pointer, str)
            reason = self.table.reasons.get(word)
            if word is not None and reason is None:
                self.bad(step(pointer, "not-taken"), "unknown-word")
            return reason and Value(reason=reason, pointer=pointer)
        number = self.typed(reading.sent, name, reading.pointer, Decimal)
        if number is None:
            return None
        return Value(number=number, unit=unit, pointer=pointer)

    def word(self, reading, name, part):
        text = self.typed(reading.sent, name, reading.pointer, str)
        return None if text is None else self.value_of(text, part["list"], step(reading.pointer, name))

    def value_of(self, text, list_name, pointer):
        word = self.table.word(list_name, text)
        if word is None:
            return self.bad(pointer, "unknown-word")
        return Value(word=word, pointer=pointer)

    def counts(self, reading):
        for path, one in self.table.fields(reading.kind):
            count = reading.said.get(path)
            if one["type"] != "count" or count is None:
                continue
            beats, seconds = count
            rate = half_even(Fraction(beats) * 60 / Fraction(seconds), 0)
            part = reading.kind["parts"][one["gives"]]
            sent = reading.parts.get(one["gives"])
            if sent is None:
                value = Value(number=rate, unit=part["unit"], pointer=step(reading.pointer, path), entered=False)
                reading.parts[one["gives"]] = value
            elif (
                sent.unit and "unit" in reading.sent and self.table.exact(sent.number, sent.unit, part["unit"]) != rate
            ):
                self.bad(step(reading.pointer, path), "inconsistent")

    def sums(self, reading):
        for name, part in reading.kind["parts"].items():
            if "sum" not in part or any(one not in reading.parts for one in part["sum"]):
                continue
            points = [reading.parts[one].word.get("points") for one in part["sum"]]
            total = None if None in points else sum(points)
            sent = reading.parts.get(name)
            if sent is not None and (total is None or sent.number != total):
                self.bad(sent.pointer, "inconsistent")
            elif sent is None and total is not None:
                value = Value(
                    number=Decimal(total), unit=part["unit"], pointer=step(reading.pointer, name), entered=False
                )
                reading.parts[name] = value

    # ---- what is said about it ----

    def said(self, reading):
        for name, one in reading.kind["context"].items():
            if name not in reading.sent:
                continue
            if one["type"] == "group":
                self.group(reading, name, one)
            else:
                self.one(reading, name, one, reading.sent, name, reading.pointer)

    def group(self, reading, name, group):
        members = self.typed(reading.sent, name, reading.pointer, dict)
        if members is None:
            return
        pointer = step(reading.pointer, name)
        for inner in members:
            if inner not in group["fields"]:
                self.bad(step(pointer, inner), "unknown-field")
        for inner, one in group["fields"].items():
            if inner in members:
                self.one(reading, f"{name}.{inner}", one, members, inner, pointer)

    def one(self, reading, path, one, members, name, pointer):
        read = {
            "word": self.one_word,
            "words": self.words,
            "text": self.text,
            "quantity": self.quantity,
            "count": self.count,
        }
        value = read[one["type"]](one, members, name, pointer)
        if value is not None:
            reading.said[path] = value

    def one_word(self, one, members, name, pointer):
        text = self.typed(members, name, pointer, str)
        return None if text is None else self.value_of(text, one["list"], step(pointer, name))

    def words(self, one, members, name, pointer):
        texts = self.typed(members, name, pointer, list)
        if texts is None:
            return None
        values = [self.value_of(text, one["list"], step(step(pointer, name), i)) for i, text in enumerate(texts)]
        for i, text in enumerate(texts):
            if text in texts[:i]:
                self.bad(step(step(pointer, name), i), "inconsistent")
        return None if None in values else values

    def text(self, one, members, name, pointer):
        return self.typed(members, name, pointer, str)

    def quantity(self, one, members, name, pointer):
        value = self.typed(members, name, pointer, dict)
        if value is None:
            return None
        pointer = step(pointer, name)
        number = self.typed(value, "value", pointer, Decimal)
        unit = self.unit(value, pointer, one)
        for needed in {"value", "unit"} - value.keys():
            self.bad(step(pointer, needed), "missing-field")
        return None if number is None or unit is None else Value(number=number, unit=unit, pointer=pointer)

    def count(self, one, members, name, pointer):
        value = self.typed(members, name, pointer, dict)
        if value is None:
            return None
        pointer = step(pointer, name)
        beats, seconds = (self.typed(value, needed, pointer, Decimal) for needed in ("beats", "seconds"))
        for needed in {"beats", "seconds"} - value.keys():
            self.bad(step(pointer, needed), "missing-field")
        if beats is not None and (beats < 1 or beats != beats.to_integral_value()):
            beats = self.bad(step(pointer, "beats"), "implausible")
        if seconds is not None and seconds not in one["seconds"]:
            seconds = self.bad(step(pointer, "seconds"), "implausible")
        return None if beats is None or seconds is None else (beats, seconds)


def _is_date(text):
    try:
        return bool(re.fullmatch(r"\d{4}-\d\d-\d\d", text)) and bool(date.fromisoformat(text))
    except ValueError:
        return False


def _is_time(text):
    match = re.fullmatch(r"(\d{4}-\d\d-\d\d)T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d+)?(Z|[+-]\d\d:\d\d)", text)
    return bool(match) and _is_date(match[1])
