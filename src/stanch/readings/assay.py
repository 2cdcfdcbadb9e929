"""The assay document: everything that turns curves into words, read and checked with all errors at once."""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
import unicodedata
from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

from stanch.errors import DocumentError, UnitError
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

__all__ = ["READINGS", "SCHEMA", "AssayDocument", "canonical_text", "load_assay"]

SCHEMA = "stanch.assay/1"
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


def canonical_text(text: str) -> str:
    """The text the hash is taken of: NFC, line feeds, one at the end."""
    lines = unicodedata.normalize("NFC", text).replace("\r\n", "\n").replace("\r", "\n")
    return lines.rstrip("\n") + "\n"


def load_assay(text: str, where: str) -> AssayDocument:
    """Read an assay document.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        Name of the document, for messages.

    Returns
    -------
    AssayDocument

    Raises
    ------
    DocumentError
        If it is not TOML, of a newer schema, or wrong anywhere; every fault is listed with its path.
    """
    try:
        raw = tomllib.loads(text.removeprefix("\ufeff").replace("\r\n", "\n"))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise DocumentError(where, problems=[f"not valid TOML: {error}"], do="Correct the line named.") from None
    _check_schema(raw, where)
    try:
        written = AssayText.model_validate(raw)
    except ValidationError as error:
        problems = [_problem(dict(one), raw) for one in error.errors(include_url=False)]
        raise DocumentError(where, problems=problems, do="Correct the document.") from None
    except RecursionError:
        raise DocumentError(where, problems=["nested too deeply"], do="Correct the document.") from None
    compiler = _Compiler(written)
    document = compiler.document(text, where)
    if compiler.problems:
        raise DocumentError(where, problems=compiler.problems, do="Correct the document.")
    return document


def _check_schema(raw: dict[str, Any], where: str) -> None:
    schema = raw.get("schema")
    if schema == SCHEMA:
        return
    match = re.fullmatch(r"stanch\.assay/(\d{1,6})", schema) if isinstance(schema, str) else None
    do = f'Begin the document with schema = "{SCHEMA}".'
    if match is not None and int(match.group(1)) > 1:
        do = "It was written for a newer version; update Stanch."
    got = "nothing" if schema is None else repr(schema)[:80]
    raise DocumentError(where, problems=[f"schema: got {got}; allowed: {SCHEMA}"], do=do)


def _path(parts: Sequence[object]) -> str:
    text = ""
    for part in parts:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        elif isinstance(part, str) and not part.startswith(("constrained-", "list[", "literal[", "function-")):
            text += f".{part}" if text else part
    return text


def _problem(error: dict[str, Any], raw: dict[str, Any]) -> str:
    """One line: path, what was got, what is allowed."""
    location = tuple(error["loc"])
    path = _path(location)
    kind, context = str(error["type"]), dict(error.get("ctx") or {})
    if kind == "extra_forbidden":
        return f"{path}: unknown key{_nearest(str(location[-1]), _keys_at(location[:-1]))}"
    if kind == "missing":
        return f"{path}: missing; allowed: it must be given"
    if kind == "value_error":
        return f"{path}: {str(error['msg']).removeprefix('Value error, ')}"
    value = error.get("input")
    got = value if isinstance(value, str) else repr(value)
    got = got if got.isprintable() else repr(got)
    if kind == "literal_error":
        expected = str(context.get("expected", "")).replace("'", "").replace(" or ", ", ")
        hint = _nearest(got, expected.split(", "), listing=False)
        return f"{path}: got {got[:80]}; allowed: {expected}{hint}"
    if kind in ("list_type", "model_type", "dict_type") and isinstance(value, dict | list):
        got = "a table" if isinstance(value, dict) else "a list"
    return f"{path}: got {got[:80]}; allowed: {str(error['msg']).removeprefix('Input should be ')}"


def _nearest(word: str, allowed: Sequence[str], *, listing: bool = True) -> str:
    near = difflib.get_close_matches(word, allowed, n=1, cutoff=0.5)
    hint = f"; did you mean {near[0]}?" if near else ""
    return f"; allowed: {', '.join(allowed)}{hint}" if listing else hint


def _keys_at(location: Sequence[object]) -> list[str]:
    """Keys allowed in the table at this place."""
    model: type[BaseModel] = AssayText
    for part in location:
        if not isinstance(part, str):
            continue
        for name, field in model.model_fields.items():
            if (field.alias or name) == part:
                found = _model_in(field.annotation)
                model = found if found is not None else model
    return [field.alias or name for name, field in model.model_fields.items()]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _model_in(inner)
        if found is not None:
            return found
    return None


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


class _Compiler:
    """Checks what one key says against the others, and makes the plain records."""

    def __init__(self, written: AssayText) -> None:
        self.written = written
        self.problems: list[str] = []
        self.well_names = [w.name for w in written.well] if written.well is not None else None
        self.contrasts = {c.name: c for c in written.contrast}
        self.rule_groups = {r.key: GROUPS.index(r.group) for r in written.rule}

    def document(self, text: str, where: str) -> AssayDocument:
        w = self.written
        self._unique("well", self.well_names or [])
        self._unique("contrast", [c.name for c in w.contrast])
        self._unique("pair", [p.name for p in w.pair])
        self._unique("rule", [r.key for r in w.rule])
        contrasts = tuple(self._contrast(f"contrast[{i}]", c) for i, c in enumerate(w.contrast, 1))
        limits = tuple(self._limit(f"limit[{i}]", one) for i, one in enumerate(w.limit, 1))
        self._unique("limit", [" ".join(filter(None, (one.of, one.well, one.kind))) for one in limits])
        pairs = tuple(self._pair(f"pair[{i}]", p) for i, p in enumerate(w.pair, 1))
        rules = [self._rule(f"rule[{i}]", r, limits) for i, r in enumerate(w.rule, 1)]
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

    def _unique(self, table: str, names: list[str]) -> None:
        seen: set[str] = set()
        for index, name in enumerate(names, 1):
            if name in seen:
                self.problems.append(f"{table}[{index}]: got '{name}' twice; allowed: every one once")
            seen.add(name)

    def _well(self, path: str, name: str) -> None:
        if self.well_names is not None and name not in self.well_names:
            self.problems.append(f"{path}: got unknown well '{name}'{_nearest(name, self.well_names)}")

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
            self.problems.append(f"{path}: got {got}{_nearest(reading or '', READINGS)}")

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
            c.block_fraction,
            c.block_fraction_sd,
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
        if kind is None and of not in self.contrasts:
            allowed = [*READINGS, *self.contrasts]
            self.problems.append(f"{path}.of: got unknown reading or contrast '{of}'{_nearest(of, allowed)}")
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
                self.problems.append(f"{path}.of: got '{one.of}'{_nearest(one.of, list(ACCEPT_FACTS))}")
            if one.well is not None:
                self.problems.append(f"{path}.well: got '{one.well}'; allowed: none with kind accept")
        else:
            kind = self._of(path, one.of, one.well)
            if one.consequence != "flag":
                self.problems.append(f"{path}.consequence: got '{one.consequence}'; allowed: only with kind accept")
        low = self._quantity(f"{path}.low", one.low, kind) if kind else None
        high = self._quantity(f"{path}.high", one.high, kind) if kind else None
        if one.low is None and one.high is None:
            self.problems.append(f"{path}: got neither low nor high; allowed: one or both")
        if low is not None and high is not None and not low < high:
            self.problems.append(f"{path}.low: got {one.low}; allowed: below high, {one.high}")
        unit = re.sub(r"^[\s\d.eE+-]+", "", one.low or one.high or "").strip()
        written = _as_written(one.low, one.high)
        return Limit(one.of, one.kind, one.well or "", low, high, unit, written, one.source, one.consequence)

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
            if p.contrast not in self.contrasts:
                near = _nearest(p.contrast, list(self.contrasts))
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
        if len(self.problems) == before:
            found = [x for x in limits if (x.of, x.well, x.kind) == (c.of, c.well or "", c.limit)]
            side = "high" if c.is_.endswith("above") else "low"
            target = f"{c.of} of {c.well}" if c.well else c.of
            if not found:
                self.problems.append(f"{path}.limit: got '{c.limit}', but there is no {c.limit} limit of {target}")
            elif (found[0].high if side == "high" else found[0].low) is None:
                self.problems.append(f"{path}.is: got '{c.is_}', but the {c.limit} limit of {target} has no {side}")
        return Condition(c.of, c.well or "", c.is_, c.limit)

    def _rule(self, path: str, r: RuleText, limits: tuple[Limit, ...]) -> Rule:
        if not r.when and not r.when_any:
            self.problems.append(f"{path}.when: missing; allowed: one condition or more, in when or when_any")
        when = tuple(self._condition(f"{path}.when[{i}]", c, limits) for i, c in enumerate(r.when, 1))
        some = tuple(self._condition(f"{path}.when_any[{i}]", c, limits) for i, c in enumerate(r.when_any, 1))
        for name, keys in (("depends_on", r.depends_on), ("contradicts", r.contradicts)):
            for key in keys:
                others = [k for k in self.rule_groups if k != r.key]
                if key not in others:
                    self.problems.append(f"{path}.{name}: got unknown rule '{key}'{_nearest(key, others)}")
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
        keys = list(self.rule_groups)
        return (self.rule_groups[first], keys.index(first)) < (self.rule_groups[second], keys.index(second))
