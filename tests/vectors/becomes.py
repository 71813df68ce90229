"""The Observations a judged Set must become: daemon/fhir/README.md and mappings/README.md, read a second time."""

from decimal import Decimal

from sent import named

UCUM = "http://unitsofmeasure.org"
HL7 = "http://hl7.org/fhir/StructureDefinition/"
CONFIRMED = "Unusual value, confirmed when it was entered."
OVERRIDDEN = "Extreme value, taken on the word of a second person or device: "
ORDER = """resourceType id meta extension identifier status category code subject effectiveDateTime performer
    valueQuantity valueCodeableConcept valueString dataAbsentReason interpretation note bodySite method device referenceRange
    hasMember derivedFrom component""".split()
INTERPRETATIONS = {"L": "Low", "H": "High", "N": "Normal", "LL": "Critical low", "HH": "Critical high"}


def without_nothing(members):
    return {name: value for name, value in members.items() if value not in (None, [], {}, "")}


class Observations:
    def __init__(self, table, whole, judge, scores):
        self.table, self.whole, self.judge, self.scores = table, whole, judge, scores
        self.rows = []  # (category code, Observation)

    def all(self):
        for index, reading in enumerate(self.whole.readings):
            self.add(reading.kind["category"], self.main(index, reading))
            for path, one in self.table.fields(reading.kind):
                if one["as"] == "companion" and path in reading.said:
                    self.companion(reading, path, one)
        if not self.whole.single:
            for name, (flag, inputs) in self.judge.computed.items():
                self.add(self.table.kinds[name]["category"], self.computed(self.table.kinds[name], flag, inputs))
            for score in self.scores:
                if score.total is not None:
                    self.add(score.score["category"], self.score(score))
            self.panel()
        return [observation for _, observation in self.rows]

    def add(self, category, observation):
        members = without_nothing(observation)
        self.rows.append((category["code"], {name: members[name] for name in sorted(members, key=ORDER.index)}))

    # ---- what they have in common ----

    def frame(self, key, category, codes, title, profile=None):
        return {
            "resourceType": "Observation",
            "id": key,
            "meta": profile and {"profile": [profile]},
            "identifier": [{"system": "urn:ietf:rfc:3986", "value": f"urn:uuid:{key}"}],
            "status": "final",
            "category": [{"coding": [self.table.coding(category)]}],
            "code": self.concept(codes, title),
        }

    def concept(self, codings, text):
        return without_nothing({"coding": [self.table.coding(one) for one in codings], "text": text})

    def subject(self):
        identifier = self.whole.patient["identifier"]
        return {"type": "Patient", "identifier": {"system": identifier["system"], "value": identifier["value"]}}

    def who(self, taken, by):
        return {
            "subject": self.subject(),
            "effectiveDateTime": taken,
            "performer": by and [{"type": "Practitioner", "identifier": {"value": by}}],
        }

    def device(self, reading):
        return reading.device and {"type": "Device", "identifier": {"value": reading.device}}

    def quantity(self, number, unit, part):
        text = part.get("text") if unit == part.get("unit") else None
        return {"value": number, "unit": text or self.table.units[unit]["text"], "system": UCUM, "code": unit}

    def word(self, word):
        codings = [self.table.coding(one) for one in word.get("codings", [])]
        if "points" in word:
            points = {"extension": [{"url": HL7 + "ordinalValue", "valueDecimal": word["points"]}]}
            codings = [{**points, **coding} for coding in codings]
        return without_nothing({"coding": codings, "text": word["text"]})

    def reason(self, reason):
        return self.concept([reason["coding"]], reason["text"])

    def value(self, part, value, flag):
        """value[x] or dataAbsentReason of one part."""
        if value.reason:
            return {"dataAbsentReason": self.reason(value.reason)}
        if value.word:
            return {"valueCodeableConcept": self.word(value.word)}
        return {"valueQuantity": self.quantity(flag.number, flag.unit, part)}

    def flagged(self, part, flag):
        if flag is None or flag.range is None:
            return {}
        coding = {
            "system": "interpretation",
            "code": flag.interpretation,
            "display": INTERPRETATIONS[flag.interpretation],
        }
        bounds = {
            side: self.quantity(flag.range[side], flag.unit, part) for side in ("low", "high") if side in flag.range
        }
        return {
            "interpretation": [self.concept([coding], flag.name)],
            "referenceRange": [{**bounds, "text": flag.range["text"]}],
        }

    # ---- the main one ----

    def main(self, index, reading):
        kind, verdict = reading.kind, self.judge.verdicts[index]
        said = [(path, one, reading.said[path]) for path, one in self.table.fields(kind) if path in reading.said]
        observation = self.frame(
            reading.id, kind["category"], self.codes(reading, said), kind["title"], kind.get("profile")
        )
        observation |= self.who(reading.taken, reading.by) | self.parts(reading, verdict, said)
        observation |= {
            "extension": [self.position(value) for _, one, value in said if goes(one, value) == "position"],
            "note": self.notes(reading, verdict, said),
            "bodySite": next((self.word(value.word) for _, one, value in said if goes(one, value) == "bodySite"), None),
            "method": self.method(said),
            "device": self.device(reading),
        }
        return observation

    def codes(self, reading, said):
        codes = list(reading.kind["code"])
        for name, part in reading.kind["parts"].items():
            if "code-by-unit" in part and name in reading.parts:
                codes = list(part["code-by-unit"][reading.parts[name].unit])
        return codes + [
            one for _, row, value in said if goes(row, value) == "code" for one in value.word.get("codings", [])
        ]

    def parts(self, reading, verdict, said):
        kind = reading.kind
        if reading.reason and not self.in_components(kind):
            return {"dataAbsentReason": self.reason(reading.reason), "component": self.component_fields(said)}
        members, components = {}, []
        for name, part in kind["parts"].items():
            own = is_value(kind, name, part)
            if reading.reason:
                what = {"dataAbsentReason": self.reason(reading.reason)} if part.get("required", True) else None
            else:
                value, flag = reading.parts.get(name), verdict.flags.get(name)
                what = value and self.value(part, value, flag) | self.flagged(part, flag)
            if what and own:
                members |= what
            elif what:
                components.append({"code": self.concept(self.part_codes(name, part, said), part["title"]), **what})
        return members | {"component": components + self.component_fields(said)}

    def in_components(self, kind):
        """Whether a reason for the whole reading stands on components: not where some part is the Observation's own value."""
        return not any(is_value(kind, name, part) for name, part in kind["parts"].items())

    def part_codes(self, name, part, said):
        own = list(part["code"])
        for _, _, value in said:
            for word in words_of(value):
                own += word.get("part-codings", {}).get(name, [])
        return own

    def component_fields(self, said):
        return [
            {"code": self.concept(one["code"], one["title"]), **self.said(one, value)}
            for _, one, value in said
            if one["as"] == "component"
        ]

    def said(self, one, value):
        """value[x] of a context field."""
        if one["type"] == "text":
            return {"valueString": value}
        if one["type"] == "quantity":
            return {
                "valueQuantity": self.quantity(
                    self.table.charted(value.number, value.unit, one["unit"]), one["unit"], one
                )
            }
        if one["type"] == "word":
            return {"valueCodeableConcept": self.word(value.word)}
        codings = [coding for word in words_of(value) for coding in word.get("codings", [])]
        return {"valueCodeableConcept": self.concept(codings, "; ".join(word["text"] for word in words_of(value)))}

    def position(self, value):
        return {"url": HL7 + "observation-bodyPosition", "valueCodeableConcept": self.word(value.word)}

    def method(self, said):
        texts, codings = [], []
        for _, one, value in said:
            if goes(one, value) != "method":
                continue
            if one["type"] == "count":
                texts.append(f"Counted {value[0]:f} in {value[1]:f} s")
            else:
                texts.append(value.word["text"])
                codings += value.word.get("codings", [])
        return self.concept(codings, "; ".join(texts))

    def notes(self, reading, verdict, said):
        lines = []
        for _, one, value in said:
            if goes(one, value) == "note":
                text = value if one["type"] == "text" else "; ".join(word["text"] for word in words_of(value))
                lines.append(f"{one['title']}: {text}")
        texts = [reading.note, "; ".join(lines)]
        texts += [CONFIRMED] if verdict.asked else []
        texts += [OVERRIDDEN + reading.sent["override"]["reason"]] if verdict.overridden else []
        return [{"text": text} for text in texts if text]

    # ---- the others ----

    def companion(self, reading, path, one):
        category = one.get("category", reading.kind["category"])
        companion = self.frame(named(reading.id, path), category, one["code"], one["title"], one.get("profile"))
        companion |= (
            self.who(reading.taken, reading.by) | self.said(one, reading.said[path]) | {"device": self.device(reading)}
        )
        self.add(category, companion)

    def refer(self, indexes):
        return [{"reference": f"urn:uuid:{self.whole.readings[index].id}"} for index in dict.fromkeys(indexes)]

    def computed(self, kind, flag, inputs):
        part = kind["parts"]["value"]
        own = self.frame(
            named(self.whole.id, f"computed:{kind['kind']}"),
            kind["category"],
            kind["code"],
            kind["title"],
            kind.get("profile"),
        )
        own |= self.who(self.whole.taken, self.whole.by) | {
            "valueQuantity": self.quantity(flag.number, flag.unit, part)
        }
        return own | self.flagged(part, flag) | {"derivedFrom": self.refer(inputs)}

    def score(self, score):
        table = score.score
        own = self.frame(
            named(self.whole.id, f"score:{table['score']}"), table["category"], [table["code"]], table["title"]
        )
        own |= self.who(self.whole.taken, self.whole.by)
        own |= {
            "valueQuantity": self.quantity(Decimal(score.total), table["unit"], {}),
            "method": {"text": score.scale_text},
            "derivedFrom": self.refer(score.readings[row["input"]] for row in table["inputs"]),
            "component": [self.points(row, score.points[row["input"]], table["unit"]) for row in table["inputs"]],
        }
        return own

    def points(self, row, points, unit):
        return {
            "code": self.concept([row["code"]], row["title"]),
            "valueQuantity": self.quantity(Decimal(points), unit, {}),
        }

    def panel(self):
        panel = self.table.panel
        members = [one["id"] for category, one in self.rows if category == panel["members-category"]]
        if not members:
            return
        own = self.frame(
            named(self.whole.id, "panel"), panel["category"], panel["code"], panel["title"], panel["profile"]
        )
        own |= self.who(self.whole.taken, self.whole.by)
        self.add(panel["category"], own | {"hasMember": [{"reference": f"urn:uuid:{member}"} for member in members]})


def goes(one, value):
    """Where a context field goes: what its word says, else what the field says."""
    word = getattr(value, "word", None)
    return word["as"] if word and "as" in word else one["as"]


def is_value(kind, name, part):
    return part.get("as") == "value" or list(kind["parts"]) == ["value"]


def words_of(value):
    if isinstance(value, list):
        return [one.word for one in value]
    word = getattr(value, "word", None)
    return [word] if word else []
