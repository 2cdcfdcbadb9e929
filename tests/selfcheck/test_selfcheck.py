"""The self-check passes here, fails when anything is off, and files its report either way."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import tomllib
from importlib import metadata
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner

from stanch.cli import main as command_line
from stanch.errors import InputError
from stanch.selfcheck import account as account_module
from stanch.selfcheck import selfcheck, values
from stanch.selfcheck.machine import LIBRARIES, installed_files, versions
from stanch.selfcheck.physics import physics
from stanch.selfcheck.records import Check
from stanch.verify.records import Account

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def filed() -> Account:
    return selfcheck()


def test_everything_passes_and_is_counted(filed: Account) -> None:
    checks = filed.numbers["checks"]
    assert [one["name"] for one in checks if not one["passed"]] == []
    assert filed.numbers["failed"] == 0
    assert {v.outcome for v in filed.verdicts} == {"met"}
    areas = {one["area"] for one in checks}
    assert {"mechanics", "echo", "statistics", "whole job", "recording"} <= areas
    assert len(checks) > 60


def test_the_whole_job_ran_on_this_machine(filed: Account) -> None:
    found = {one["name"]: one["found"] for one in filed.numbers["checks"]}
    assert found["mean modulus of a gel of 400 Pa [Pa]"] == pytest.approx(400, rel=0.02)
    assert found["mean modulus of a gel of 400 Pa [Pa]"] != 400
    assert all(seconds > 0 for seconds in filed.numbers["times_s"].values())


@pytest.mark.parametrize(
    ("found", "tolerance", "passed"),
    [(1.0, 0.0, True), (1.1, 0.2, True), (1.3, 0.2, False), (float("nan"), 9.0, False)],
)
def test_a_check_passes_only_within_its_tolerance(found: float, tolerance: float, passed: bool) -> None:
    assert Check("area", "name", "source", 1.0, found, tolerance).passed is passed


def test_a_wrong_constant_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    import stanch.mechanics.pin as pin

    right = pin.modulus_from_amplitude
    monkeypatch.setattr(pin, "modulus_from_amplitude", lambda a: 1.001 * right(a))
    failed = {one.source for one in physics() if not one.passed}
    assert failed == {"pin-amplitude"}


def test_a_failure_ends_with_code_1_and_still_files_its_report(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(account_module, "physics", lambda: iter([Check("mechanics", "planted", "here", 1.0, 2.0, 0.1)]))
    report, data = tmp_path / "s.html", tmp_path / "s.json"
    with pytest.raises(SystemExit) as left:
        command_line.run(["selfcheck", "--report", str(report), "--json", str(data)])
    assert left.value.code == 1
    assert "1 of" in capsys.readouterr().err
    assert "planted" in report.read_text(encoding="utf-8")
    assert json.loads(data.read_text(encoding="utf-8"))["numbers"]["failed"] == 1


def test_an_output_that_is_there_is_refused_before_any_work(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    there = tmp_path / "s.html"
    there.write_text("mine", encoding="utf-8")
    monkeypatch.setattr(account_module, "physics", lambda: pytest.fail("work was begun"))
    outcome = CliRunner().invoke(command_line.main, ["selfcheck", "--report", str(there)])
    assert outcome.exit_code != 0
    assert there.read_text(encoding="utf-8") == "mine"


def test_the_wheel_is_told_to_carry_every_value_that_is_read() -> None:
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    listed = set(re.findall(r'^"published/(\S+)" = "stanch/selfcheck/published/(\S+)"$', text, re.MULTILINE))
    wanted = {f"{slug}/{name}" for slug, names in values.SOURCES.items() for name in (*names, "source.toml")}
    assert listed == {(one, one) for one in wanted}
    for one in wanted:
        assert (ROOT / "published" / one).is_file()


def test_values_that_are_not_there_are_named() -> None:
    with pytest.raises(InputError, match="nowhere"):
        values.rows("nowhere", "values.csv")


def _record(path: Path, digest: bytes) -> Any:
    value = base64.urlsafe_b64encode(digest).rstrip(b"=").decode()
    return SimpleNamespace(
        hash=SimpleNamespace(mode="sha256", value=value), parts=("stanch", path.name), locate=lambda: path
    )


def test_a_changed_file_of_the_installation_is_counted(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("kept.py", "changed.py", "gone.py")]
    for path in files:
        path.write_bytes(b"as installed")
    record = [_record(path, hashlib.sha256(b"as installed").digest()) for path in files]
    monkeypatch.setattr(metadata, "files", lambda name: record)
    (check,) = installed_files()
    assert check.passed
    files[1].write_bytes(b"tampered with")
    files[2].unlink()
    (check,) = installed_files()
    assert (check.found, check.passed) == (2, False)


def test_versions_name_what_the_numbers_rest_on() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needs = [*project["dependencies"], *project["optional-dependencies"]["tables"]]
    assert tuple(re.split("[><=]", need)[0] for need in needs) == LIBRARIES
    found = dict(versions())
    assert {"stanch", "Python", "numpy", "scipy"} <= set(found)
    assert found["numpy"][0].isdigit()
