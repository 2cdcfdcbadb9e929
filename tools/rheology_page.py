"""The page of the rheology study, from the tables that ``benchmarks/rheology_study.py`` writes."""

from __future__ import annotations

import csv
import math
import textwrap
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from statistics import median

from scipy.stats import binomtest

ROOT = Path(__file__).resolve().parent.parent
RESULTS = ROOT / "benchmarks" / "results"
Row = dict[str, str]

NAMES = {
    "kelvin_voigt": "Kelvin-Voigt",
    "spring_pot": "spring-pot",
    "fractional_kelvin_voigt": "fractional Kelvin-Voigt",
    "zener": "Zener",
}
WINDOWS = ("8 ms", "100 ms")
RATIOS = (-math.inf, 20.0, 30.0, 40.0, 50.0, math.inf)
"""Edges of peak over noise [dB]."""
CLEAR = 30.0
"""Peak over noise from which bias is told [dB]: below it, scatter hides it."""

OPENING = """
What Kelvin-Voigt, spring-pot, fractional Kelvin-Voigt and Zener fits make of media of each of the four kinds. The media
are stated by G' and loss tangent at 100 Hz and move as the virtual well says, which shares no code with the fits.
`benchmarks/rheology_study.py` writes the tables in `benchmarks/results`, and from those this page is made. Well and
media are invented; no sample was measured.
"""
SETTING = """
A push of 0.2 ms moves a gel of 100 Pa by about 5 µm. *8 ms*: 62 frames at 8 kHz after the push. *100 ms*: twelve more,
ever further apart, to 100 ms. *Peak over noise* is the largest movement over the noise of one frame. Intervals behind
shares are exact (Clopper-Pearson) and 99 %.
"""
RIGHT = """
Every medium fitted with its own kind, displacement traces of all noise levels. Bias and scatter are medians over the
media of the median error and of half its 16 to 84 % range, where peak over noise is at least 30 dB; coverage is of the
stated 95 % intervals, of all pushes with an answer.
"""
WRONG = """
Median over the media, and in brackets the range over them, of the median error, where peak over noise is at least 30
dB. At 1 Hz the fit is extrapolated by a factor of 100 in frequency, to where an oscillating rheometer works. A
Kelvin-Voigt or Zener medium has next to no loss at 1 Hz, so errors of its loss tangent there are large factors.
"""
PICKED = """
How often the model with the highest evidence was the kind of the medium: push by push, and with the logarithms of the
evidence added over 20 pushes. Chance would be 25 %. Added are pushes that every model could fit; a run without any
picks nothing, and counts as wrong.
"""
ECHOES = """
Wells of one set gel each, 20 pushes, frozen scatterers, tracked and fitted as a recording is. The pushes of a well
share their speckle, so shares of pushes are less certain than so many independent ones would be.
"""
GEL = """
Wells of virtual blood whose clot is a critical gel: a spring-pot alone at the gel point, which a spring joins
(`rheology = "critical_gel"` of the choices of virtual blood). A push every 6 s, displacement traces, no speckle. The
truth is where the loss tangent of the course at 100 Hz stays at or below 1 for a minute. Error: median over the wells,
and its range. *Chosen*: wells in which the model had the highest evidence within 30 s of the true gel time.
"""


def read(study: str) -> list[Row]:
    """Rows of one table."""
    with (RESULTS / f"rheology_{study}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def page(head: str) -> str:
    """The whole page."""
    traces, echoes, gel = read("traces"), read("echoes"), read("gel_time")
    lines = ["# Rheology study", "", head, ""]
    lines += [*_said(OPENING), *_origins(traces, echoes, gel), "", *_said(SETTING)]
    lines += ["## In brief", "", *_brief(traces, echoes, gel), ""]
    lines += ["## The right rheology", "", *_said(RIGHT), *_right(traces), "", *_by_ratio(traces), ""]
    lines += ["## The wrong rheology", "", *_said(WRONG), *_wrong(traces)]
    lines += ["## What the evidence picks", "", *_said(PICKED), *_picked_traces(traces)]
    lines += ["## From echoes", "", *_said(ECHOES), *_picked_echoes(echoes)]
    lines += ["## Gel time", "", *_said(GEL), *_gel(gel), ""]
    return "\n".join(lines)


def _said(text: str) -> Iterator[str]:
    yield from textwrap.wrap(" ".join(text.split()), 110)
    yield ""


def _origins(*tables: list[Row]) -> Iterator[str]:
    for name, rows in zip(("Traces", "Echoes", "Gel times"), tables, strict=True):
        for seed, commit, date, machine in dict.fromkeys(
            (r["seed"], r["commit"], r["date"], r["machine"]) for r in rows
        ):
            yield f"* {name}: {len(rows)} rows, seed {seed}, commit {commit}, {date}, {machine}."


def ratio(row: Row) -> float:
    """Peak over the noise of one frame [dB]."""
    return 20.0 * math.log10(float(row["peak_um"]) / float(row["noise_um"]))


def _bins() -> dict[str, tuple[float, float]]:
    out = {}
    for low, high in pairwise(RATIOS):
        name = f"below {high:.0f} dB" if low == -math.inf else f"{low:.0f} to {high:.0f} dB"
        out[f"from {low:.0f} dB" if high == math.inf else name] = (low, high)
    return out


def _change(log: float) -> str:
    """Natural logarithm of a ratio as a percentage or a factor."""
    factor = math.exp(min(log, 700.0))
    if 0.5 <= factor <= 2.0:
        return f"{100 * (factor - 1):+.1f} %".replace("-", "−")
    if factor < 1e-3:
        return "below 1/1000"
    return "above × 1000" if factor > 1e3 else f"× {factor:.3g}"


def _share(hits: int, total: int) -> str:
    if not total:
        return "none"
    interval = binomtest(hits, total).proportion_ci(0.99)
    return f"{100 * hits / total:.1f} % ({100 * interval.low:.1f} to {100 * interval.high:.1f}) of {total}"


def _plain(hits: int, total: int) -> str:
    return f"{100 * hits / total:.1f} %" if total else "none"


def _numbers(rows: list[Row], key: str) -> list[float]:
    return [float(r[key]) for r in rows if r[key]]


def _middle(rows: list[Row], key: str) -> str:
    found = _numbers(rows, key)
    return _change(median(found)) if found else "none"


def _total(rows: list[Row], key: str) -> int:
    return sum(int(r[key]) for r in rows if r[key])


def _sorted(rows: list[Row], key: str) -> list[str]:
    return [f"{x:g}" for x in sorted({float(r[key]) for r in rows})]


def _kept(rows: list[Row], **wanted: str) -> list[Row]:
    """Rows whose columns are what is wanted; numbers as they are printed."""

    def fits(row: Row, key: str, value: str) -> bool:
        return row[key] == value or (key not in ("window", "medium", "model") and f"{float(row[key]):g}" == value)

    return [r for r in rows if all(fits(r, key, value) for key, value in wanted.items())]


def _brief(traces: list[Row], echoes: list[Row], gel: list[Row]) -> Iterator[str]:
    own = [r for r in traces if r["medium"] == r["model"]]
    usable = _total(own, "usable")
    held = [_share(_total(own, f"{key}_covered"), usable) for key in ("storage", "tangent")]
    yield f"* Fitted with its own kind, G' is held by {held[0]} intervals and the loss tangent by {held[1]}."
    clear = [r for r in traces if ratio(r) >= CLEAR]
    pots = _kept(clear, medium="spring_pot", model="kelvin_voigt", window="8 ms")
    yield (
        f"* A Kelvin-Voigt fit of a spring-pot, 8 ms, is off in the loss tangent at 100 Hz by "
        f"{_ends(pots, 'tangent_bias')}, in G' at 100 Hz by {_ends(pots, 'storage_bias')}, "
        f"in G' at 1 Hz by {_ends(pots, 'slow_storage_bias')}."
    )
    for name, rows in (("Traces with a peak over noise of 30 dB or more", clear), ("Echoes", echoes)):
        cells = []
        for window in WINDOWS:
            one = _kept(_choices(rows), window=window)
            cells.append(f"{_plain(_total(one, 'run_right'), _total(one, 'runs'))} of runs with {window}")
        yield f"* {name}: 20 pushes together pick the kind of the medium in {cells[0]}, in {cells[1]}."
    for model in NAMES:
        off = [_errors(_kept(gel, model=model, window=window), "gel_time") for window in WINDOWS]
        yield f"* Gel time by a {NAMES[model]} fit, median and range of the error: 8 ms {off[0]} s, 100 ms {off[1]} s."


def _ends(rows: list[Row], key: str) -> str:
    found = _numbers(rows, key)
    return f"{_change(min(found))} to {_change(max(found))}" if found else "nothing measured"


def _right(rows: list[Row]) -> Iterator[str]:
    yield "| medium | window | usable | G' bias | scatter | coverage | tan δ bias | scatter | coverage |"
    yield "|---|---|---|---|---|---|---|---|---|"
    for kind in NAMES:
        for window in WINDOWS:
            own = _kept(rows, medium=kind, model=kind, window=window)
            clear = [r for r in own if ratio(r) >= CLEAR]
            usable = _total(own, "usable")
            cells = [NAMES[kind], window, _plain(usable, _total(own, "pushes"))]
            for key in ("storage", "tangent"):
                cells += [_middle(clear, f"{key}_bias"), f"{100 * median(_numbers(clear, f'{key}_scatter')):.1f} %"]
                cells.append(_share(_total(own, f"{key}_covered"), usable))
            yield f"| {' | '.join(cells)} |"


def _by_ratio(rows: list[Row]) -> Iterator[str]:
    yield "Coverage by peak over noise, all four kinds together:"
    yield ""
    yield "| peak over noise | window | usable | G' | tan δ |"
    yield "|---|---|---|---|---|"
    for name, (low, high) in _bins().items():
        for window in WINDOWS:
            own = [r for r in _kept(rows, window=window) if r["medium"] == r["model"] and low <= ratio(r) < high]
            if not own:
                continue
            usable = _total(own, "usable")
            cells = [name, window, _plain(usable, _total(own, "pushes"))]
            cells += [_share(_total(own, f"{key}_covered"), usable) for key in ("storage", "tangent")]
            yield f"| {' | '.join(cells)} |"


def _wrong(rows: list[Row]) -> Iterator[str]:
    clear = [r for r in rows if ratio(r) >= CLEAR]
    for key, title in (
        ("storage_bias", "G' at 100 Hz"),
        ("tangent_bias", "Loss tangent at 100 Hz"),
        ("slow_storage_bias", "G' at 1 Hz"),
        ("slow_tangent_bias", "Loss tangent at 1 Hz"),
    ):
        yield from (f"### {title}", "")
        yield f"| medium | window | {' | '.join(f'{NAMES[m]} fit' for m in NAMES)} |"
        yield f"|---|---|{'---|' * len(NAMES)}"
        for kind in NAMES:
            for window in WINDOWS:
                cells = []
                for model in NAMES:
                    found = _numbers(_kept(clear, medium=kind, model=model, window=window), key)
                    ends = f"{_change(min(found))}, {_change(max(found))}" if found else ""
                    cells.append(f"{_change(median(found))} [{ends}]" if found else "none")
                yield f"| {NAMES[kind]} | {window} | {' | '.join(cells)} |"
        yield ""


def _choices(rows: list[Row]) -> list[Row]:
    """One row of each medium: what was picked stands in the rows of all models."""
    return _kept(rows, model="kelvin_voigt")


def _picked(rows: list[Row], by: Callable[[Row], str], names: list[str], head: str) -> Iterator[str]:
    yield f"| {head} | one push, 8 ms | one push, 100 ms | 20 pushes, 8 ms | 20 pushes, 100 ms |"
    yield "|---|---|---|---|---|"
    for name in names:
        if name not in {by(r) for r in rows}:
            continue
        cells = []
        for right, of in (("push_right", "pushes"), ("run_right", "runs")):
            for window in WINDOWS:
                own = [r for r in _kept(_choices(rows), window=window) if by(r) == name]
                cells.append(_share(_total(own, right), _total(own, of)))
        yield f"| {name} | {' | '.join(cells)} |"
    yield ""


def _confusion(rows: list[Row]) -> Iterator[str]:
    for window in WINDOWS:
        yield f"| medium, {window} | {' | '.join(NAMES.values())} |"
        yield f"|---|{'---|' * len(NAMES)}"
        for kind in NAMES:
            own = _kept(_choices(rows), medium=kind, window=window)
            cells = [_plain(_total(own, f"run_{m}"), _total(own, "runs")) for m in NAMES]
            yield f"| {NAMES[kind]} | {' | '.join(cells)} |"
        yield ""


def _picked_traces(rows: list[Row]) -> Iterator[str]:
    def bin_of(row: Row) -> str:
        return next(name for name, (low, high) in _bins().items() if low <= ratio(row) < high)

    yield from _picked(rows, bin_of, list(_bins()), "peak over noise")
    for key, head in (("loss_tangent", "loss tangent at 100 Hz"), ("storage_pa", "G' at 100 Hz [Pa]")):
        yield from _picked(rows, lambda r, key=key: f"{float(r[key]):g}", _sorted(rows, key), head)  # type: ignore[misc]
    yield from _picked(rows, lambda r: NAMES[r["medium"]], list(NAMES.values()), "medium")
    yield from ("What 20 pushes picked, over all media and noise levels:", "")
    yield from _confusion(rows)


def _picked_echoes(rows: list[Row]) -> Iterator[str]:
    levels = _sorted(rows, "level_db")
    yield from _picked(rows, lambda r: f"{float(r['level_db']):g}", levels, "echo over noise [dB]")
    yield from ("Fitted with the right kind:", "")
    yield "| echo over noise [dB] | window | usable | G' bias | G' covered | tan δ bias | tan δ covered |"
    yield "|---|---|---|---|---|---|---|"
    for level in levels:
        for window in WINDOWS:
            own = [r for r in _kept(rows, window=window, level_db=level) if r["medium"] == r["model"]]
            usable = _total(own, "usable")
            cells = [level, window, _plain(usable, _total(own, "pushes"))]
            for key in ("storage", "tangent"):
                cells += [_middle(own, f"{key}_bias"), _plain(_total(own, f"{key}_covered"), usable)]
            yield f"| {' | '.join(cells)} |"
    yield from ("", "What 20 pushes picked:", "")
    yield from _confusion(rows)


def _gel(rows: list[Row]) -> Iterator[str]:
    yield "| fit | window | noise [µm] | wells | gel time error [s] | held at 95 % | onset error [s] | chosen |"
    yield "|---|---|---|---|---|---|---|---|"
    best: dict[tuple[str, str, str], Row] = {}
    for r in rows:
        key = (r["well"], r["window"], r["noise_um"])
        if key not in best or float(r["log_evidence_near"]) > float(best[key]["log_evidence_near"]):
            best[key] = r
    for model in NAMES:
        for window in WINDOWS:
            for noise in _sorted(rows, "noise_um"):
                own = _kept(rows, model=model, window=window, noise_um=noise)
                picked = sum(best[r["well"], r["window"], r["noise_um"]] is r for r in own)
                held = sum(
                    float(r["gel_time_low_s"]) <= float(r["gel_time_true_s"]) <= float(r["gel_time_high_s"])
                    for r in own
                )
                cells = [NAMES[model], window, noise, str(len(own)), _errors(own, "gel_time"), str(held)]
                yield f"| {' | '.join([*cells, _errors(own, 'onset'), str(picked)])} |"


def _errors(rows: list[Row], key: str) -> str:
    off = [float(r[f"{key}_s"]) - float(r[f"{key}_true_s"]) for r in rows]
    known = [x for x in off if math.isfinite(x)]
    if not known:
        return "none"
    missing = f", {len(off) - len(known)} without" if len(known) < len(off) else ""
    text = f"{median(known):+.1f} [{min(known):+.1f}, {max(known):+.1f}]{missing}"
    return text.replace("-", "−")
