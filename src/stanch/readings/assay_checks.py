"""What one key of the assay document says, checked against the others; and the plain records made of it."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterator, Sequence
from typing import Any, TypeVar

from stanch.documents import nearest
from stanch.errors import UnitError
from stanch.quantities import QUANTITIES, UNITS, parse_quantity
from stanch.readings.assay_records import (
    ACCEPT_FACTS,
    GROUPS,
    AssayDocument,
    AssaySettings,
    AssayWell,
    Condition,
    Limit,
    PairConstraint,
    Rule,
)
from stanch.readings.assay_schema import (
    AssayText,
    ConditionText,
    ContrastText,
    LimitText,
    PairText,
    RuleText,
    quantity_problem,
)
from stanch.readings.definitions import DECLINE_REPORTS, DIFFERENCE_REPORTS, ContrastDefinition, Definitions

__all__ = ["FORBIDDEN", "READINGS", "Compiler", "canonical_text"]

READINGS = (
    "onset",
    "gel_time",
    "onset_delay",
    "early_modulus",
    "plateau",
    "plateau_entry",
    "steepest_rise",
    "remaining",
)
"""Readings of a single well that a document may name."""
NEED_RHEOLOGY = ("gel_time", "onset_delay")
"""Readings that a Kelvin-Voigt medium cannot give."""
FORBIDDEN = re.compile(
    r"\b(dos(?:es?|ed|ing|ages?)|administer\w*|transfus(?:e|es|ed|ing)|infus(?:e|es|ed|ing)|treat(?:s|ed|ing)?|prescri\w+)\b",
    re.IGNORECASE,
)
"""Words of doses and treatments, which no rule may print."""
T = TypeVar("T")


def canonical_text(text: str) -> str:
    """The text the hash is taken of: NFC, line feeds, one at the end."""
    lines = unicodedata.normalize("NFC", text).replace("\r\n", "\n").replace("\r", "\n")
    return lines.rstrip("\n") + "\n"


def _as_written(low: str | None, high: str | None) -> str:
    """A limit as a reader wants it: ``"3.0 to 9.5 min"``, ``"from 90 Pa"``, ``"up to 15 %"``."""

    def plain(text: str) -> tuple[str, str]:
        number, _, unit = text.strip().partition(" ")
        return number, "" if unit.strip() == "1" else unit.strip()

    if low is None or high is None:
        number, unit = plain(low or high or "")
        return f"{'from' if high is None else 'up to'} {number} {unit}".strip()
    (first, unit), (second, other) = plain(low), plain(high)
    return f"{first} {'' if unit == other else unit + ' '}to {second} {other}".strip()


def _named(raw: dict[str, Any], table: str, key: str) -> list[str]:
    """Names in a table, of malformed entries too: what refers to those is not a second fault."""
    entries = raw.get(table)
    found = [e.get(key) for e in entries if isinstance(e, dict)] if isinstance(entries, list) else []
    return [unicodedata.normalize("NFC", name) for name in found if isinstance(name, str)]


class Compiler:
    """Checks what one key says against the others, and makes the plain records.

    Parameters
    ----------
    written : AssayText
        The well-formed parts.
    raw : dict
        The document as read.
    places : dict of str to list of int
        Where the entries of each table stand in the document, from 1.
    """

    def __init__(self, written: AssayText, raw: dict[str, Any], places: dict[str, list[int]]) -> None:
        self.written = written
        self.places = places
        self.problems: list[str] = []
        self.well_names = _named(raw, "well", "name") if "well" in raw else None
        self.contrasts = {c.name: c for c in written.contrast}
        self.malformed = set(_named(raw, "contrast", "name")) - set(self.contrasts)
        self.malformed_limits = len(written.limit) < len(raw.get("limit", ()))
        self.rule_groups = {r.key: GROUPS.index(r.group) for r in written.rule}
        self.rule_keys = list(dict.fromkeys(_named(raw, "rule", "key")))

    def document(self, text: str, where: str) -> AssayDocument:
        """The plain record; what is wrong is added to `problems`."""
        w = self.written
        self._unique("well", [x.name for x in w.well or ()])
        self._unique("contrast", [c.name for c in w.contrast])
        self._unique("pair", [p.name for p in w.pair])
        self._unique("rule", [r.key for r in w.rule])
        contrasts = tuple(self._contrast(f"contrast[{i}]", c) for i, c in self._numbered("contrast", w.contrast))
        limits = tuple(self._limit(f"limit[{i}]", one) for i, one in self._numbered("limit", w.limit))
        self._unique("limit", [" ".join(filter(None, (one.of, one.well, one.kind))) for one in limits])
        pairs = tuple(self._pair(f"pair[{i}]", p) for i, p in self._numbered("pair", w.pair))
        rules = [self._rule(f"rule[{i}]", r, limits) for i, r in self._numbered("rule", w.rule)]
        return AssayDocument(
            name=w.name,
            version=w.version,
            demo=w.demo,
            reading_definitions=Definitions(w.onset_modulus, w.hold, w.follow, w.dwell),
            wells=tuple(AssayWell(x.name, x.activator, tuple(x.additives)) for x in w.well or ()),
            contrasts=contrasts,
            limits=limits,
            pairs=pairs,
            rules=tuple(sorted(rules, key=lambda rule: GROUPS.index(rule.group))),
            settings=AssaySettings(**w.settings.model_dump()),
            not_assessed=tuple(w.not_assessed),
            cannot_see=tuple(w.cannot_see),
            approved_by=w.approved_by,
            text=text,
            sha256=hashlib.sha256(canonical_text(text).encode()).hexdigest(),
            where=where,
        )

    def _numbered(self, table: str, items: list[T]) -> Iterator[tuple[int, T]]:
        return zip(self.places.get(table, range(1, len(items) + 1)), items)

    def _unique(self, table: str, names: list[str]) -> None:
        seen: set[str] = set()
        for index, name in self._numbered(table, names):
            if name in seen:
                self.problems.append(f"{table}[{index}]: got '{name}' twice; allowed: every one once")
            seen.add(name)

    def _well(self, path: str, name: str) -> None:
        if self.well_names is not None and name not in self.well_names:
            self.problems.append(f"{path}: got unknown well '{name}'{nearest(name, self.well_names)}")

    def _quantity(self, path: str, text: str | None, kind: str) -> float | None:
        if text is None:
            return None
        try:
            return parse_quantity(text, kind, path)
        except UnitError as error:
            self.problems.append(f"{path}: {quantity_problem(error)}")
            return None

    def _reading(self, path: str, reading: str | None) -> None:
        if reading not in READINGS:
            got = "nothing" if reading is None else f"'{reading}'"
            self.problems.append(f"{path}: got {got}{nearest(reading or '', READINGS)}")

    def _contrast(self, path: str, c: ContrastText) -> ContrastDefinition:
        self._well(f"{path}.base", c.base)
        self._well(f"{path}.other", c.other)
        if c.base == c.other:
            self.problems.append(f"{path}.other: got '{c.other}' twice; allowed: a well other than base")
        report = c.report
        if c.kind == "decline":
            report = c.report or "retention"
            if c.reading is not None:
                self.problems.append(f"{path}.reading: got '{c.reading}'; allowed: none for a decline")
            self._among(f"{path}.report", report, DECLINE_REPORTS)
        else:
            self._reading(f"{path}.reading", c.reading)
            if c.report is not None:
                allowed = DIFFERENCE_REPORTS if c.kind == "difference" else ()
                self._among(f"{path}.report", c.report, allowed)
        if c.inverse and c.kind != "ratio":
            self.problems.append(f"{path}.inverse: got true; allowed: only for a ratio")
        # One without the other is a problem already; the definition is made so that later checks can go on.
        whole = c.block_fraction is not None and c.block_fraction_sd is not None
        if c.block_fraction is None:
            if c.block_fraction_sd is not None or c.lot is not None:
                self.problems.append(f"{path}.block_fraction: missing; allowed: a fraction beside its SD and lot")
        elif c.kind not in ("difference", "share"):
            self.problems.append(f"{path}.block_fraction: got a value; allowed: only for a difference or a share")
        elif c.block_fraction_sd is None or c.lot is None:
            self.problems.append(
                f"{path}.block_fraction: got a value; allowed: together with block_fraction_sd and lot"
            )
        self._planned_difference(path, c)
        return ContrastDefinition(
            c.name,
            c.kind,
            c.reading,
            c.base,
            c.other,
            c.differs_in,
            c.block_fraction if whole else None,
            c.block_fraction_sd if whole else None,
            report,
            c.inverse,
        )

    def _planned_difference(self, path: str, c: ContrastText) -> None:
        """Planned wells must differ in the named additive and in nothing else."""
        wells = {w.name: w for w in self.written.well or ()}
        if not c.differs_in or c.base not in wells or c.other not in wells or c.base == c.other:
            return
        base, other = wells[c.base], wells[c.other]
        differing = set(base.additives) ^ set(other.additives)
        if base.activator != other.activator:
            differing.add("activator")
        if differing != {c.differs_in}:
            got = ", ".join(sorted(differing)) or "nothing"
            self.problems.append(
                f"{path}.differs_in: got '{c.differs_in}', but the wells differ in {got}; "
                "allowed: the one additive they differ in"
            )

    def _among(self, path: str, word: str, allowed: Sequence[str]) -> None:
        if word not in allowed:
            self.problems.append(f"{path}: got '{word}'; allowed: {', '.join(allowed) or 'none here'}")

    def _kind_of(self, of: str) -> str | None:
        """Kind of the unit of a reading or contrast; None when unknown."""
        contrast = self.contrasts.get(of)
        if contrast is None:
            return UNITS[QUANTITIES[of].unit].kind if of in READINGS else None
        if contrast.kind in ("ratio", "share"):
            return "ratio"
        key = (contrast.report or "retention") if contrast.kind == "decline" else contrast.reading
        return UNITS[QUANTITIES[key].unit].kind if key in QUANTITIES else None

    def _of(self, path: str, of: str, well: str | None) -> str | None:
        """Check a reading-and-well or a contrast; the kind of its unit."""
        kind = self._kind_of(of)
        if of in self.malformed:
            return None
        if kind is None and of not in self.contrasts:
            allowed = [*READINGS, *self.contrasts]
            self.problems.append(f"{path}.of: got unknown reading or contrast '{of}'{nearest(of, allowed)}")
        elif of in self.contrasts:
            if well is not None:
                self.problems.append(f"{path}.well: got '{well}'; allowed: none, since '{of}' is a contrast")
        elif well is None:
            self.problems.append(f"{path}.well: missing; allowed: the well whose {of} is meant")
        else:
            self._well(f"{path}.well", well)
        return kind

    def _limit(self, path: str, one: LimitText) -> Limit:
        if one.kind == "accept":
            kind = ACCEPT_FACTS.get(one.of)
            if kind is None:
                self.problems.append(f"{path}.of: got '{one.of}'{nearest(one.of, list(ACCEPT_FACTS))}")
            if one.well is not None:
                self.problems.append(f"{path}.well: got '{one.well}'; allowed: none with kind accept")
        else:
            kind = self._of(path, one.of, one.well)
            self._needs_rheology(path, one.of)
            if one.consequence != "flag":
                self.problems.append(f"{path}.consequence: got '{one.consequence}'; allowed: only with kind accept")
        low = self._quantity(f"{path}.low", one.low, kind) if kind else None
        high = self._quantity(f"{path}.high", one.high, kind) if kind else None
        if one.low is None and one.high is None:
            self.problems.append(f"{path}: got neither low nor high; allowed: one or both")
        if low is not None and high is not None and not low < high:
            self.problems.append(f"{path}.low: got {one.low}; allowed: below high, {one.high}")
        unit = re.sub(r"^\s*[+-]?[\d.]+(?:[eE][+-]?\d+)?", "", one.low or one.high or "").strip()
        written = _as_written(one.low, one.high)
        return Limit(one.of, one.kind, one.well or "", low, high, unit, written, one.source, one.consequence)

    def _needs_rheology(self, path: str, of: str) -> None:
        """Limits of what a Kelvin-Voigt medium cannot tell are a fault: no run could ever be held against them."""
        contrast = self.contrasts.get(of)
        reading = of if contrast is None else contrast.reading
        if reading in NEED_RHEOLOGY and self.written.settings.rheology == "kelvin_voigt":
            self.problems.append(
                f"{path}.of: got '{of}' with settings.rheology kelvin_voigt, which gives no {reading}; allowed: with "
                "settings.rheology spring_pot, fractional_kelvin_voigt or zener"
            )

    def _pair(self, path: str, p: PairText) -> PairConstraint:
        relative, tolerance, at_most = False, None, None
        by_wells = p.reading is not None or p.not_above is not None
        if by_wells == (p.contrast is not None):
            self.problems.append(
                f"{path}: got both or neither; allowed: reading with not_above, or contrast with at_most"
            )
            kind = None
        elif p.contrast is not None:
            kind = self._kind_of(p.contrast) if p.contrast in self.contrasts else None
            if p.contrast not in self.contrasts and p.contrast not in self.malformed:
                near = nearest(p.contrast, list(self.contrasts))
                self.problems.append(f"{path}.contrast: got unknown contrast '{p.contrast}'{near}")
            if p.at_most is None:
                self.problems.append(f"{path}.at_most: missing; allowed: a quantity")
        else:
            self._reading(f"{path}.reading", p.reading)
            kind = self._kind_of(p.reading) if p.reading in READINGS and p.reading else None
            if p.not_above is None:
                self.problems.append(f"{path}.not_above: missing; allowed: two wells, the lower first")
            for name in p.not_above or ():
                self._well(f"{path}.not_above", name)
            if p.not_above and p.not_above[0] == p.not_above[1]:
                self.problems.append(f"{path}.not_above: got '{p.not_above[0]}' twice; allowed: two different wells")
        if kind is not None:
            at_most = self._quantity(f"{path}.at_most", p.at_most, kind)
            relative = by_wells and kind != "ratio" and (p.tolerance or "").rstrip().endswith("%")
            tolerance = self._quantity(f"{path}.tolerance", p.tolerance, "ratio" if relative else kind)
            if tolerance is not None and tolerance < 0:
                self.problems.append(f"{path}.tolerance: got {p.tolerance}; allowed: zero or more")
        wells = tuple(p.not_above or ())
        return PairConstraint(
            p.name, p.reading or "", wells, p.contrast or "", at_most, tolerance or 0.0, relative, p.at_most or ""
        )

    def _condition(self, path: str, c: ConditionText, limits: tuple[Limit, ...]) -> Condition:
        before = len(self.problems)
        self._of(path, c.of, c.well)
        if len(self.problems) == before and c.of not in self.malformed:
            found = [x for x in limits if (x.of, x.well, x.kind) == (c.of, c.well or "", c.limit)]
            side = "high" if c.is_.endswith("above") else "low"
            target = f"{c.of} of {c.well}" if c.well else c.of
            if not found and self.malformed_limits:
                pass
            elif not found:
                self.problems.append(f"{path}.limit: got '{c.limit}', but there is no {c.limit} limit of {target}")
            elif (found[0].high if side == "high" else found[0].low) is None:
                self.problems.append(f"{path}.is: got '{c.is_}', but the {c.limit} limit of {target} has no {side}")
        return Condition(c.of, c.well or "", c.is_, c.limit)

    def _rule(self, path: str, r: RuleText, limits: tuple[Limit, ...]) -> Rule:
        for name, prose in (("text", r.text), ("otherwise", r.otherwise), ("about", r.about), ("caution", r.caution)):
            for word in FORBIDDEN.findall(prose):
                self.problems.append(f"{path}.{name}: got '{word}'; allowed: what readings support, never a treatment")
        if not r.when and not r.when_any:
            self.problems.append(f"{path}.when: missing; allowed: one condition or more, in when or when_any")
        when = tuple(self._condition(f"{path}.when[{i}]", c, limits) for i, c in enumerate(r.when, 1))
        some = tuple(self._condition(f"{path}.when_any[{i}]", c, limits) for i, c in enumerate(r.when_any, 1))
        for name, keys in (("depends_on", r.depends_on), ("contradicts", r.contradicts)):
            for key in keys:
                others = [k for k in self.rule_keys if k != r.key]
                if key not in others:
                    self.problems.append(f"{path}.{name}: got unknown rule '{key}'{nearest(key, others)}")
                elif name == "depends_on" and not self._earlier(key, r.key):
                    self.problems.append(f"{path}.depends_on: got '{key}', which comes later; allowed: an earlier rule")
        return Rule(
            r.key,
            r.group,
            r.about,
            r.text,
            r.otherwise,
            when,
            some,
            r.minimum_probability,
            tuple(r.depends_on),
            tuple(r.contradicts),
            r.caution,
            r.approved_by,
            r.evidence,
        )

    def _earlier(self, first: str, second: str) -> bool:
        if first not in self.rule_groups:
            return True
        keys = list(self.rule_groups)
        return (self.rule_groups[first], keys.index(first)) < (self.rule_groups[second], keys.index(second))
