"""The simplest vector of each kind beside HL7's own example Observation of it (hl7.fhir.r4.examples 4.0.1).

For what both have: the same JSON types, the same values. HL7's id, meta, text and identifier are left out, and what
LEFT_OUT and OTHER name; of codings only those of systems that are sent here are asked for, names without regard to case;
of a quantity in another unit its value in ours. Order of components means nothing here.
"""

import os
import subprocess
from fractions import Fraction
from pathlib import Path

import derive
import digits
from table import Table

PAIRS = {
    "heart-rate": "heart-rate/as-hl7-example",
    "respiratory-rate": "respiratory-rate/as-hl7-example",
    "body-temperature": "body-temperature/as-hl7-example",
    "satO2": "oxygen-saturation/as-hl7-example",
    "body-height": "body-height/as-hl7-example",
    "head-circumference": "head-circumference/as-hl7-example",
    "example": "body-weight/as-hl7-example",
    "bmi": "body-mass-index/as-hl7-example",
    "blood-pressure": "blood-pressure/as-hl7-example",
    "blood-pressure-dar": "blood-pressure/as-hl7-example-part-missing",
    "vitals-panel": "sets/as-hl7-example",
    "glasgow": "glasgow-coma-scale/as-hl7-example",
}
IGNORED = {"id", "meta", "text", "identifier"}  # standards pack 8
LEFT_OUT = {"partOf": "no procedures here", "basedOn": "no orders here", "encounter": "no encounters here"}
OURS = {"http://loinc.org", "http://unitsofmeasure.org"}  # and HL7's own; not SNOMED CT, not an example's local ones
# Other by nature: another time and patient, other people and devices, ranges of another table. Their JSON types are compared.
OTHER = {"effectiveDateTime", "subject", "performer", "device", "bodySite", "interpretation", "referenceRange"}


def folder():
    """HL7's examples, as the far end keeps them; it is installed where that was not done yet."""
    root = Path(__file__).resolve().parents[2]
    home = Path(os.environ.get("FAR_END_HOME", root / "build" / "far_end"))
    if not (home / "hl7" / "examples").is_dir():
        subprocess.run([root / "tests" / "far_end" / "install", home], check=True, stdout=subprocess.DEVNULL)
    return home / "hl7" / "examples"


def ours_among(codings):
    return [one for one in codings if one["system"] in OURS or one["system"].startswith("http://terminology.hl7.org/")]


class Beside:
    def __init__(self, table):
        self.table = table
        self.wrong = []
        self.seen = 0

    def say(self, where, line):
        self.wrong.append(f"{where}: {line}")

    def observation(self, theirs, ours):
        for name, value in theirs.items():
            if name in IGNORED or name in LEFT_OUT:
                continue
            if name not in ours:
                if name not in OTHER:
                    self.say(name, "missing")
                continue
            self.member(name, value, ours[name])
        mine = {"component", "valueQuantity", "dataAbsentReason", "hasMember"} & ours.keys() - theirs.keys()
        if mine:
            self.say("the Observation", f"has {sorted(mine)}, the example has not")

    def member(self, name, theirs, ours):
        self.seen += 1
        if type(theirs) is not type(ours):
            self.say(name, f"{type(ours).__name__} in place of {type(theirs).__name__}")
        elif name in ("code", "dataAbsentReason", "valueCodeableConcept"):
            self.concept(name, theirs, ours)
        elif name == "category":
            self.concept(name, theirs[0], ours[0])
        elif name == "valueQuantity":
            self.quantity(name, theirs, ours)
        elif name == "component":
            self.components(theirs, ours)
        elif name in ("hasMember", "derivedFrom"):
            self.equal(name, len(theirs), len(ours))
            self.references(name, ours)
        elif name in ("interpretation", "referenceRange"):
            self.flag(name, theirs, ours)
        elif name not in OTHER:
            self.equal(name, theirs, ours)

    def equal(self, where, theirs, ours):
        if theirs != ours:
            self.say(where, f"{ours!r}, the example has {theirs!r}")

    def references(self, where, ours):
        if not all(one["reference"].startswith("urn:uuid:") for one in ours):
            self.say(where, "a reference that is none of ours")

    def concept(self, where, theirs, ours):
        """Each coding of theirs from a system of ours is there as well, with its name."""
        got = {(one["system"], one["code"]): one for one in ours.get("coding", [])}
        for one in ours_among(theirs.get("coding", [])):
            mine = got.get((one["system"], one["code"]))
            if mine is None:
                self.say(where, f"no {one['code']}")
            elif "display" in mine:
                self.equal(f"{where} {one['code']}", one["display"].lower(), mine["display"].lower())
            if mine and "extension" in one:
                self.equal(f"{where} {one['code']}", one["extension"], mine.get("extension"))

    def quantity(self, where, theirs, ours):
        self.equal(where, theirs["system"], ours["system"])
        if not ours.get("unit"):
            self.say(where, "no unit in words")
        value = self.table.exact(theirs["value"], theirs["code"], ours["code"])
        places = max(0, -ours["value"].as_tuple().exponent)
        if round(value * 10**places) != Fraction(ours["value"]) * 10**places:
            self.say(where, f"{ours['value']} {ours['code']}, the example has {theirs['value']} {theirs['code']}")
        if theirs["code"] == ours["code"]:
            self.equal(where, theirs["value"], ours["value"])

    def flag(self, name, theirs, ours):
        """Other ranges give other flags: only how they are written is compared."""
        if name == "interpretation":
            systems = {one["system"] for one in theirs[0]["coding"]}
            self.equal(name, systems, {one["system"] for one in ours[0]["coding"]})
            return
        for side in ours[0].keys() & {"low", "high"} & theirs[0].keys():
            self.equal(f"{name}.{side}", theirs[0][side]["system"], ours[0][side]["system"])
            self.equal(f"{name}.{side}", theirs[0][side]["code"], ours[0][side]["code"])

    def components(self, theirs, ours):
        self.equal("component", len(theirs), len(ours))
        for one in theirs:
            code = ours_among(one["code"]["coding"])[0]["code"]
            mine = next((row for row in ours if any(coding["code"] == code for coding in row["code"]["coding"])), None)
            if mine is None:
                self.say("component", f"none with {code}")
                continue
            for name, value in one.items():
                if name in mine:
                    self.member(name, value, mine[name])
                elif name not in OTHER:
                    self.say(f"component {code}", f"no {name}")


def wrong(table, theirs, ours):
    beside = Beside(table)
    beside.observation(theirs, ours)
    return "; ".join(beside.wrong) or (None if beside.seen >= 3 else "hardly anything compared")


def run(count):
    table = Table(derive.MAPPINGS)
    examples = folder()
    for example, vector in PAIRS.items():
        theirs = digits.load(examples / f"Observation-{example}.json")
        expected = digits.load(derive.MAPPINGS / "vectors" / f"{vector}.json")["becomes"]
        ours = expected[-1] if example == "vitals-panel" else expected[0]
        count(f"HL7's example {example} beside {vector}", wrong(table, theirs, ours))
        for name in theirs.keys() & ours.keys() - IGNORED - OTHER:  # and each of these is looked at
            without = {one: value for one, value in ours.items() if one != name}
            missed = wrong(table, theirs, without) is None
            count(f"HL7's example {example} beside one without {name}", "not noticed" if missed else None)
