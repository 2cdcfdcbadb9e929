"""A reading as a function of its settings: first order agrees with analysing the recording again."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import pytest

from stanch.errors import InputError, UsageError
from stanch.sensitivity import SETTINGS, reading_model, recorded_settings
from stanch.verify.budget import Input, against_runs, first_order


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """The demo's wells, 24 pushes over an hour."""
    from stanch.virtual.scenario import Scenario
    from stanch.virtual.simulate import simulate

    folder = files("stanch.virtual") / "demo"
    data = tomllib.loads((folder / "scenario.toml").read_text("utf-8"))
    data["run"].update(pushes=24, push_interval="150 s")
    data["folder"] = str(folder)
    path = tmp_path_factory.mktemp("sensitivity") / "run.h5"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STANCH_CACHE", str(tmp_path_factory.mktemp("tables")))
        yield simulate(Scenario.model_validate(data), path)


@pytest.fixture(scope="module")
def plateau(recording):
    return reading_model(recording, reading="plateau", well="base", threads=1)


def test_settings_as_recorded_give_the_reading_as_analysed(recording, plateau) -> None:
    from stanch.pipeline import analyse

    before = recording.read_bytes()
    settings = recorded_settings(recording, "base")
    assert set(settings) == set(SETTINGS)
    result = analyse(recording)
    base = next(well for well in result.wells if well.well.name == "base")
    assert base.readings is not None
    # The draws of the curve differ with the wells analysed beside it, so the last digits do.
    assert plateau({}) == pytest.approx(base.readings["plateau"].estimate.value, rel=1e-3)
    assert plateau(settings) == plateau({})
    assert recording.read_bytes() == before


def test_density_scales_the_modulus(recording, plateau) -> None:
    density = recorded_settings(recording, "base")["density"]
    assert plateau({"density": 1.02 * density}) == pytest.approx(1.02 * plateau({}), rel=1e-4)


def test_a_well_three_per_cent_wider_adds_five_per_cent(recording, plateau) -> None:
    radius = recorded_settings(recording, "base")["well_radius"]
    assert plateau({"well_radius": 1.03 * radius}) / plateau({}) == pytest.approx(1.055, abs=0.01)


def test_a_wrong_radius_cancels_in_a_ratio_of_moduli_of_like_wells(recording, plateau) -> None:
    radius = {"well_radius": 1.03 * recorded_settings(recording, "base")["well_radius"]}
    share = reading_model(recording, reading="platelet share", threads=1)
    assert share(radius) == pytest.approx(share({}), rel=0.01)
    assert plateau(radius) != pytest.approx(plateau({}), rel=0.03)


def test_first_order_foretells_joint_runs(recording, plateau) -> None:
    settings = recorded_settings(recording, "base")
    relative = {"well_radius": 0.01, "push_length": 0.05, "density": 0.003}
    inputs = [Input(name, settings[name], share * settings[name]) for name, share in relative.items()]
    inputs.append(Input("temperature", 310.15, 0.2, sensitivity=-1.5))
    first = first_order(plateau, inputs, steps="one-u")
    (check,), _ = against_runs(first, plateau, inputs, runs=12, seed=3)
    assert check.remainder < 0.1
    assert check.ratio == pytest.approx(1.0, abs=0.05)
    assert check.agrees
    assert {c.input.name for c in first["y"].contributions[:2]} == {"well_radius", "density"}


def test_what_cannot_be_is_refused(recording, plateau) -> None:
    with pytest.raises(InputError, match="setting colour"):
        plateau({"colour": 1.0})
    with pytest.raises(InputError, match="well_radius"):
        plateau({"well_radius": -1.0})
    with pytest.raises(InputError, match="well of"):
        reading_model(recording, reading="plateau", well="none")
    with pytest.raises(InputError, match="reading"):
        reading_model(recording, reading="colour", well="base")
    with pytest.raises(UsageError, match="heparin effect"):
        reading_model(recording, reading="colour")
