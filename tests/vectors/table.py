"""The kind table as mappings/README.md describes it, read for the second mapper: units, exact conversions, ages."""

import calendar
import re
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction

import digits


class Table:
    def __init__(self, folder):
        units = digits.load(folder / "units.json")
        self.systems = units["systems"]
        self.units = units["units"]
        self.conversions = {(row["from"], row["to"]): row for row in units["conversions"]}
        self.kinds = {path.stem: digits.load(path) for path in folder.glob("kinds/*.json")}
        self.lists = {path.stem: digits.load(path)["words"] for path in folder.glob("codings/*.json")}
        self.checks = digits.load(folder / "checks.json")["checks"]
        self.reasons = {row["word"]: row for row in digits.load(folder / "not-taken.json")["reasons"]}
        self.panel = digits.load(folder / "panel.json")
        self.scores = [digits.load(path) for path in sorted(folder.glob("scores/*.json"))]

    def word(self, list_name, word):
        return next((row for row in self.lists[list_name] if row["word"] == word), None)

    def coding(self, coding):
        """As FHIR wants it: the short name of a system becomes its URI."""
        system = coding["system"]
        return {**coding, "system": self.systems.get(system, system)}

    def unit(self, part, spelling):
        """The accepted unit that a sender's spelling means, by its UCUM code; None: not accepted here."""
        for code in part["accepts"]:
            if spelling == code or spelling in self.units[code].get("also", []):
                return code
        return None

    def exact(self, value, unit, to):
        """(value + add) x times / over, as a fraction; nothing is rounded."""
        if unit == to:
            return Fraction(value)
        row = self.conversions[(unit, to)]
        add, times, over = (Fraction(row.get(name, usual)) for name, usual in (("add", 0), ("times", 1), ("over", 1)))
        return (Fraction(value) + add) * times / over

    def charted(self, value, unit, to):
        """What goes out: digits as sent, or converted and rounded once; nought has no sign."""
        value = value or abs(value)
        return value if unit == to else half_even(self.exact(value, unit, to), self.units[to]["places"])

    def fields(self, kind):
        """(path, field) of every context field in the table's order; a group's fields as group.field."""
        for name, field in kind["context"].items():
            if field["type"] == "group":
                for inner, one in field["fields"].items():
                    yield f"{name}.{inner}", one
            else:
                yield name, field


def half_even(value, places):
    return Decimal(round(value * 10 ** int(places))).scaleb(-int(places))  # round() of a Fraction is half to even


def half_up(value, places):
    return Decimal((value * 10 ** int(places) + Fraction(1, 2)).__floor__()).scaleb(-int(places))


def after(day, duration):
    """ISO 8601 duration of one unit; a day that the month lacks becomes its last one."""
    count, unit = re.fullmatch(r"P(\d+)([DWMY])", duration).groups()
    count = int(count)
    if unit in "DW":
        return day + timedelta(days=count * (7 if unit == "W" else 1))
    months = day.year * 12 + day.month - 1 + count * (12 if unit == "Y" else 1)
    year, month = divmod(months, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def ages_fit(ages, born, on):
    """`ages` of a row: from (included) to (not included), on the local date; None fits everybody."""
    if ages is None:
        return True
    if born is None:
        return ages.get("unknown", False)
    return ("from" not in ages or after(born, ages["from"]) <= on) and (
        "to" not in ages or on < after(born, ages["to"])
    )


def within(row, value):
    """All bounds that stand in a row: below, above, at-most, at-least."""
    tests = {
        "below": lambda bound: value < bound,
        "above": lambda bound: value > bound,
        "at-most": lambda bound: value <= bound,
        "at-least": lambda bound: value >= bound,
    }
    return all(test(Fraction(row[name])) for name, test in tests.items() if name in row)
