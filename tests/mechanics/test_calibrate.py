"""The systematic budget: shares that follow from how the problem scales, and the record."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from stanch.errors import DocumentError, InputError
from stanch.mechanics.calibrate import SCHEMA, Calibration, Dimensions, calibrate
from stanch.mechanics.one_dimensional import zero_flux_table


def _tube(geometry, depth, acquisition, frame_time):
    return zero_flux_table(geometry, depth=depth, rows=40)


def _make(bench, uncertainty, **kwargs):
    return calibrate(bench.geometry, bench.acquisition, uncertainty, frame_time=bench.frame_time, build=_tube, **kwargs)


def test_density_scales_the_modulus(bench):
    got = _make(bench, Dimensions(density=5.0), modulus=(20.0, 200.0, 2000.0))
    # Both W and b hold G and eta over density: a density too high by a part gives a modulus too high by that part.
    assert got.share["density"] == pytest.approx([math.atanh(5.0 / 1055.0)] * 3, rel=1e-4)
    assert got.relative == pytest.approx(np.abs(got.share["density"]))


def test_all_radii_together_scale_the_modulus_by_their_square(bench):
    part = 0.01
    g = bench.geometry
    sd = Dimensions(
        well_radius=part * g.well_radius, push_radius=part * g.push_radius, beam_radius=part * g.beam_radius
    )
    got = _make(bench, sd, modulus=(20.0, 200.0, 2000.0))
    assert np.sum(list(got.share.values()), axis=0) == pytest.approx([2 * part] * 3, rel=0.01)
    assert all(max(map(abs, rest)) < 0.2 * part for rest in got.nonlinear.values())


def test_the_real_well_is_the_default(bench):
    sd = Dimensions(well_radius=0.03 * bench.geometry.well_radius, focus_height=1e-4)
    got = calibrate(
        bench.geometry, bench.acquisition, sd, frame_time=bench.frame_time, modulus=(200.0, 400.0), speckle_cells=20.0
    )
    # 3 % of the radius costs about 5 % of the modulus, with the speckle deviation free to take up what it can.
    assert 0.03 < got.systematic(300.0) < 0.07
    # The focus is half-way up: moving it either way is the same.
    assert abs(got.share["focus_height"][0]) < 1e-4


def test_interpolation_between_and_beyond(bench):
    got = replace(
        _make(bench, Dimensions(density=1.0), modulus=(10.0, 1000.0)), share={"a": (0.03, 0.0), "b": (0.04, 0.01)}
    )
    assert got.relative == pytest.approx([0.05, 0.01])
    assert got.systematic(100.0) == pytest.approx(0.03)
    assert got.systematic(0.0) == pytest.approx(0.05)
    assert got.systematic(9000.0) == pytest.approx(0.01)


def test_nothing_stated_is_no_uncertainty(bench):
    assert _make(bench, Dimensions()).relative == pytest.approx(np.zeros(6))


def test_record_survives_json_and_refuses_changes(bench):
    made = _make(bench, Dimensions(density=2.0, push_radius=1e-5), source="drawing of the well, hydrometer")
    text = json.dumps(made.as_dict(), allow_nan=False)
    assert Calibration.from_dict(json.loads(text)) == made
    document = json.loads(text)
    assert document["schema"] == SCHEMA
    assert document["relative"] == pytest.approx(made.relative)
    with pytest.raises(DocumentError, match="sha256"):
        Calibration.from_dict({**document, "density": 1060.0})
    with pytest.raises(DocumentError, match=r"stanch\.calibration/2"):
        Calibration.from_dict({**document, "schema": "stanch.calibration/2"})


def test_what_may_be_stated(bench):
    with pytest.raises(InputError, match="standard uncertainty of push_length"):
        Dimensions(push_length=-1e-4)
    with pytest.raises(InputError, match="modulus"):
        _make(bench, Dimensions(), modulus=(100.0, 10.0))
