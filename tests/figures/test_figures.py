"""The figures: what is drawn, that it is told apart without colour, and that it is the same every time."""

from __future__ import annotations

import importlib.util
import itertools
import math
import re
import subprocess
import sys
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stanch.estimate import Estimate
from stanch.figures.curves import modulus_figure
from stanch.figures.push import push_figure
from stanch.figures.readings import Row, readings_figure
from stanch.figures.style import SERIES, series, thinned, to_svg
from stanch.figures.viscosity import viscosity_figure
from stanch.figures.witness import crept, witness_figure


@pytest.fixture(scope="module")
def synthetic() -> Any:
    path = Path(__file__).parent.parent / "report" / "synthetic.py"
    spec = importlib.util.spec_from_file_location("synthetic_for_figures", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def result(synthetic: Any) -> Any:
    return synthetic.make_result()


def dark_series() -> list[str]:
    css = (files("stanch.report") / "templates" / "report.css").read_text(encoding="utf-8")
    dark = css[css.index("prefers-color-scheme: dark") :]
    return re.findall(r"--series-\d: (#[0-9a-f]{6})", dark)[: len(SERIES)]


def lab(colour: str) -> tuple[float, float]:
    """Lightness L* and blue-yellow b* (CIE 1976 L*a*b*, CIE 15; sRGB of IEC 61966-2-1; constants from memory)."""
    v = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    v = [x / 12.92 if x <= 0.04045 else ((x + 0.055) / 1.055) ** 2.4 for x in v]
    y = 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2]
    z = (0.0193 * v[0] + 0.1192 * v[1] + 0.9505 * v[2]) / 1.0888
    f = [t ** (1 / 3) if t > 0.008856 else 7.787 * t + 16 / 116 for t in (y, z)]
    return 116 * f[0] - 16, 200 * (f[0] - f[1])


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_colours_differ_without_the_red_green_axis(scheme: str) -> None:
    colours = list(SERIES) if scheme == "light" else dark_series()
    assert len(colours) == len(SERIES)
    for a, b in itertools.combinations(colours, 2):
        # Ten just noticeable differences or so; our own floor.
        assert math.dist(lab(a), lab(b)) > 15, (a, b)


def test_wells_are_told_apart_by_colour_and_by_line() -> None:
    looks = [(s.colour, str(s.line)) for s in map(series, range(36))]
    assert len(set(looks)) == 36
    for k in range(30):
        six = looks[k : k + 6]
        assert len({line for _, line in six}) >= 5
    assert len({line for _, line in looks[:6]}) == 6


def test_curves_are_single_lines_above_zero_with_one_band_each(result: Any) -> None:
    figure = modulus_figure(result.wells, onset_modulus=24.0, hold=540.0)
    axes = figure.axes[0]
    lines = [line for line in axes.lines if len(line.get_xdata()) > 10]
    assert len(lines) == len(axes.collections) == 6
    assert axes.get_ylim()[0] == 0.0
    for line, one in zip(lines, result.wells):
        assert np.array_equal(line.get_ydata(), np.maximum(one.curve.modulus, 0.0))
        assert np.asarray(line.get_ydata()).min() >= 0.0
    names = {text.get_text() for text in axes.texts}
    assert names == {w.well.name for w in result.wells}
    assert "(Pa)" in axes.get_ylabel()
    assert "(min)" in axes.get_xlabel()


def test_long_lines_are_thinned_with_their_ends() -> None:
    assert thinned(0).tolist() == []
    assert thinned(5).tolist() == [0, 1, 2, 3, 4]
    long = thinned(5000)
    assert (long[0], long[-1], long.size) == (0, 4999, 900)


def test_logarithmic_scale_begins_at_one_pascal_and_has_plain_ticks(result: Any) -> None:
    figure = modulus_figure(result.wells, log=True)
    assert figure.axes[0].get_ylim()[0] == 1.0
    assert "$" not in to_svg(figure)


def test_names_are_never_read_as_formulas(result: Any) -> None:
    first = result.wells[0]
    name = r"$\frac{a}{b}$ & <b>"
    figure = modulus_figure([replace(first, well=replace(first.well, name=name))])
    assert r"$\frac{a}{b}$ &amp; &lt;b&gt;" in to_svg(figure)


def test_the_same_figure_gives_the_same_text(result: Any) -> None:
    first, second = (to_svg(modulus_figure(result.wells, onset_modulus=24.0)) for _ in range(2))
    assert first == second
    assert "<dc:date>" not in first


def test_viscosity_and_witness_leave_out_what_is_not_there(result: Any) -> None:
    assert viscosity_figure([replace(w, curve=None) for w in result.wells]) is None
    assert witness_figure([replace(w, kind="displacement") for w in result.wells]) is None
    two = viscosity_figure(result.wells[:2])
    assert two is not None
    assert len(two.axes[0].lines) == 2
    witness = witness_figure(result.wells)
    assert witness is not None
    assert len(witness.axes) == 2


ESTIMATES = [
    Estimate(10.0, 8.0, 12.0, "min"),
    Estimate(10.0, 8.0, None, "min", "provisional", why="open"),
    Estimate(None, 60.0, None, "min", "above", why="not reached"),
    Estimate(None, None, 0.2, "min", "below", why="passed"),
    Estimate.unavailable("min", "gone"),
    Estimate(None, 0.0, 0.4, "min"),
]


def test_points_and_whiskers_of_every_status() -> None:
    rows = [Row("Onset (min)", f"well {k}", e, (2.0, 14.0), (None, 9.0)) for k, e in enumerate(ESTIMATES)]
    rows.append(Row("Plateau (Pa)", "well 0", Estimate(500.0, 450.0, 560.0, "Pa"), critical=(100.0, None)))
    figure = readings_figure(rows)
    assert figure is not None
    onset, plateau = figure.axes
    assert [t.get_text() for t in onset.get_yticklabels()] == [f"well {k}" for k in reversed(range(6))]
    assert onset.get_xlim()[0] == 0.0
    assert onset.get_xlim()[1] > 60.0
    assert any(t.get_text().strip() == "unavailable" for t in onset.texts)
    assert plateau.get_xlim()[1] > 560.0
    to_svg(figure)
    assert readings_figure([]) is None


def test_an_opened_push_shows_echo_displacement_fit_and_residuals(result: Any, synthetic: Any) -> None:
    one = result.wells[2]
    echo = synthetic.make_echo(np.random.default_rng(1))
    depth, time = np.linspace(-1e-3, 4e-3, 256), 125e-6 * np.arange(-2, synthetic.FRAMES)
    figure = push_figure(one, 100, echo=echo, depth=depth, echo_time=time, push_duration=2e-4)
    assert figure is not None
    picture, upper, lower = figure.axes
    assert picture.images[0].get_array().shape == (256, echo.shape[0])
    fitted = next(
        line for line in upper.lines if len(line.get_xdata()) == synthetic.FRAMES and line.get_marker() == "None"
    )
    assert np.allclose(fitted.get_ydata(), one.moduli.fitted[100] * 1e6, rtol=0, atol=0)
    residual = next(line for line in lower.lines if line.get_marker() == "o").get_ydata()
    sd = np.hypot(one.displacement.sd[100], one.displacement.shared_sd[100])
    assert np.allclose(residual, (one.displacement.value[100] - one.moduli.fitted[100]) / sd, rtol=1e-9)


def test_a_push_without_echo_or_without_fit_or_with_refused_frames(result: Any) -> None:
    one = result.wells[2]
    weight = one.displacement.weight.copy()
    weight[100, :5] = 0.0
    changed = replace(
        one, displacement=replace(one.displacement, weight=weight), moduli=replace(one.moduli, fitted=None)
    )
    figure = push_figure(changed, 100)
    assert figure is not None
    assert any(t.get_text() == "no fit" for t in figure.axes[1].texts)
    to_svg(figure)
    assert push_figure(replace(one, displacement=None), 0) is None


def test_iq_echoes_are_drawn_by_their_magnitude(result: Any) -> None:
    echo = np.random.default_rng(1).integers(-100, 100, (8, 64, 2))
    figure = push_figure(
        result.wells[0], 0, echo=echo, depth=np.linspace(0, 1e-3, 64), echo_time=1e-4 * np.arange(-2, 6)
    )
    assert figure is not None
    picture = figure.axes[0].images[0].get_array()
    assert picture is not None
    assert np.array_equal(picture, np.hypot(echo[..., 0], echo[..., 1]).T)


def test_matplotlib_is_imported_only_when_a_figure_is_drawn() -> None:
    code = (
        "import sys, stanch.report.html, stanch.report.json, stanch.figures.curves; print('matplotlib' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_a_chance_coherence_in_the_liquid_moves_nothing() -> None:
    coherence = np.array([0.0, 0.1, 0.9, 0.2, 0.1, 0.95, 0.99, 0.99])
    shift = np.array([0.0, 5.0, 5.0, 5.0, 5.0, 1.0, 1.0, 1.0])
    assert crept(coherence, shift).tolist() == [0, 0, 0, 0, 0, 1, 2, 3]
