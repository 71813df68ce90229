#!/usr/bin/env python3
"""Writes rounding.tsv: what exact_times() and exact_round() must give, by Python's decimal and fractions.

    python3 tests/base/rounding.py > tests/base/rounding.tsv

Columns: value, over, under (the factor is over / under), places, rounded half to even, rounded half up (away from zero).
"""
import random
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Context, Decimal

ROWS = 400
chance = random.Random(20261125)
context = Context(prec=80)


def row(value: Decimal, over: int, under: int, places: int) -> str | None:
    exact = context.divide(context.multiply(value, Decimal(over)), Decimal(under))
    rounded = [exact.quantize(Decimal(1).scaleb(-places), rounding=how, context=context)
               for how in (ROUND_HALF_EVEN, ROUND_HALF_UP)]
    if any(len(r.as_tuple().digits) > 15 for r in rounded):
        return None
    texts = [format(abs(r) if r.is_zero() else r, "f") for r in rounded]
    return "\t".join([format(value, "f"), str(over), str(under), str(places), *texts])


def any_value() -> Decimal:
    scale = chance.randint(0, 9)
    return Decimal(chance.randint(-(10 ** chance.randint(1, 15)), 10 ** chance.randint(1, 15))).scaleb(-scale)


def tie(places: int) -> Decimal:
    """Half a unit behind the last place that is kept."""
    return Decimal(chance.randint(-99999, 99999) * 10 + 5).scaleb(-places - 1)


lines = []
while len(lines) < ROWS:
    if len(lines) % 2:
        places = chance.randint(0, 8)
        line = row(tie(places), 1, 1, places)
    else:
        line = row(any_value(), chance.randint(1, 10 ** 6), chance.randint(1, 10 ** 6), chance.randint(0, 9))
    if line:
        lines.append(line)
print("# made by tests/base/rounding.py with Python's decimal; not edited by hand")
print("\n".join(lines))
