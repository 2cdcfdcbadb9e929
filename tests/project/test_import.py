"""``import stanch`` is light, and its public names are the documented ones."""

import json
import subprocess
import sys

import pytest

HEAVY = ("scipy", "numba", "matplotlib", "pandas", "xarray", "pyarrow", "h5py", "pydantic", "jinja2")


def _loaded_after(statement: str) -> set[str]:
    program = f"{statement}\nimport sys, json\nprint(json.dumps(sorted(m for m in sys.modules)))"
    done = subprocess.run([sys.executable, "-P", "-c", program], capture_output=True, text=True, check=True)
    return set(json.loads(done.stdout.splitlines()[-1]))


@pytest.mark.parametrize("statement", ["import stanch", "import stanch.cli.main"])
def test_heavy_libraries_are_loaded_only_on_use(statement: str) -> None:
    assert sorted(_loaded_after(statement) & set(HEAVY)) == []


def test_no_module_of_verification_loads_a_heavy_library() -> None:
    loaded = _loaded_after(
        "import importlib, pkgutil, stanch.verify as v\n"
        "for m in pkgutil.walk_packages(v.__path__, 'stanch.verify.'): importlib.import_module(m.name)"
    )
    assert {"stanch.verify.precision.protocol", "stanch.verify.budget.monte_carlo"} <= loaded
    assert sorted(loaded & set(HEAVY)) == []


def test_every_public_name_can_be_reached() -> None:
    import stanch

    for name in stanch.__all__:
        assert getattr(stanch, name) is not None
