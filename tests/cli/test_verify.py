"""``stanch verify``: commands made from the protocols, tables in, reports out, and one line for what cannot be."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import click
import pytest

from stanch.cli.main import run
from stanch.cli.verify import SHARED_OPTIONS, command
from stanch.errors import UsageError
from stanch.verify import PROTOCOLS, protocol
from stanch.verify.protocol import Option, Protocol
from stanch.verify.records import Account, DataUsed
from stanch.verify.table import Table

LOTS = """\
# Demo data: invented
sample;lot a;lot b
1;120,5;121,0
2;88,1;87,2
3;45,0;46,4
4;210,2;212,8
5;98,4;
6;150,0;149,1
"""


def call(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        run(["verify", *args])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


@pytest.fixture
def lots(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "lots.csv").write_text(LOTS, encoding="utf-8")
    return "lots.csv"


ASK = ("--old", "lot a", "--new", "lot b", "--unit", "Pa")


def test_help_lists_every_protocol_with_its_question(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = call(capsys, "--help")
    assert code == 0
    plain = " ".join(out.split())
    for name in PROTOCOLS:
        assert f" {name} " in plain
        assert " ".join(protocol(name).question.split()) in plain


@pytest.mark.parametrize("name", PROTOCOLS)
def test_help_of_each_protocol_says_what_it_does_and_takes(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = call(capsys, name, "--help")
    assert code == 0
    plain = " ".join(out.split())
    one = protocol(name)
    assert one.question in plain
    for option in one.options:
        assert f"--{option.name}" in plain
        for design in option.designs:
            assert design in plain
    for shared in ("--json", "--report", "--overwrite", "--decimal", "--sheet"):
        assert shared in plain


def test_summary_json_and_report(lots: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = call(capsys, "lots", lots, *ASK, "--allowed", "5", "--json", "r.json", "--report", "r.html")
    assert (code, err) == (0, "")
    assert "demo data" in out
    assert "Not a medical device" in out
    written = json.loads(Path("r.json").read_text(encoding="utf-8"))
    assert written["schema"] == "stanch.verification/1"
    assert written["data"]["rows"] == 6
    assert written["data"]["used"] == 5
    assert written["data"]["missing"] == {"lot a": 0, "lot b": 1}
    assert written["settings"]["allowed"] == 5.0
    html = Path("r.html").read_text(encoding="utf-8")
    assert written["data"]["sha256"] in html
    assert sorted(p.name for p in Path().iterdir()) == ["lots.csv", "r.html", "r.json"]


def test_json_on_stdout_is_the_only_thing_there(lots: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = call(capsys, "lots", lots, *ASK, "--json", "-")
    assert code == 0
    assert json.loads(out)["protocol"] == "lots"


def test_a_table_from_stdin(tmp_path: Path) -> None:
    words = [sys.executable, "-m", "stanch", "verify", "lots", "-", *ASK, "--json", "-"]
    done = subprocess.run(words, input=LOTS.encode(), capture_output=True, check=True, cwd=tmp_path)
    assert json.loads(done.stdout)["data"]["source"] == "stdin"
    done = subprocess.run(words, input=b"", capture_output=True, check=False, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr.count(b"\n") == 1


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (("lots", "lots.csv", "--old", "lot x", "--new", "lot b"), 3, "sample, lot a, lot b"),
        (("lots", "lots.csv", "--new", "lot b"), 2, "--old"),
        (("lots", *ASK), 2, "TABLE"),
        (("lots", "none.csv", *ASK), 3, "no such file"),
        (("lots", "lots.csv", *ASK, "--allowed", "much"), 2, "much"),
        (("lots", "lots.csv", *ASK, "--allowed", "nan"), 2, "finite"),
        (("lots", "lots.csv", *ASK, "--decimal", ";"), 2, "decimal"),
        (("lots", "lots.csv", *ASK, "--decimal", "."), 3, "row 1"),
        (("lots", "lots.csv", *ASK, "--sheet", "one"), 3, "sheet one"),
        (("lots", "lots.csv", *ASK, "--json", "no/r.json"), 2, "folder"),
        (("lots", "lots.csv", *ASK, "--json", "r", "--report", "r"), 2, "different files"),
        (("lots", "lots.csv", *ASK, "--report", "lots.csv", "--overwrite"), 2, "the file that is read"),
        (("lots", "lots.csv", *ASK, "--report", "lots.csv"), 2, "the file that is read"),
        (("lots", "lots.csv", *ASK, "--report", "-"), 2, "file name"),
        (("lost", "lots.csv"), 2, "lost"),
    ],
)
def test_what_cannot_be_is_one_line_and_leaves_nothing(
    args: tuple[str, ...], code: int, words: str, lots: str, capsys: pytest.CaptureFixture[str]
) -> None:
    found, out, err = call(capsys, *args)
    assert (found, out) == (code, "")
    assert err.count("\n") == 1
    assert words in err
    assert [p.name for p in Path().iterdir()] == [lots]
    assert Path(lots).read_text(encoding="utf-8") == LOTS


def test_outputs_are_kept_unless_told(lots: str, capsys: pytest.CaptureFixture[str]) -> None:
    Path("r.json").write_text("mine")
    code, _, err = call(capsys, "lots", lots, *ASK, "--json", "r.json", "--report", "r.html")
    assert code == 2
    assert "--overwrite" in err
    assert Path("r.json").read_text() == "mine"
    assert not Path("r.html").exists()
    code, _, _ = call(capsys, "lots", lots, *ASK, "--json", "r.json", "--report", "r.html", "--overwrite")
    assert code == 0
    assert Path("r.json").read_text() != "mine"


def test_a_report_that_fails_leaves_no_half_output(
    lots: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import stanch.report.verification

    def fail(*_args: object, **_options: object) -> str:
        raise RuntimeError("no")

    monkeypatch.setattr(stanch.report.verification, "dumps", fail)
    code, _, _ = call(capsys, "lots", lots, *ASK, "--json", "r.json", "--report", "r.html")
    assert code == 1
    assert [p.name for p in Path().iterdir()] == [lots]


SEEN: list[dict[str, Any]] = []


def _seen(table: Table | None, **options: Any) -> Account:
    SEEN.append({"table": table, **options})
    return Account("made", "Made", "Is it?", (), DataUsed("arrays", "", 0, 0), (), (), (), (), options, {})


MADE = Protocol(
    "made",
    "Is it?",
    "A table or none.",
    (
        Option("by", "columns", "Groups.", default=()),
        Option("levels", "numbers", "Levels.", default=(1.0, 2.5)),
        Option("names", "texts", "Names."),
        Option("runs", "count", "Runs.", default=3),
        Option("power", "number", "Power.", default=0.8),
        Option("shape", "choice", "Shape.", default="flat", choices=("flat", "round")),
        Option("log", "flag", "On logarithms."),
        Option("clip", "flag", "Clip.", default=True),
        Option("seed", "count", "Of the draws.", default=0),
    ),
    _seen,
    needs_table=False,
)


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> None:
    import stanch.cli.verify

    monkeypatch.setattr(stanch.cli.verify, "_protocol", lambda name: MADE if name == "made" else None)


@pytest.mark.usefixtures("made")
def test_options_of_every_kind(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = call(capsys, "made")
    assert (code, err) == (0, "")
    assert SEEN[-1] == {
        "table": None,
        "by": (),
        "levels": (1.0, 2.5),
        "names": None,
        "runs": 3,
        "power": 0.8,
        "shape": "flat",
        "log": None,
        "clip": True,
        "seed": 0,
    }
    path = tmp_path / "t.csv"
    path.write_text('day,run,"a, b"\n1,2,3\n')
    several = ("--by", "day,run", "--by", "a, b", "--levels", "-5,1e3", "--levels", "2", "--names", "x, y")
    code, _, err = call(capsys, "made", str(path), *several, "--log", "--no-clip", "--shape", "round", "--seed", "7")
    assert (code, err) == (0, "")
    seen = SEEN[-1]
    assert seen["by"] == ("day", "run", "a, b")
    assert seen["levels"] == (-5.0, 1000.0, 2.0)
    assert seen["names"] == ("x", "y")
    assert (seen["log"], seen["clip"], seen["shape"], seen["seed"]) == (True, False, "round", 7)


@pytest.mark.usefixtures("made")
@pytest.mark.parametrize(
    "bad", [("--levels", "1,,2"), ("--levels", "1,inf"), ("--by", ","), ("--runs", "1.5"), ("--seed", "-1")]
)
def test_lists_that_cannot_be_read(bad: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = call(capsys, "made", *bad)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1


def test_no_protocol_takes_a_name_that_belongs_to_all() -> None:
    for name in PROTOCOLS:
        assert {option.name for option in protocol(name).options}.isdisjoint(SHARED_OPTIONS)


def test_the_group_is_light() -> None:
    program = (
        "import sys\nimport stanch.cli.verify\n"
        "print([m for m in ('numpy', 'scipy', 'matplotlib', 'jinja2') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-P", "-c", program], capture_output=True, text=True, check=True)
    assert "scipy" not in done.stdout
    assert "matplotlib" not in done.stdout
    assert isinstance(command, click.Group)


def test_a_wrong_protocol_from_python_is_a_usage_error() -> None:
    with pytest.raises(UsageError):
        protocol("lost")
