"""Facts from outside the project, each through wardpost map as a whole: common practice, published ranges of children,
NEWS2's published table at every edge, and its worked sets. They are told apart from derive.py: no number here comes from
the kind table. Children's ranges and NEWS2 are transcribed in tests/mappings/facts, which names their sources.
"""

import re
import uuid
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

import digits
from compare import difference

HERE = Path(__file__).resolve().parent
SHARED = HERE.parent / "mappings" / "facts"
ON = date(2026, 11, 25)
ADULT = ON - timedelta(days=40 * 365)
PARTS = {
    "systolic": "8480-6",
    "diastolic": "8462-4",
    "mean": "8478-0",
}  # LOINC codes of the components (standards pack 1.2)
INPUTS = ["respirations", "saturation", "oxygen", "systolic", "pulse", "consciousness", "temperature"]
LEVELS = {"A": "alert", "C": "confusion", "V": "voice", "P": "pain", "U": "unresponsive"}


def body(born, **more):
    patient = {"identifier": {"system": "https://clinic.example/mrn", "value": "WP-1"}, "birthDate": born.isoformat()}
    return {"id": str(uuid.uuid4()), "patient": patient, "taken": f"{ON}T09:30:00+01:00", **more}


def charted(observation, part):
    """(value, unit code, interpretation, its word) of a part."""
    holder = observation
    if part in PARTS:
        holder = next(
            one for one in observation["component"] if any(row["code"] == PARTS[part] for row in one["code"]["coding"])
        )
    quantity = holder["valueQuantity"]
    concept = holder.get("interpretation", [{}])[0]
    return [quantity["value"], quantity["code"], concept.get("coding", [{}])[0].get("code"), concept.get("text")]


def mapped(program, sent):
    code, out, err = program.map(sent, "--all")
    if code != 0:
        return None, f"exit code {code}: {err.strip()[:300]}"
    return [entry["resource"] for entry in digits.loads(out)["entry"]], None


def check(program, count, what, born, sent, part, wanted):
    resources, wrong = mapped(program, body(born, **sent))
    count(what, wrong or difference(wanted, charted(resources[0], part)))


def practice(program, count):
    for what, sent, part, value, unit, flag, *name in digits.load(HERE / "facts" / "practice.json")["rows"]:
        check(
            program,
            count,
            f"common practice: {what}",
            ADULT,
            sent,
            part,
            [value, unit, flag, name[0] if name else None],
        )


# ---- children ----


def middle(words):
    """Days of age in the middle of a band of the paper; "Birth": the day after."""
    if words == "Birth":
        return 1
    first, last, unit = re.fullmatch(r"(\d+)–(\d+) (mo|y)", words).groups()
    return int((int(first) + int(last)) / 2 * (365.25 if unit == "y" else 365.25 / 12))


def fleming(program, count):
    for words, *columns in digits.load(SHARED / "limits.json")["fleming"]["rows"]:
        for kind, centiles in zip(("heart-rate", "respiratory-rate"), columns):
            born = ON - timedelta(days=middle(words))
            for value, flag in edges(centiles[0], centiles[-1]):
                sent = {"kind": kind, "value": value, "unit": "/min", "confirmed": True}
                what = f"Fleming 2011, {words}: {kind} {value}"
                resources, wrong = mapped(program, body(born, **sent))
                count(what, wrong or difference([value, "/min", flag], charted(resources[0], "value")[:3]))


def edges(low, high):
    return [(low - 1, "L"), (low, "N"), (high, "N"), (high + 1, "H")]


def pals(program, count):
    for start, end, words, *ranges in digits.load(SHARED / "limits.json")["pals"]["rows"]:
        born = ON - timedelta(days=(age_days(start) + age_days(end)) // 2)
        for part, (low, high) in zip(PARTS, ranges[:3]):
            for value, flag in edges(low, high):
                sent = {"kind": "blood-pressure", "unit": "mm[Hg]", "confirmed": True, **around(part, value)}
                resources, wrong = mapped(program, body(born, **sent))
                what = f"PALS 2015, {words}: {part} {value}"
                count(what, wrong or difference([value, "mm[Hg]", flag], charted(resources[0], part)[:3]))


def around(part, value):
    """A pressure with this one part, the others such that none excludes it."""
    if part == "systolic":
        return {"systolic": value, "diastolic": value - 30}
    if part == "diastolic":
        return {"systolic": value + 40, "diastolic": value}
    return {"systolic": value + 20, "diastolic": value - 10, "mean": value}


def age_days(duration):
    count, unit = re.fullmatch(r"P(\d+)([DY])", duration).groups()
    return int(count) * (365 if unit == "Y" else 1)


# ---- NEWS2 ----


def vital_set(row):
    """A set with the seven inputs of a worked example; what would be asked about is confirmed."""
    oxygen = (
        {"device": "nasal-cannula", "flow": {"value": Decimal(2), "unit": "L/min"}}
        if row["oxygen"]
        else {"device": "room-air"}
    )
    systolic, degrees, unit = Decimal(row["systolic"]), Decimal(row["temperature"]), row.get("unit", "Cel")
    readings = [
        {"kind": "respiratory-rate", "value": Decimal(row["respirations"]), "unit": "/min"},
        {"kind": "oxygen-saturation", "value": Decimal(row["saturation"]), "unit": "%", "oxygen": oxygen},
        {"kind": "blood-pressure", "systolic": systolic, "diastolic": systolic - 40, "unit": "mm[Hg]"},
        {"kind": "heart-rate", "value": Decimal(row["pulse"]), "unit": "/min"},
        {"kind": "consciousness", "value": LEVELS[row["consciousness"]]},
        {"kind": "body-temperature", "value": degrees, "unit": unit, "route": "tympanic"},
    ]
    scale = {"scale": Decimal(row["scale"]), "by": "D-4", "date": "2026-11-20"}
    context = {"context": {"saturation-scale": scale}} if row["scale"] == 2 else {}
    readings = [{"id": str(uuid.uuid4()), "confirmed": True, **one} for one in readings]
    return body(ADULT, **context, readings=readings)


def score_of(program, row):
    """{"total", "points": {input: points}, "scale"} of the score Observation."""
    resources, wrong = mapped(program, vital_set(row))
    if wrong:
        return None, wrong
    score = next((one for one in resources if one["code"]["coding"][0]["code"] == "news2"), None)
    if score is None:
        return None, "no score"
    points = {
        one["code"]["coding"][0]["code"].removeprefix("news2-"): int(one["valueQuantity"]["value"])
        for one in score["component"]
    }
    return {"total": int(score["valueQuantity"]["value"]), "points": points, "scale": score["method"]["text"][-1]}, None


USUAL = {
    "respirations": "16",
    "scale": 1,
    "saturation": "98",
    "oxygen": False,
    "systolic": "124",
    "pulse": "72",
    "consciousness": "A",
    "temperature": "36.8",
}


def edge_rows(facts):
    """(words, the row to score, input, its points) of each edge of the chart."""
    for name, line in facts["edges"].items():
        field, *more = name.split()
        for value, points in re.findall(r"([\d.]+)→(\d)", line):
            row = {**USUAL, field: value}
            if more:
                row |= {"scale": int(more[0]), "oxygen": more[1] == "oxygen"}
            yield f"{name} {value}", row, field, int(points)
    for level in LEVELS:
        yield f"consciousness {level}", {**USUAL, "consciousness": level}, "consciousness", 0 if level == "A" else 3
    for oxygen in (False, True):
        yield f"oxygen {oxygen}", {**USUAL, "oxygen": oxygen}, "oxygen", 2 if oxygen else 0
    for entered, _, points in facts["fahrenheit"]:
        yield f"{entered} °F", {**USUAL, "temperature": entered, "unit": "[degF]"}, "temperature", int(points)


def news2(program, count):
    facts = digits.load(SHARED / "news2.json")
    for words, row, field, points in edge_rows(facts):
        score, wrong = score_of(program, row)
        count(f"NEWS2, {words}", wrong or differs(points, score["points"][field]))
    for row in facts["worked"]:
        row = {**row, "scale": int(row["scale"])}
        score, wrong = score_of(program, row)
        wanted = dict(zip(INPUTS, map(int, row["points"])))
        got = score and [score["points"], score["total"], score["scale"]]
        count(f"NEWS2, worked set {row['n']}", wrong or differs([wanted, int(row["total"]), str(row["scale"])], got))
    count("NEWS2, 44 worked sets", differs(44, len(facts["worked"])))


def differs(wanted, got):
    return None if wanted == got else f"expected {wanted}, got {got}"


def run(program, count):
    for facts in (practice, fleming, pals, news2):
        facts(program, count)
