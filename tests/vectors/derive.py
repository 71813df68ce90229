#!/usr/bin/env python3
"""derive.py - the second mapper: what a reading must become, worked out from the kind table and the READMEs alone.

    derive.py --check [VECTOR ...]    compare with what stands in the vectors, to the last digit
    derive.py --write [VECTOR ...]    fill `becomes` and `flags`, or `problems`, of the vectors; review what changes
    derive.py FILE                    print what a reading or set becomes

It shares nothing with the daemon's mapper but the table.
"""

import sys
from pathlib import Path

import digits
from becomes import Observations
from doubt import Judge
from scoring import Score
from sent import Parse
from table import Table

HERE = Path(__file__).resolve().parent
MAPPINGS = HERE.parent.parent / "mappings"


def distinct(problems):
    return [{"pointer": pointer, "code": code} for pointer, code in sorted(set(problems))]


def derive(table, body, last=None):
    """{"becomes", "flags"} or {"problems"}."""
    parse = Parse(table)
    whole = parse.body(body)
    if parse.problems:
        return {"problems": distinct(parse.problems)}
    judge = Judge(table, whole, last)
    if judge.judge():
        return {"problems": distinct(judge.problems)}
    scores = [Score(table, score, whole) for score in table.scores]
    return {"becomes": Observations(table, whole, judge, scores).all(), "flags": [flags(one) for one in judge.verdicts]}


def flags(verdict):
    rows = []
    for part, flag in verdict.flags.items():
        if flag.interpretation:
            named = {"name": flag.name} if flag.name else {}
            rows.append({"part": part, "interpretation": flag.interpretation, **named})
    return rows


def vectors(names=()):
    paths = [Path(name) for name in names] or sorted(MAPPINGS.glob("vectors/*/*.json"))
    return [(path, digits.load(path)) for path in paths]


def refill(vector, derived):
    kept = {name: vector[name] for name in ("about", "source", "last", "sent") if name in vector}
    return {**kept, **derived}


def main(words):
    table = Table(MAPPINGS)
    mode, names = (words[0], words[1:]) if words else ("--help", [])
    if mode == "--check":
        wrong = [
            path
            for path, vector in vectors(names)
            if digits.dumps(refill(vector, derive(table, vector["sent"], vector.get("last")))) != digits.dumps(vector)
        ]
        print(*(f"{path}: differs from what is derived" for path in wrong), sep="\n", end="\n" if wrong else "")
        print(f"{len(vectors(names)) - len(wrong)} passed, {len(wrong)} failed")
        return 1 if wrong else 0
    if mode == "--write":
        for path, vector in vectors(names):
            path.write_text(digits.dumps(refill(vector, derive(table, vector["sent"], vector.get("last")))) + "\n", encoding="utf-8")
        return 0
    if mode.startswith("-"):
        print(__doc__, file=sys.stderr)
        return 64  # EX_USAGE
    print(digits.dumps(derive(table, digits.load(Path(mode)))))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
