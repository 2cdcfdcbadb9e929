"""Priors as files."""

import dataclasses

import numpy as np
import pytest

from stanch.errors import InputError, IntegrityError, OutputExistsError
from stanch.readings.forecast.store import load_prior, save_prior


@pytest.fixture
def stored(prior, tmp_path):
    return tmp_path / "one.npz", save_prior(tmp_path / "one.npz", prior)


def test_a_prior_comes_back_as_it_was_written(prior, stored):
    path, kept = stored
    back = load_prior(path)
    assert back.sha256 == kept.sha256 != ""
    assert back.origin == prior.origin
    assert back.definitions == prior.definitions
    assert back.margins == prior.margins
    assert back.pairs == prior.pairs
    assert back.run == prior.run
    np.testing.assert_array_equal(back.time, prior.time)
    for name, rows in prior.library.items():
        np.testing.assert_allclose(back.library[name], rows, atol=0.5001e-3)
        np.testing.assert_array_equal(back.library[name], kept.library[name])


def test_a_well_that_a_sample_lacks_stays_lacking(prior, tmp_path):
    rows = prior.library["under"].copy()
    rows[5] = np.nan
    lacking = dataclasses.replace(prior, library={**prior.library, "under": rows})
    save_prior(tmp_path / "p.npz", lacking)
    back = load_prior(tmp_path / "p.npz").library["under"]
    assert np.isnan(back[5]).all()
    assert np.isfinite(np.delete(back, 5, axis=0)).all()


def test_the_same_prior_makes_the_same_file(prior, tmp_path):
    for name in ("a.npz", "b.npz"):
        save_prior(tmp_path / name, prior)
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()


def test_files_are_not_overwritten_unasked(prior, stored):
    with pytest.raises(OutputExistsError):
        save_prior(stored[0], prior)
    save_prior(stored[0], prior, overwrite=True)


def test_altered_content_is_noticed(stored):
    path, _ = stored
    with np.load(path) as found:
        content = dict(found)
    content["steps"][0, 0, 3] += 1
    np.savez(path, **content)
    with pytest.raises(IntegrityError):
        load_prior(path)


def test_what_is_no_prior_is_refused(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        load_prior(tmp_path / "none.npz")
    for content in (b"", b"not a prior", b"PK\x03\x04 broken"):
        (tmp_path / "bad.npz").write_bytes(content)
        with pytest.raises(InputError):
            load_prior(tmp_path / "bad.npz")
    np.savez(tmp_path / "other.npz", x=np.zeros(3))
    with pytest.raises(InputError):
        load_prior(tmp_path / "other.npz")
