"""The result as plain text for a terminal."""

from __future__ import annotations

from stanch.pipeline import Result
from stanch.report.lines import grid, without_value, wrapped
from stanch.report.numbers import NumberView
from stanch.report.surface import printable
from stanch.report.view import ReportView, view

__all__ = ["summary"]


def summary(result: Result) -> str:
    """What the analysis found, for a terminal.

    Parameters
    ----------
    result : Result

    Returns
    -------
    str
    """
    v = view(result)
    lines = [f"{v.title}{'  [demo data]' if v.demo and 'demo' not in v.title else ''}"]
    lines += [f"  {name}: {value}" for name, value in v.provenance if name in ("Assay document", "State", "Moduli")]
    lines += _wells(v)
    if not v.has_assay:
        lines += ["", *wrapped("Readings need an assay document: add --assay FILE.", "")]
    if v.contrasts:
        rows = [(c.number.label, *_number(c.number), f"{c.base} | {c.other}") for c in v.contrasts]
        lines += ["", "Contrasts", *grid(("", _value(v), "95 % interval", "wells"), rows)]
    if v.findings:
        lines += ["", f"Findings{f' ({v.unapproved})' if v.unapproved else ''}"]
        for f in v.findings:
            chance = f" [{f.probability}]" if f.probability and f.outcome != "suppressed" else ""
            text = f"{f.text}{chance}"
            if f.why:
                text += f" {f.why}"
            if f.outcome == "supports" and f.caution:
                text += f" Caution: {f.caution}"
            lines += wrapped(text, f"  {f.group + ':':<11}")
        lines += wrapped(
            "[...] is the probability that the readings lie beyond the limits, given measurement error.", "  "
        )
    lines += ["", "Quality"]
    if not v.quality:
        lines.append("  No fault was seen.")
    for name, well, consequence, text in v.quality:
        lines += wrapped(f"{name}, {well}, {consequence}: {text}", "  - ")
    for title, items in (("Not assessed", v.not_assessed), ("This assay cannot see", v.cannot_see)):
        if items:
            lines += ["", title]
            for item in items:
                lines += wrapped(item, "  - ")
    lines += ["", *wrapped(" ".join(v.cautions), "")]
    return printable("\n".join(lines))


def _wells(v: ReportView) -> list[str]:
    rows = []
    lines: list[str] = []
    silent = []
    for well in v.wells:
        first = well.name
        for reading in well.readings:
            if reading.status != "unavailable":
                rows.append((first, reading.label, *_number(reading)))
                first = ""
            else:
                silent.append((well.name, reading.label, reading.why))
        if first:
            rows.append((first, "no readings" if v.has_assay else f"pushes: {well.pushes}", "", ""))
        lines += [f"  {well.name}: {problem}" for problem in well.problems]
    lines += without_value(silent, [well.name for well in v.wells])
    return ["", *grid(("well", "", _value(v), "95 % interval"), rows), *lines]


def _value(v: ReportView) -> str:
    return f"value ({v.stated})" if v.stated else "value"


def _number(n: NumberView) -> tuple[str, str]:
    return f"{n.value} {n.unit}".strip() + (" (provisional)" if n.status == "provisional" else ""), n.interval
