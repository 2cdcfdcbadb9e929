import numpy as np
import pytest

from stanch.virtual.blood.stiff import Solution, solve
from stanch.virtual.blood.tissue_factor import NORMAL, activity, network


def _course(tissue_factor: float, duration: float = 1200.0) -> Solution:
    own = network()
    return solve(own, own.initial({**NORMAL, "TF": tissue_factor}), duration=duration, step=5.0)


def test_it_has_34_species_and_a_source_on_every_reaction() -> None:
    own = network()
    assert len(own.species) == 34
    assert len(own.conserved) == 10
    assert all("Hockin" in r.source for r in own.reactions)
    assert set(NORMAL) < set(own.species)


def test_every_name_is_made_of_its_parts() -> None:
    # What binds keeps its parts, and only activation changes a part's name.
    for r in network().reactions:
        if r.reverse is not None and not r.name.startswith("VIIIa <->"):
            left = sorted(part for name in r.reactants for part in name.split(":"))
            right = sorted(part for name in r.products for part in name.split(":"))
            assert left == right, r.name


def test_activity_weighs_meizothrombin() -> None:
    np.testing.assert_allclose(activity([1.0, 0.0], [0.0, 1.0]), [1.0, 1.2])


def test_without_tissue_factor_there_is_no_thrombin() -> None:
    assert not _course(0.0)["IIa"].any()


@pytest.mark.parametrize(("less", "more"), [(1e-9, 5e-9), (5e-9, 25e-9)])
def test_more_tissue_factor_is_earlier(less: float, more: float) -> None:
    def start(tissue_factor: float) -> int:
        course = _course(tissue_factor)
        return int(np.argmax(activity(course["IIa"], course["mIIa"]) > 2e-6))

    assert 0 < start(more) < start(less)
