"""The four CSV tables."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from stanch.echo.records import PushFlag
from stanch.report.surface import flag_words
from stanch.report.tables import tables

PUSHES = (
    "well,push,time_s,modulus_pa,modulus_low_pa,modulus_high_pa,viscosity_pa_s,viscosity_low_pa_s,viscosity_high_pa_s,"
    "force_n_per_m3,coherence,flag,loss_tangent,loss_tangent_low,loss_tangent_high,damping_ratio,frequency_hz"
)


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_names_and_headers(result: Any) -> None:
    found = tables(result)
    assert list(found) == ["pushes.csv", "curve.csv", "readings.csv", "contrasts.csv"]
    assert found["pushes.csv"].splitlines()[0] == PUSHES
    assert found["readings.csv"].splitlines()[0] == (
        "well,name,label,value,low,high,systematic,unit,status,why,frequency_hz"
    )
    assert all(text.endswith("\n") and "\r" not in text for text in found.values())


def test_pushes_hold_every_push_to_the_last_digit(result: Any) -> None:
    found = rows(tables(result)["pushes.csv"])
    assert len(found) == sum(w.moduli.push_time.size for w in result.wells)
    base = [r for r in found if r["well"] == "base"]
    moduli = next(w.moduli for w in result.wells if w.well.name == "base")
    k = 60
    assert float(base[k]["modulus_pa"]) == moduli.modulus[k]
    assert float(base[k]["time_s"]) == moduli.push_time[k]
    assert (base[k]["push"], base[k]["flag"]) == ("60", "")


def test_liquid_has_no_value_but_an_interval_from_zero(result: Any) -> None:
    first = rows(tables(result)["pushes.csv"])[0]
    assert first["modulus_pa"] == ""
    assert first["modulus_low_pa"] == "0.0"
    assert float(first["modulus_high_pa"]) > 0


def test_flags_are_words_and_unusable_pushes_say_so_and_nan_is_empty(result: Any) -> None:
    well = result.wells[0]
    flags, usable, modulus = well.moduli.flags.copy(), well.moduli.usable.copy(), well.moduli.modulus.copy()
    flags[70], usable[70:72], modulus[70] = int(PushFlag.STRAIN | PushFlag.DRIFT), False, np.nan
    flags[72] = int(PushFlag.REFUSED)
    usable[72] = False
    changed = replace(well, moduli=replace(well.moduli, flags=flags, usable=usable, modulus=modulus))
    found = rows(tables(replace(result, wells=(changed,)))["pushes.csv"])
    assert (found[70]["flag"], found[70]["modulus_pa"]) == ("drift strain unusable", "")
    assert found[71]["flag"] == "unusable"
    assert found[72]["flag"] == "refused"


@pytest.mark.parametrize("name", ['a "b", c', "=cmd", "löslich\u2028x"])
def test_any_name_survives(result: Any, name: str) -> None:
    well = replace(result.wells[0], well=replace(result.wells[0].well, name=name))
    found = rows(tables(replace(result, wells=(well,)))["curve.csv"])
    assert {r["well"] for r in found} == {name}


def test_wells_without_anything_leave_headers_only(result: Any) -> None:
    bare = replace(result.wells[0], displacement=None, moduli=None, curve=None, readings=None)
    found = tables(replace(result, wells=(bare,), contrasts=()))
    assert all(len(text.splitlines()) == 1 for text in found.values())


def test_flag_words() -> None:
    assert flag_words(0) == ""
    assert flag_words(int(PushFlag.SATURATED | PushFlag.KNOCK)) == "saturated knock"
