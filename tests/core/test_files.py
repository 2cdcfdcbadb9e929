from pathlib import Path

import pytest

from stanch.errors import OutputExistsError, UsageError
from stanch.files import cache_folder, replacing


def _fail_half_way(target: Path, *, overwrite: bool) -> None:
    with replacing(target, overwrite=overwrite) as beside:
        beside.write_text("half")
        raise RuntimeError


def test_a_failed_write_leaves_nothing_behind(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError):
        _fail_half_way(tmp_path / "out.txt", overwrite=False)
    assert list(tmp_path.iterdir()) == []


def test_a_failed_overwrite_keeps_the_old_file(tmp_path: Path) -> None:
    target = tmp_path / "out.txt"
    target.write_text("old")
    with pytest.raises(RuntimeError):
        _fail_half_way(target, overwrite=True)
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_existing_outputs_and_missing_folders_are_refused(tmp_path: Path) -> None:
    target = tmp_path / "out.txt"
    target.write_text("old")
    with pytest.raises(OutputExistsError, match="--overwrite"), replacing(target):
        pass
    with pytest.raises(UsageError, match="Make the folder"), replacing(tmp_path / "no" / "out.txt"):
        pass
    with pytest.raises(UsageError, match="a directory"), replacing(tmp_path):
        pass


def test_the_cache_folder_follows_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STANCH_CACHE", str(tmp_path / "here"))
    assert cache_folder() == tmp_path / "here"
    monkeypatch.delenv("STANCH_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert cache_folder() == tmp_path / "stanch"
