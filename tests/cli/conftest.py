import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture(scope="session")
def small_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two wells of the demo, 40 pushes over an hour, with its assay document inside."""
    from stanch.virtual.scenario import Scenario
    from stanch.virtual.simulate import simulate

    folder = files("stanch.virtual") / "demo"
    data: dict[str, Any] = tomllib.loads((folder / "scenario.toml").read_text("utf-8"))
    data["run"].update(pushes=40, push_interval="90 s")
    data["folder"] = str(folder)
    path = tmp_path_factory.mktemp("small") / "run.h5"
    return simulate(Scenario.model_validate(data), path)


@pytest.fixture(scope="session")
def bare_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A gel of 12 pushes without any assay document."""
    from stanch.virtual.simulate import simulate

    scenario = Path(__file__).parents[2] / "examples" / "gel" / "scenario.toml"
    return simulate(scenario, tmp_path_factory.mktemp("bare") / "gel.h5")
