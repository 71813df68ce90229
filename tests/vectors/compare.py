"""Does what the program printed equal what a vector expects, to the last digit?

The order of an object's members means nothing. The order of every array means something, `component` too: FHIR gives it no
meaning, but the READMEs fix it, and a reader of two charts is helped by it. Problems are compared as the set of their
(pointer, code) pairs: how a problem is worded, and whether two rules speak at one place, is not the vectors' business.
"""

from decimal import Decimal
from functools import lru_cache

import digits

EX_OK, EX_DATAERR = 0, 65


def difference(wanted, got, at=""):
    """The first difference, as a line for a person; None: there is none."""
    if type(wanted) is not type(got):
        return f"{at or '/'}: expected {_short(wanted)}, got {_short(got)}"
    if isinstance(wanted, dict):
        for name in {**wanted, **got}:
            if name not in got:
                return f"{at}/{name}: missing; expected {_short(wanted[name])}"
            if name not in wanted:
                return f"{at}/{name}: not expected; got {_short(got[name])}"
            found = difference(wanted[name], got[name], f"{at}/{name}")
            if found:
                return found
        return None
    if isinstance(wanted, list):
        if len(wanted) != len(got):
            return f"{at}: expected {len(wanted)} elements, got {len(got)}: {_short(got)}"
        found = (difference(one, other, f"{at}/{i}") for i, (one, other) in enumerate(zip(wanted, got)))
        return next((line for line in found if line), None)
    same = digits.same_number(wanted, got) if isinstance(wanted, Decimal) else wanted == got
    return None if same else f"{at}: expected {_short(wanted)}, got {_short(got)}"


def _short(value):
    text = digits.flat(value)
    return text if len(text) <= 200 else text[:200] + " …"


@lru_cache(maxsize=4)
def _read(text):
    """One answer is compared with many expectations: it is read once, and never changed."""
    return digits.loads(text)


def bundle_difference(wanted, text):
    """`wanted`: the list of Observations; `text`: what map --all printed."""
    try:
        bundle = _read(text)
    except digits.Broken as error:
        return f"printed no JSON: {error}"
    entries = [{"fullUrl": f"urn:uuid:{one['id']}", "resource": one} for one in wanted]
    return difference({"resourceType": "Bundle", "type": "collection", "entry": entries}, bundle)


def problems_difference(wanted, text):
    """`text`: the problem document that map printed on standard error."""
    try:
        document = _read(text)
        got = {(one["pointer"], one["code"]) for one in document["errors"]}
    except (digits.Broken, KeyError, TypeError) as error:
        return f"printed no problem document: {error!r}: {text[:200]}"
    if not all(isinstance(one.get("detail"), str) and one["detail"] for one in document["errors"]):
        return "a problem without words"
    pairs = {(one["pointer"], one["code"]) for one in wanted}
    lines = [f"missing: {code} at {pointer or '(the body)'}" for pointer, code in sorted(pairs - got)]
    lines += [f"not expected: {code} at {pointer or '(the body)'}" for pointer, code in sorted(got - pairs)]
    return "; ".join(lines) or None


def outcome_difference(vector, code, out, err):
    """A vector against what `wardpost map --all` did: its exit code, its standard output and standard error."""
    wanted = EX_DATAERR if "problems" in vector else EX_OK
    if code != wanted:
        return f"exit code: expected {wanted}, got {code}: {(err or out).strip()[:600]}"
    if "problems" in vector:
        return "printed something besides" if out.strip() else problems_difference(vector["problems"], err)
    return bundle_difference(vector["becomes"], out)


def leaves(value, at=()):
    """(path, value) of every value that is neither object nor array."""
    if isinstance(value, (dict, list)):
        for name, one in value.items() if isinstance(value, dict) else enumerate(value):
            yield from leaves(one, (*at, name))
    else:
        yield at, value


def changed(leaf):
    """Something else of the same type: a number in its digits only, for that is the least that may be noticed."""
    if isinstance(leaf, Decimal):
        return leaf.scaleb(-1) * 10  # one decimal more, the same value
    if isinstance(leaf, bool):
        return not leaf
    return leaf + "x"


def unseen_changes(vector, outcome):
    """Change each leaf of what is expected, one at a time. Returns how many were made, and the paths of those unseen."""
    made, unseen = 0, []
    expected = vector["problems"] if "problems" in vector else vector["becomes"]
    for path, leaf in list(leaves(expected)):
        holder = expected
        for name in path[:-1]:
            holder = holder[name]
        holder[path[-1]] = changed(leaf)
        made += 1
        if outcome_difference(vector, *outcome) is None:
            unseen.append("/".join(map(str, path)))
        holder[path[-1]] = leaf
    return made, unseen
