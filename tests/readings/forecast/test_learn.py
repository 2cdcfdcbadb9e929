"""Margins of held-out forecasts, and the times at which these are made."""

import dataclasses

import numpy as np
import pytest

from stanch.errors import InputError
from stanch.readings.forecast import learn as learning
from stanch.readings.forecast.forecast import margin_key
from stanch.readings.forecast.learn import FEWEST, learn
from stanch.readings.forecast.phase import SPANS_AFTER, SPANS_BEFORE
from stanch.readings.forecast.records import Origin

PHASE = "2 to 3 min after onset"
FINE = np.linspace(0.0, 3600.0, 1801)


def rows(stretches, misfit=1.0, surprise=2.0):
    return [(float(s), 0.5 * float(s), misfit, surprise) for s in stretches]


def margins(**groups):
    return learning._margins({("plateau", "w", PHASE, name): found for name, found in groups.items()})


def test_a_margin_leaves_the_corrected_share_inside():
    found = margins(a=rows(np.arange(1, 201)))[margin_key("plateau", "w", PHASE)]
    # 97.5 % of 201 is 195.975: the 196th of 200.
    assert (found.down, found.up) == (196.0, 98.0)
    assert found.count == 200
    assert (found.misfit, found.surprise) == (1.0, 2.0)
    assert margins(a=rows([0.0] * 50))[margin_key("plateau", "w", PHASE)].down == 0.1


def test_the_largest_margin_of_a_group_is_taken():
    narrow, wide = rows(np.full(200, 1.0)), rows(np.full(FEWEST, 3.0))
    assert margins(a=narrow, b=wide)[margin_key("plateau", "w", PHASE)].down == 3.0
    # A group too small to be judged apart counts among all.
    few = margins(a=narrow, b=wide[: FEWEST - 1])[margin_key("plateau", "w", PHASE)]
    assert few.down == 3.0
    assert few.count == 200 + FEWEST - 1
    assert margins(a=narrow, b=wide[:4])[margin_key("plateau", "w", PHASE)].down == 1.0
    assert margins(a=narrow[: FEWEST - 1]) == {}


def test_margins_for_any_class_are_the_widest_of_the_classes():
    found = learning._margins(
        {
            ("plateau", "v", PHASE, ""): rows(np.full(200, 1.0)),
            ("plateau", "w", PHASE, ""): rows(np.full(50, 4.0)),
            ("plateau", "x", PHASE, ""): rows(np.full(20, 2.0)),
        }
    )
    assert {key: m.down for key, m in found.items()} == {
        margin_key("plateau", "v", PHASE): 1.0,
        margin_key("plateau", "w", PHASE): 4.0,
        margin_key("plateau", "", PHASE): 4.0,
    }


def test_a_held_out_well_is_looked_at_once_in_every_phase(prior, growing):
    course = FINE, growing(400.0, 120.0, 300.0)(FINE)
    onset = 120.0 - 300.0 * np.log(1.0 - np.sqrt(20.0 / 400.0))
    for seed in range(20):
        times = np.array(learning._times(course, prior, np.random.default_rng(seed)))
        before, after = times[times < onset], times[times >= onset] - onset
        assert all(any(a <= t <= b for a, b in SPANS_BEFORE) for t in before)
        # Those spans that end before the onset are there, the one it falls into by chance.
        assert {60.0, 120.0, 180.0} >= {b for a, b in SPANS_BEFORE for t in before if a <= t < b} - {300.0}
        assert len(after) == len(SPANS_AFTER)
        for (a, b), t in zip(SPANS_AFTER, after):
            assert a - 2.0 <= t <= min(b, 3600.0 - onset) + 2.0
    liquid = learning._times((FINE, 0.0 * FINE), prior, np.random.default_rng(1))
    assert len(liquid) == len(SPANS_BEFORE)
    assert max(liquid) <= 3600.0


def test_too_few_samples_teach_nothing(definitions):
    origin = Origin("own runs", "none", "test")
    with pytest.raises(InputError, match="library"):
        learn([{}] * (FEWEST - 1), [], definitions, origin=origin)
    with pytest.raises(InputError, match="held-out"):
        learn([{}] * FEWEST, [], definitions, origin=origin)


def test_a_margin_is_kept_as_it_is(prior):
    one = next(iter(prior.margins.values()))
    assert dataclasses.asdict(one) == {"down": 1.0, "up": 1.0, "misfit": 3.0, "surprise": 9.0, "count": 100}
