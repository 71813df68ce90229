"""The three grades of doubt (mappings/README.md, design 5) on a Set: problems of value, flags, and what may pass."""

from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction

from sent import Value
from table import ages_fit, half_even, within

WORST = ["ask", "override", "refuse"]


@dataclass
class Flag:
    """One part as it goes out."""

    number: object = None
    unit: str = None
    interpretation: str = None
    name: str = None
    range: dict = None


@dataclass
class Verdict:
    """One reading."""

    flags: dict = field(default_factory=dict)  # part: Flag
    asked: bool = False
    overridden: bool = False


class Judge:
    def __init__(self, table, whole, last=None):
        """`last`: {kind: {"taken", "values": {part: [number, unit]}}}, what the patient had before."""
        self.table = table
        self.whole = whole
        self.last = last or {}
        self.problems = []
        self.stopped = set()  # readings that something stands in the way of
        self.verdicts = [Verdict() for _ in whole.readings]
        self.computed = {}  # kind: (Flag, [index of input])

    def judge(self):
        for index, reading in enumerate(self.whole.readings):
            self.limits(index, reading)
            paths = Paths(self.table, {"": reading})
            for check in reading.kind["checks"]:
                self.check(check, paths, reading.on, lambda path, index=index: (index, _pointer(reading, path)))
            for name, value in reading.parts.items():
                if value.number is not None:
                    self.verdicts[index].flags[name] = self.flag(reading.kind["parts"][name], value, reading)
        if not self.whole.single:
            self.between()
            self.compute()
        return self.problems

    # ---- limits ----

    def limits(self, index, reading):
        for name, value in reading.parts.items():
            if value.number is not None:
                last = self.last_of(reading, name)
                self.limit(reading.kind["parts"][name], value, reading, [(index, value.pointer)], last)
        for path, one in self.table.fields(reading.kind):
            if one["type"] == "quantity" and path in reading.said:
                self.limit(one, reading.said[path], reading, [(index, reading.said[path].pointer)])

    def last_of(self, reading, name):
        """(minutes ago, Value) of that part in the patient's last reading of this kind; None."""
        row = self.last.get(reading.kind["kind"])
        kept = row and row["values"].get(name)
        if not isinstance(kept, list):
            return None
        ago = datetime.fromisoformat(reading.taken) - datetime.fromisoformat(row["taken"])
        minutes = Fraction(ago.days * 86400 + ago.seconds, 60) + Fraction(ago.microseconds, 60000000)
        return (minutes, Value(number=kept[0], unit=kept[1])) if minutes >= 0 else None

    def limit(self, part, value, reading, places, last=None):
        """The worst grade of all rows that fit, on the value as entered."""
        if part.get("whole") and value.number != value.number.to_integral_value():
            self.stands("refuse", "implausible", places)
        grades = [
            row["grade"]
            for row in part.get("limits", [])
            if self.fits(row, part, value, reading)
            and self.out(row, part, value)
            and not self.answered(row, part, value, self.out(row, part, value), last)
        ]
        if grades:
            self.stands(max(grades, key=WORST.index), "implausible", places)

    def fits(self, row, part, value, reading):
        if not ages_fit(row.get("ages"), self.whole.born, reading.on if reading else self.whole.on):
            return False
        if "in" in row and row["in"] != value.unit:
            return "unit" in part  # with code-by-unit a row speaks only for its own unit
        said = lambda rows: all(_word_of(reading, path) in words for path, words in rows.items())
        return said(row.get("when", {})) and not ("unless" in row and said(row["unless"]))

    def out(self, row, part, value):
        exact = self.table.exact(value.number, value.unit, row.get("in", part.get("unit", value.unit)))
        if "below" in row and exact < Fraction(row["below"]):
            return "below"
        return "above" if "above" in row and exact > Fraction(row["above"]) else None

    def answered(self, row, part, value, side, last):
        """The last value, so long ago at most, lay outside the same bound (it was asked about then), or near this one."""
        if last is None or "unless-last-minutes" not in row or last[0] > Fraction(row["unless-last-minutes"]):
            return False
        if "in" in row and row["in"] != last[1].unit:
            return False
        exact = lambda one: self.table.exact(one.number, one.unit, row.get("in", part.get("unit", one.unit)))
        near = "unless-last-near" in row and abs(exact(value) - exact(last[1])) <= Fraction(row["unless-last-near"])
        return near or self.out(row, part, last[1]) == side

    def stands(self, grade, code, places):
        """Something of this grade, reported at each (reading, pointer) that does not carry what lets it pass."""
        for index, pointer in places:
            reading, verdict = self.whole.readings[index], self.verdicts[index]
            if grade == "ask" and reading.confirmed:
                verdict.asked = True
            elif grade == "override" and reading.overridden:
                verdict.overridden = True
            elif grade != "note":
                self.stopped.add(index)
                self.problems.append((pointer, "confirm" if grade == "ask" else code))

    # ---- checks ----

    def check(self, check, paths, on, where):
        if ages_fit(check.get("ages"), self.whole.born, on) and all(paths.holds(one) for one in check["if"]):
            places = [where(path) for path in check["at"]]
            self.stands(check["grade"], check.get("code"), [place for place in places if place])

    def between(self):
        """checks.json: paths begin with the kind. Of a kind that stands twice the first that was taken is looked at."""
        firsts = {}
        for index, reading in enumerate(self.whole.readings):
            if not reading.reason:
                firsts.setdefault(reading.kind["kind"], (index, reading))

        def where(path):
            kind, inner = path.split(".", 1)
            return kind in firsts and (firsts[kind][0], _pointer(firsts[kind][1], inner))

        paths = Paths(self.table, {f"{kind}.": reading for kind, (_, reading) in firsts.items()})
        for check in self.table.checks:
            self.check(check, paths, self.whole.on, where)

    # ---- flags ----

    def flag(self, part, value, reading):
        unit = part.get("unit", value.unit)
        flag = Flag(self.table.charted(value.number, value.unit, unit), unit)
        self.interpret(flag, part, reading)
        return flag

    def interpret(self, flag, part, reading):
        """L under low, H over high, else N, on the charted value; no range that fits: no flag and no name."""
        charted = Value(number=flag.number, unit=flag.unit)
        number = Fraction(flag.number)
        flag.range = next((row for row in part.get("ranges", []) if self.fits(row, part, charted, reading)), None)
        if flag.range is None:
            return
        bounds = [("LL", "low-critical", -1), ("HH", "high-critical", 1), ("L", "low", -1), ("H", "high", 1)]
        beyond = [
            word for word, name, way in bounds if name in flag.range and (number - Fraction(flag.range[name])) * way > 0
        ]
        flag.interpretation = (beyond + ["N"])[0]
        names = (
            row["name"]
            for row in part.get("names", [])
            if self.fits(row, part, charted, reading) and within(row, number)
        )
        flag.name = next(names, None)

    # ---- computed kinds ----

    def compute(self):
        sent = {reading.kind["kind"] for reading in self.whole.readings}
        for name, kind in sorted(self.table.kinds.items(), key=lambda one: (one[1]["order"], one[0])):
            if "computed" in kind and name not in sent:
                self.compute_one(name, kind)

    def compute_one(self, name, kind):
        inputs, exact = [], Fraction(1)
        for row, way in [(row, 1) for row in kind["computed"]["numerator"]] + [
            (row, -1) for row in kind["computed"]["denominator"]
        ]:
            index = self.first(row["kind"], row["part"])
            if index is None:
                return
            value = self.whole.readings[index].parts[row["part"]]
            factor = self.table.exact(value.number, value.unit, row["in"]) ** int(row.get("power", 1))
            if way < 0 and factor == 0:
                return
            exact, inputs = exact * factor**way, inputs + [index]
        part = kind["parts"]["value"]
        unit = kind["computed"]["unit"]
        flag = Flag(half_even(exact, kind["computed"]["places"]), unit)
        self.interpret(flag, part, None)
        places = [
            (index, self.whole.readings[index].parts[row["part"]].pointer)
            for index, row in self.inputs_of(kind, inputs)
        ]
        self.limit(part, Value(number=flag.number, unit=unit), None, places)  # as a person reads it
        self.computed[name] = (flag, inputs)

    def inputs_of(self, kind, inputs):
        return list(zip(inputs, kind["computed"]["numerator"] + kind["computed"]["denominator"]))

    def first(self, kind, part):
        for index, reading in enumerate(self.whole.readings):
            value = reading.parts.get(part)
            if reading.kind["kind"] == kind and value and value.number is not None and index not in self.stopped:
                return index
        return None


def _word_of(reading, path):
    value = reading.said.get(path) if reading else None
    return value.word["word"] if isinstance(value, Value) and value.word else None


def _pointer(reading, path):
    """Where a part or context field stands in what was sent."""
    if path in reading.parts:
        return reading.parts[path].pointer
    return "/".join([reading.pointer, *path.split(".")])


class Paths:
    """What a check's paths mean: readings by the prefix of their paths. map knows no last reading: nothing of it is there."""

    def __init__(self, table, readings):
        self.table = table
        self.readings = readings

    def find(self, path):
        for prefix, reading in self.readings.items():
            if path.startswith(prefix) and not path.startswith("last."):
                inner = path[len(prefix) :]
                value = reading.parts.get(inner, reading.said.get(inner))
                part = reading.kind["parts"].get(inner) or dict(self.table.fields(reading.kind)).get(inner)
                if value is not None:
                    return value, part
        return None, None

    def exact(self, path):
        value, part = self.find(path)
        if not isinstance(value, Value) or value.number is None:
            return None
        return self.table.exact(value.number, value.unit, part.get("unit", value.unit))

    def word(self, path):
        value, _ = self.find(path)
        return value.word["word"] if isinstance(value, Value) and value.word else None

    def holds(self, one):
        tests = {
            "sum": self.sum,
            "ratio": self.ratio,
            "change": self.change,
            "entered": self.entered,
            "word": self.is_word,
            "present": lambda one: self.find(one["present"])[0] is not None,
            "absent": lambda one: self.find(one["absent"])[0] is None,
            "odd": self.odd,
            "digits-exchanged": self.last,
            "days-since-last": self.last,
            "same-as-last": self.last,
        }
        (name,) = tests.keys() & one.keys()
        return tests[name](one)

    def sum(self, one):
        terms = [(Fraction(times), self.exact(path)) for times, path in one["sum"]]
        return all(value is not None for _, value in terms) and within(
            one, sum(times * value for times, value in terms)
        )

    def ratio(self, one):
        over, under = (self.exact(path) for path in one["ratio"])
        return None not in (over, under) and under != 0 and within(one, over / under)

    def change(self, one):
        values = [self.exact(path) for path in one["change"]]
        return None not in values and within(one, abs(values[0] - values[1]))

    def entered(self, one):
        value, _ = self.find(one["entered"])
        return (
            isinstance(value, Value)
            and value.entered
            and value.unit == one["unit"]
            and within(one, Fraction(value.number))
        )

    def is_word(self, one):
        word = self.word(one["word"])
        return word is not None and (word in one["in"] if "in" in one else word not in one["not-in"])

    def odd(self, one):
        value = self.exact(one["odd"])
        return value is not None and value.denominator == 1 and value.numerator % 2 == 1

    def last(self, one):
        return False
