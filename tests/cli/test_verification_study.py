"""The invented study of ``stanch demo --verify``: its options are those of the protocols; its reports say so."""

from __future__ import annotations

from pathlib import Path

import pytest

from stanch.cli.verification_study import SEED, STUDY, Part, _labelled
from stanch.report.verification import render, summary
from stanch.verify import PROTOCOLS, protocol
from stanch.verify.protocol import resolve
from stanch.verify.reading import read_table
from stanch.virtual.laboratory import TABLES, as_csv

# One part analyses the demo recording again and again; tests/cli/test_budget_of_a_recording.py has that way.
QUICK = [part for part in STUDY if part.options.get("design") != "pipeline"]


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tables")
    for table in TABLES:
        (folder / f"{table.name}.csv").write_text(as_csv(table.columns(SEED), table.about), encoding="utf-8")
    return folder


def test_every_protocol_is_in_the_study_and_every_name_is_there_once() -> None:
    assert {part.protocol for part in STUDY} == set(PROTOCOLS)
    assert len({part.name for part in STUDY}) == len(STUDY)
    assert {part.table for part in STUDY} - {""} <= {table.name for table in TABLES}


@pytest.mark.parametrize("part", STUDY, ids=lambda part: part.name)
def test_options_are_those_of_the_protocol(part: Part) -> None:
    settings = resolve(protocol(part.protocol), part.options)
    assert {key: settings[key] for key in part.options} == dict(part.options)


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_every_table_of_the_study_is_marked_as_demo_data(table: object, tables: Path) -> None:
    assert read_table(tables / f"{table.name}.csv").demo  # type: ignore[attr-defined]


@pytest.mark.parametrize("part", QUICK, ids=lambda part: part.name)
def test_every_report_of_the_study_says_so_and_is_judged(part: Part, tables: Path) -> None:
    table = read_table(tables / f"{part.table}.csv") if part.table else None
    account = _labelled(protocol(part.protocol)(table, **part.options))
    assert account.title
    assert account.definitions
    assert "no limit stated" not in {one.outcome for one in account.verdicts}
    if table is None:
        assert account.data.used == 0
        assert account.data.notes == ("Demo data: what this plan assumes is invented.",)
    assert account.data.demo
    assert "Demo data: the data of this report are invented." in render(account)
    assert "[demo data]" in summary(account)
    assert account.verdicts
