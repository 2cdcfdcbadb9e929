"""Pictures of the verification protocols: every layer is drawn, named, told apart, and the same every time."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import pytest

from stanch.figures.style import MARKS, SERIES, marker, to_svg
from stanch.figures.verification import picture_figure
from stanch.verify.records import Band, Bars, Layer, Level, Line, Picture, Points, Rows


def picture(*layers: Layer, **more: Any) -> Picture:
    return Picture("Title of it", "x [Pa]", "y [Pa]", layers, "Caption.", "Alt.", **more)


def texts(svg: str) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", svg)


EVERY = picture(
    Points((1.0, 2.0, 3.0), (2.0, 4.0, 3.0), "samples"),
    Points((1.0, 2.0), (1.0, 1.5), "raw", 1, faint=True),
    Line((1.0, 3.0), (2.0, 3.5), "fit", 2),
    Line((1.0, 2.0, 3.0), (1.0, 3.0, 2.0), "steps", 3, step=True),
    Band((1.0, 3.0), (1.5, 3.0), (2.5, 4.0), "95 % band", 2),
    Bars((1.0, 2.0, 3.0), (0.5, 0.8), "counts", 4),
    Level(3.8, "allowed"),
    Level(2.0, "decision", axis="x", kind="warning"),
    Level(0.0, "zero", kind="zero"),
    Level(2.2, "mean", kind="mean"),
)


def test_every_layer_is_named() -> None:
    said = texts(to_svg(picture_figure(EVERY)))
    for word in ("samples", "raw", "fit", "steps", "95 % band", "counts", "allowed", "decision", "zero", "mean"):
        assert said.count(word) == 1, word
    assert {"Title of it", "x [Pa]", "y [Pa]"} <= set(said)


def test_every_layer_is_drawn_where_it_says() -> None:
    axes = picture_figure(EVERY).axes[0]
    lines = {line.get_label(): line for line in axes.get_lines()}
    assert np.array_equal(lines["samples"].get_xydata(), [[1, 2], [2, 4], [3, 3]])
    assert lines["samples"].get_linestyle() == "None"
    assert lines["fit"].get_marker() == "None"
    assert lines["steps"].get_drawstyle() == "steps-post"
    heights = [patch.get_height() for patch in axes.patches]
    assert heights == [0.5, 0.8]
    levels = [line for line in axes.get_lines() if str(line.get_label()).startswith("_child")]
    assert sorted(float(np.atleast_1d(line.get_ydata())[0]) for line in levels) == [0.0, 0.0, 2.2, 3.8]


def test_series_differ_in_mark_and_kinds_of_levels_in_line() -> None:
    assert len({marker(k) for k in range(len(MARKS))}) == len(MARKS) == len(SERIES)
    assert marker(len(MARKS)) == marker(0)
    kinds = ("limit", "mean", "zero", "warning")
    axes = picture_figure(picture(*(Level(float(k), kind=kind) for k, kind in enumerate(kinds)))).axes[0]
    looks = {(line.get_color(), str(line.get_linestyle()), line.get_linewidth()) for line in axes.get_lines()}
    assert len(looks) == len(kinds)


def test_the_same_picture_gives_the_same_text() -> None:
    assert to_svg(picture_figure(EVERY)) == to_svg(picture_figure(EVERY))


def test_rows_are_points_with_whiskers_against_levels() -> None:
    names = ("base", "low", "open", "none")
    rows = Rows(names, (1.0, -2.0, 0.5, None), (0.5, -3.0, None, None), (1.5, -1.0, 2.0, None))
    figure = picture_figure(picture(rows, Level(-2.5, "allowed", axis="x"), Level(2.5, "allowed", axis="x")))
    axes = figure.axes[0]
    assert [label.get_text() for label in axes.get_yticklabels()] == list(names)
    low, high = axes.get_ylim()
    assert low > high, "the first row is on top"
    said = texts(to_svg(figure))
    assert said.count("allowed") == 2
    assert "not available" in said
    assert "y [Pa]" not in said
    marks = [line.get_marker() for line in axes.get_lines()]
    assert marks.count("<") == 1, "an open end is an arrow"


def test_two_sets_of_rows_stand_beside_each_other() -> None:
    one = Rows(("a", "b"), (1.0, 2.0), (0.0, 1.0), (2.0, 3.0))
    axes = picture_figure(picture(one, one)).axes[0]
    heights = {round(float(line.get_ydata()[0]), 3) for line in axes.get_lines()}
    assert len(heights) == 4


@pytest.mark.parametrize("scale", ["x_scale", "y_scale"])
def test_logarithmic_scales_have_plain_numbers(scale: str) -> None:
    layers = (Points((20.0, 90.0, 300.0), (20.0, 90.0, 300.0), "p"), Level(50.0, "half"))
    said = texts(to_svg(picture_figure(picture(*layers, **{scale: "log"}))))
    assert {"50", "100", "200"} <= set(said)
    assert not any("10^" in one or "mathdefault" in one for one in said)


def test_nothing_above_zero_on_a_logarithmic_scale_is_no_fault() -> None:
    layers = (Points((-1.0, 0.0, 10.0), (1.0, 2.0, 3.0), "p"), Band((1.0, 10.0), (-1.0, 2.0), (3.0, 4.0), "b"))
    assert to_svg(picture_figure(picture(*layers, x_scale="log", y_scale="log")))


def test_equal_axes() -> None:
    axes = picture_figure(picture(Points((0.0, 100.0), (20.0, 60.0), "p"), equal=True)).axes[0]
    assert axes.get_xlim() == axes.get_ylim()
    assert axes.get_aspect() == 1.0


def test_names_along_x() -> None:
    names = ("run A", "run B")
    axes = picture_figure(picture(Points((0.0, 1.0), (1.0, 2.0)), x_names=names)).axes[0]
    assert [label.get_text() for label in axes.get_xticklabels()] == list(names)
    many = tuple(f"a long name {k}" for k in range(12))
    crowded = picture_figure(picture(Points(tuple(map(float, range(12))), (1.0,) * 12), x_names=many)).axes[0]
    assert crowded.get_xticklabels()[0].get_rotation() == 45


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e12])
@pytest.mark.parametrize("spread", [0.0, 1.0])
def test_any_size_and_no_spread(scale: float, spread: float) -> None:
    y = tuple(scale * (1 + spread * k) for k in range(3))
    layers = (Points(y, y, "p"), Line(y, y, "l"), Band(y, y, y, "b"), Level(scale, "level"))
    assert to_svg(picture_figure(picture(*layers)))
    assert to_svg(picture_figure(picture(*layers, equal=True)))


def test_gaps_and_empty_layers() -> None:
    layers = (Points((), (), "none"), Line((1.0, 2.0, 3.0), (1.0, math.nan, 2.0), "gap"), Bars((0.0,), (), "no bars"))
    assert to_svg(picture_figure(picture(*layers)))
    assert to_svg(picture_figure(picture()))
    assert to_svg(picture_figure(picture(Rows((), (), (), ()))))


def test_labels_are_never_read_as_formulas() -> None:
    name = "$x_1$ & <b>"
    said = to_svg(picture_figure(picture(Points((1.0,), (1.0,), name), Level(1.0, name))))
    assert said.count("$x_1$ &amp; &lt;b&gt;") == 2


def test_a_label_used_twice_is_in_the_legend_once() -> None:
    layers = (Line((0.0, 1.0), (0.0, 1.0), "limits"), Line((0.0, 1.0), (1.0, 2.0), "limits"))
    assert texts(to_svg(picture_figure(picture(*layers)))).count("limits") == 1


def test_names_of_upright_lines_stand_above_the_data_in_lanes() -> None:
    bars = Bars((0.0, 1.0, 2.0), (30.0, 40.0), "people")
    lines = [Level(0.5, "limit of blank", axis="x"), Level(0.6, "limit of detection", axis="x")]
    figure = picture_figure(picture(bars, *lines, Level(1.99, "a long name at the end", axis="x")))
    axes = figure.axes[0]
    figure.canvas.draw()
    boxes = [one.get_window_extent() for one in axes.texts]
    inside = axes.get_window_extent()
    top = axes.transData.transform((0.0, 40.0))[1]
    assert len(boxes) == 3
    for box in boxes:
        assert box.y0 > top, "no name crosses a bar"
        assert inside.x0 - 1 <= box.x0 < box.x1 <= inside.x1 + 1
    assert not any(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[:k])
    ends = {float(line.get_xdata()[0]): float(line.get_ydata()[1]) for line in axes.get_lines()}
    assert ends[0.5] == 1.0
    assert ends[0.6] < 1.0, "the line ends at its own name, below that of its neighbour"


def test_a_lonely_limit_is_in_view() -> None:
    axes = picture_figure(picture(Points((1.0, 2.0), (1.0, 2.0)), Level(9.0, "allowed", axis="x"))).axes[0]
    assert axes.get_xlim()[1] > 9.0


def test_counts_have_whole_ticks_and_steps_are_plain() -> None:
    axes = picture_figure(picture(Bars((0.0, 1.0, 2.0), (1.0, 3.0), "people"))).axes[0]
    assert all(float(tick).is_integer() for tick in axes.get_yticks())
    steps = np.diff(picture_figure(picture(Line((0.0, 20.0), (0.91, 1.1)))).axes[0].get_xticks())
    assert float(steps[0]) in (2.0, 5.0)


def test_a_narrow_logarithmic_scale_still_has_numbers() -> None:
    layers = (Points((410.0, 480.0), (1.0, 2.0), "p"),)
    said = texts(to_svg(picture_figure(picture(*layers, x_scale="log"))))
    assert len({"420", "440", "450", "460", "480"} & set(said)) >= 2


def test_the_legend_follows_the_layers() -> None:
    layers = (Points((0.0, 1.0), (0.0, 1.0), "marks"), Band((0.0, 1.0), (0.0, 1.0), (1.0, 2.0), "band"))
    figure = picture_figure(picture(*layers, Line((0.0, 1.0), (0.0, 1.0), "line")))
    assert [one.get_text() for one in figure.legends[0].get_texts()] == ["marks", "band", "line"]


def test_very_many_names_are_thinned() -> None:
    names = tuple(f"laboratory {k}" for k in range(200))
    axes = picture_figure(picture(Points(tuple(map(float, range(200))), (1.0,) * 200), x_names=names)).axes[0]
    assert len(axes.get_xticklabels()) <= 45
    assert axes.get_xticklabels()[1].get_text() == f"laboratory {int(axes.get_xticks()[1])}"
