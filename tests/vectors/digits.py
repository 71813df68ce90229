"""JSON whose numbers keep their digits: 98.60 stays 98.60, 37.0 never becomes 37 (decimal.Decimal remembers both)."""

import json
from decimal import Decimal

WIDTH = 120


class Broken(ValueError):
    """Text that is no JSON, or says one thing twice."""


def _members(pairs):
    members = dict(pairs)
    if len(members) != len(pairs):
        raise Broken("a name stands twice in an object")
    return members


def _no_constant(word):
    raise Broken(f"{word} is no number")


def loads(text):
    try:
        return json.loads(
            text, parse_float=Decimal, parse_int=Decimal, parse_constant=_no_constant, object_pairs_hook=_members
        )
    except json.JSONDecodeError as error:
        raise Broken(str(error)) from error


def load(path):
    return loads(path.read_text(encoding="utf-8"))


def _leaf(value):
    if isinstance(value, Decimal):
        return format(value, "f")  # never an exponent
    return json.dumps(value, ensure_ascii=False)


def flat(value):
    """On one line, as files are written here."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_leaf(name)}: {flat(one)}" for name, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(flat(one) for one in value) + "]"
    return _leaf(value)


def dumps(value, indent=0, before=0):
    """What fits on a line stands on one; `before` is what already stands on it."""
    line = flat(value)
    if indent > 0 and before + indent + len(line) <= WIDTH or not isinstance(value, (dict, list)) or not value:
        return line
    pad = " " * (indent + 1)
    if isinstance(value, dict):
        rows = [f"{pad}{_leaf(name)}: {dumps(one, indent + 1, len(_leaf(name)) + 3)}" for name, one in value.items()]
        return "{\n" + ",\n".join(rows) + "\n" + " " * indent + "}"
    rows = [pad + dumps(one, indent + 1, 1) for one in value]
    return "[\n" + ",\n".join(rows) + "\n" + " " * indent + "]"


def same_number(one, other):
    """Equal to the last digit: 37.0 is not 37."""
    return one.as_tuple() == other.as_tuple()
