"""The report: one offline HTML file with everything in it."""

from __future__ import annotations

from collections.abc import Sequence

from stanch.pipeline import Result
from stanch.report.loss_plates import damping_plate
from stanch.report.plates import curve_plates, limits_plate, push_plates, witness_plate
from stanch.report.view import ExamplePush, assay_of, view

__all__ = ["render"]


def render(result: Result, examples: Sequence[ExamplePush] = ()) -> str:
    """Write the report.

    Parameters
    ----------
    result : Result
    examples : sequence of ExamplePush
        Raw echoes of the pushes to open.

    Returns
    -------
    str
        HTML text that needs nothing from outside.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("stanch.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    assay = assay_of(result)
    template = environment.get_template("report.html.j2")
    return template.render(
        view=view(result),
        curves=curve_plates(result, assay),
        limits=limits_plate(result, assay),
        witness=witness_plate(result),
        damping=damping_plate(result),
        pushes=push_plates(result, assay, {e.well: e for e in examples}),
    )
