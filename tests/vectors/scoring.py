"""Early-warning scores from their tables (mappings/README.md, scores/)."""

from fractions import Fraction

from table import ages_fit, half_up


class Score:
    """`total` is None where the score is withheld or not asked for."""

    def __init__(self, table, score, whole):
        self.table, self.score, self.whole = table, score, whole
        self.scale = self.scale_of()
        self.points, self.readings = {}, {}
        self.total = None
        if not whole.single and not any(self.withheld(row) for row in score["withheld"]):
            self.add()

    def scale_of(self):
        scale = self.score["scale"]
        chosen = self.whole.context(scale["context"])
        return str(chosen["scale"] if chosen else scale["default"])

    def withheld(self, row):
        if "ages" in row:
            return self.whole.born is not None and ages_fit(row["ages"], self.whole.born, self.whole.on)
        if "age-unknown" in row:
            return self.whole.born is None
        return self.whole.context(row["context"]) in row["is"]

    def add(self):
        inputs = self.score["inputs"]
        for row in sorted(
            inputs, key=lambda row: any("with" in band for band in row.get("bands", []))
        ):  # what others look at comes first
            index = next(
                (i for i, one in enumerate(self.whole.readings) if one.kind["kind"] == row["kind"] and not one.reason),
                None,
            )
            points = None if index is None else self.points_of(row, self.whole.readings[index])
            if points is None:
                return
            self.points[row["input"]], self.readings[row["input"]] = int(points), index
        self.total = sum(self.points.values())

    def points_of(self, row, reading):
        if "words" in row:
            value = reading.said.get(row["field"]) if "field" in row else reading.parts.get(row["part"])
            return None if value is None or value.word is None else row["words"].get(value.word["word"], row["other"])
        value = reading.parts.get(row["part"])
        if value is None or value.number is None:
            return None
        number = half_up(self.table.exact(value.number, value.unit, row["in"]), row["places"])
        return next((band["points"] for band in row["bands"] if self.band_fits(band, Fraction(number))), None)

    def band_fits(self, band, number):
        if "scale" in band and str(band["scale"]) != self.scale:
            return False
        if any(self.points.get(name) != points for name, points in band.get("with", {}).items()):
            return False
        return ("from" not in band or number >= Fraction(band["from"])) and (
            "to" not in band or number <= Fraction(band["to"])
        )

    @property
    def scale_text(self):
        return self.score["scale"]["scales"][self.scale]
