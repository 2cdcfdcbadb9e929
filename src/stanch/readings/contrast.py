"""A number from two wells that differ in exactly one additive.

Wells are independent given the sample, so joint samples of a contrast pair the sample paths of one well with those of
the other one by one.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stanch.curve.records import Curve
from stanch.estimate import Estimate
from stanch.readings import functionals
from stanch.readings.correct import filled
from stanch.readings.decline import decline
from stanch.readings.definitions import ContrastDefinition, Definitions
from stanch.readings.pair import gone, pair_problems, pair_warnings, share_activator
from stanch.readings.read import CLOCK_READINGS, MISSING, modulus_estimate
from stanch.readings.records import Contrast, WellReadings
from stanch.recording.records import Well

__all__ = ["Side", "contrast"]

Floats = NDArray[np.float64]

Side = tuple[Well, Curve | None, WellReadings | None]
"""A well with its curve and its readings."""

_UNIT = {
    "onset": "s",
    "gel_time": "s",
    "onset_delay": "s",
    "plateau_entry": "s",
    "steepest_rise": "Pa/s",
    "remaining": "1",
}
_DECLINE_UNIT = {"retention": "1", "excess_loss_rate": "1/s", "total_retention": "1", "shared_decline": "1"}
_NOTHING = np.empty(0)


def contrast(
    definition: ContrastDefinition, base: Side | None, other: Side | None, definitions: Definitions, seed: int
) -> Contrast:
    """Compare two wells.

    Parameters
    ----------
    definition : ContrastDefinition
    base, other : tuple of Well, Curve or None, WellReadings or None; or None
        None where the well is missing or could not be read.
    definitions : Definitions
    seed : int
        Of the block fraction.

    Returns
    -------
    Contrast
        Status ``unavailable`` with the reason where a well is missing, the wells differ in anything but the stated
        additive, or the number cannot be formed.
    """
    unit = _unit(definition)
    for side, name in ((base, definition.base), (other, definition.other)):
        if side is None or side[1] is None or side[2] is None:
            return _refused(definition, unit, f"Well {name} is missing or could not be read.")
    assert base is not None
    assert other is not None
    warnings: tuple[str, ...] = (*pair_warnings(base[0], other[0]), *_clock_warning(definition, base[0], other[0]))
    if definition.differs_in == "":
        warnings = (*warnings, "It was not checked that the wells differ in one additive only.")
    else:
        problems = pair_problems(base[0], other[0], definition.differs_in)
        if problems:
            why = f"Refused: beside {definition.differs_in} the wells must be alike, but {'; '.join(problems)}."
            return replace(_refused(definition, unit, why), warnings=warnings)
    if definition.kind == "decline":
        found = _decline(definition, base, other, definitions)
    else:
        found = _compared(definition, base, other, definitions, seed)
    return replace(found, warnings=(*warnings, *found.warnings))


def _clock_warning(definition: ContrastDefinition, base: Well, other: Well) -> tuple[str, ...]:
    """That the interval leaves out an uncertainty of activation nobody stated, where it would matter."""
    unknown = [well.name for well in (base, other) if well.activation_sd is None]
    # The early modulus of the other well is read at the base well's anchor, so the clocks of both count.
    if not unknown or definition.reading not in (*CLOCK_READINGS, "early_modulus"):
        return ()
    names = " and ".join(unknown)
    return (f"The uncertainty of the activation time of {names} is unknown and not included.",)


def _unit(definition: ContrastDefinition) -> str:
    if definition.kind == "decline":
        return _DECLINE_UNIT[definition.report or "retention"]
    return _UNIT.get(definition.reading or "", "Pa") if definition.kind == "difference" else "1"


def _refused(definition: ContrastDefinition, unit: str, why: str, offered: Estimate | None = None) -> Contrast:
    key = (definition.report or "retention") if definition.kind == "decline" else str(definition.reading)
    return Contrast(
        definition.name,
        definition.kind,
        key,
        definition.base,
        definition.other,
        Estimate.unavailable(unit, why),
        _NOTHING,
        offered=offered,
    )


def _made(
    definition: ContrastDefinition, estimate: Estimate, samples: Floats, *, raw: Estimate | None = None
) -> Contrast:
    return replace(_refused(definition, estimate.unit, "-"), estimate=estimate, samples=samples, raw=raw)


def _onset_on_clock(side: Side) -> tuple[Curve, Floats]:
    """The curve of a well, and its onset samples on the curve's own clock."""
    _, curve, readings = side
    assert curve is not None
    assert readings is not None
    samples = readings["onset"].samples
    return curve, samples if readings.clock is None else samples + readings.clock


def _decline(definition: ContrastDefinition, base: Side, other: Side, definitions: Definitions) -> Contrast:
    report = definition.report or "retention"
    unit = _DECLINE_UNIT[report]
    found = decline(
        _onset_on_clock(base),
        _onset_on_clock(other),
        definitions.hold,
        definitions.follow,
        least=definitions.onset_modulus,
    )
    if isinstance(found, str):
        return _refused(definition, unit, found)
    if found.gone > 0.5 and report in ("retention", "excess_loss_rate"):
        return _refused(definition, unit, gone(definition.base, found.first, definitions.onset_modulus))
    samples: Floats = getattr(found, report)
    status = _joint_status(base, other, "onset")
    estimate = Estimate.from_samples(samples, unit, status=status, systematic=_cancelled(base, other, "plateau"))
    return replace(_made(definition, estimate, samples), ages=(found.first, found.last))


def _joint_status(base: Side, other: Side, key: str) -> Literal["ok", "provisional"]:
    """Provisional as soon as one of the two readings is."""
    both = [side[2][key].estimate.status for side in (base, other) if side[2] is not None]
    return "provisional" if "provisional" in both else "ok"


def _cancelled(base: Side, other: Side, key: str) -> float | None:
    """Systematic uncertainty of a ratio of like wells: zero once it is known for both, else unknown."""
    known = [side[2][key].estimate.systematic for side in (base, other) if side[2] is not None]
    return None if None in known else 0.0


def _samples(
    definition: ContrastDefinition, base: Side, other: Side, definitions: Definitions
) -> tuple[Floats, Floats] | str:
    """Joint samples of the reading in both wells, or why there are none."""
    key = str(definition.reading)
    assert base[2] is not None
    assert other[2] is not None
    first = base[2][key]
    if first.samples.size == 0:
        return f"{key} of {definition.base}: {first.estimate.why}"
    if _at_base(key, base, other):
        assert other[1] is not None
        clock = other[2].clock
        anchor = base[2]["onset"].samples + (0.0 if clock is None else clock)
        second = functionals.at(other[1].time, other[1].paths, anchor + definitions.hold)
        if float(np.mean(~np.isfinite(second))) > MISSING:
            return f"The base well's onset plus hold lies outside the run of {definition.other}."
        return first.samples, filled(second)
    second_reading = other[2][key]
    if second_reading.samples.size == 0:
        return f"{key} of {definition.other}: {second_reading.estimate.why}"
    return first.samples, second_reading.samples


def _compared(definition: ContrastDefinition, base: Side, other: Side, definitions: Definitions, seed: int) -> Contrast:
    unit, key = _unit(definition), str(definition.reading)
    pair = _samples(definition, base, other, definitions)
    if isinstance(pair, str):
        return _refused(definition, unit, pair)
    found = _number_of(definition, *pair, base, other, seed)
    return replace(found, at_base=pair) if _at_base(key, base, other) else found


def _at_base(key: str, base: Side, other: Side) -> bool:
    """Whether both wells are read at the base well's onset."""
    return key == "early_modulus" and share_activator(base[0], other[0])


def _number_of(
    definition: ContrastDefinition, mine: Floats, yours: Floats, base: Side, other: Side, seed: int
) -> Contrast:
    """The contrast of joint samples of base (mine) and other (yours), with the block correction where one is stated."""
    key = str(definition.reading)
    status = _joint_status(base, other, key)
    if definition.kind == "difference":
        systematic = base[2][key].estimate.systematic if base[2] is not None else None
    else:
        systematic = _cancelled(base, other, key)
    raw = _formed(definition, mine, yours, base, other, status, systematic)
    centre, sd = definition.block_fraction, definition.block_fraction_sd
    if isinstance(raw, Contrast) or centre is None or sd is None:
        return raw if isinstance(raw, Contrast) else _made(definition, raw[0], raw[1])
    fraction = _block_fractions(centre, sd, mine.size, seed)
    blocked = (yours - (1.0 - fraction) * mine) / fraction
    corrected = _formed(definition, mine, blocked, base, other, status, systematic)
    if isinstance(corrected, Contrast):
        return replace(corrected, raw=raw[0])
    return _made(definition, corrected[0], corrected[1], raw=raw[0])


def _block_fractions(centre: float, sd: float, size: int, seed: int) -> Floats:
    """Block fractions of the lot: a normal distribution kept within (0, 1]."""
    drawn = centre + sd * np.random.default_rng([seed, 2]).standard_normal(size)
    return np.asarray(np.clip(drawn, 0.05, 1.0))


def _direction(definition: ContrastDefinition, base: Side, other: Side) -> int | None:
    """+1 where only a lower bound can be given, -1 an upper one, 0 neither; None where the two wells pull apart."""
    key = str(definition.reading)
    sign = {"above": 1, "below": -1}
    mine, yours = (sign.get(side[2][key].estimate.status, 0) if side[2] is not None else 0 for side in (base, other))
    if _at_base(key, base, other):
        yours = 0
    if definition.report == "remainder":
        return yours
    if definition.inverse:
        mine, yours = -mine, -yours
    if mine != 0 and -yours not in (0, mine):
        return None
    both_open = mine != 0 and yours != 0
    return None if both_open and mine == yours else (mine or -yours)


def _bounded(samples: Floats, side: Side, key: str) -> Floats:
    """Samples with the censored ones moved to the bound that the reading's estimate carries."""
    estimate = side[2][key].estimate if side[2] is not None else None
    out = samples
    if estimate is not None and estimate.status == "above" and estimate.low is not None:
        out = np.where(out == math.inf, estimate.low, out)
    if estimate is not None and estimate.status == "below" and estimate.high is not None:
        out = np.where(out == -math.inf, estimate.high, out)
    return out


def _number(definition: ContrastDefinition, mine: Floats, yours: Floats) -> Floats:
    """The number `definition` asks for; a few open samples stay infinite."""
    with np.errstate(invalid="ignore", divide="ignore"):
        if definition.kind == "difference":
            samples = yours if definition.report == "remainder" else mine - yours
        elif definition.kind == "share":
            samples = 1.0 - yours / mine
        else:
            samples = yours / mine if definition.inverse else mine / yours
    return np.where(np.isnan(samples), math.inf, samples)


def _formed(
    definition: ContrastDefinition,
    mine: Floats,
    yours: Floats,
    base: Side,
    other: Side,
    status: Literal["ok", "provisional"],
    systematic: float | None,
) -> tuple[Estimate, Floats] | Contrast:
    """The number of `definition` from joint samples of base (mine) and other (yours)."""
    unit, key = _unit(definition), str(definition.reading)
    direction = _direction(definition, base, other)
    if direction is None:
        return _refused(definition, unit, f"{key} is known only as a bound in both wells, and the bounds pull apart.")
    mine, yours = _bounded(mine, base, key), _bounded(yours, other, key)
    if definition.kind != "difference":
        bottom = mine if definition.inverse or definition.kind == "share" else yours
        if float(np.quantile(bottom, 0.025, method="nearest")) <= 0.0:
            why = "The denominator may be zero; the difference is offered."
            plain = replace(definition, kind="difference", report=None, inverse=False)
            offered = Estimate.from_samples(_number(plain, mine, yours), _unit(plain), status=status)
            return _refused(definition, unit, why, offered)
    samples = _number(definition, mine, yours)
    if direction:
        return _bound(samples, unit, direction, key, systematic), samples
    if unit == "Pa" and definition.report == "remainder":
        return modulus_estimate(np.maximum(samples, 0.0), status, systematic), samples
    return Estimate.from_samples(samples, unit, status=status, systematic=systematic), samples


def _bound(samples: Floats, unit: str, direction: int, key: str, systematic: float | None) -> Estimate:
    """A one-sided bound, where one of the wells gives only one."""
    why = f"{key} of one of the wells is known only as a bound."
    # Whole order statistics: interpolation between a finite and an infinite sample is undefined.
    end = float(np.quantile(samples, 0.025 if direction > 0 else 0.975, method="nearest"))
    if not math.isfinite(end):
        return Estimate.unavailable(unit, f"{why} The other well does not bound it either.")
    if direction > 0:
        return Estimate(None, end, None, unit, "above", systematic, why)
    return Estimate(None, None, end, unit, "below", systematic, why)
