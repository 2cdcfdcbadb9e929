"""Tables from files: what is understood, and that whatever is not is refused in one line that names the place."""

from __future__ import annotations

import csv
import hashlib
import io
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stanch.errors import InputError
from stanch.verify.cells import MISSING_NUMBERS, numbers_of
from stanch.verify.reading import read_table
from stanch.verify.table import Numbers, Table

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def made(text: str | bytes, name: str = "t.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return made


def values(table: Table, name: str) -> list[float | None]:
    return [None if np.isnan(x) else float(x) for x in table.numbers(name).value]


def refused(path: Path, **options: object) -> str:
    with pytest.raises(InputError) as caught:
        read_table(path, **options)  # type: ignore[arg-type]
    text = str(caught.value)
    assert "\n" not in text
    assert path.name in text
    return text


def test_a_plain_table(write: Write) -> None:
    path = write("well,run,modulus\nbase,1,120.5\nlow,2,1e2\n")
    table = read_table(path)
    assert list(table.columns) == ["well", "run", "modulus"]
    assert table.rows == 2
    assert values(table, "modulus") == [120.5, 100.0]
    assert table.labels("well").tolist() == ["base", "low"]
    assert table.labels("run").tolist() == ["1", "2"]
    assert table.source == "t.csv"
    assert table.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert not table.demo


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_and_line_ends(write: Write, mark: str, end: str) -> None:
    table = read_table(write(end.join(("a,b", "1,x", "2,y")).replace(",", mark)))
    assert values(table, "a") == [1.0, 2.0]
    assert table.labels("b").tolist() == ["x", "y"]


def test_tsv_is_tab_separated_whatever_else_it_holds(write: Write) -> None:
    table = read_table(write("a;b\n1;2\n", "t.tsv"))
    assert list(table.columns) == ["a;b"]


def test_byte_order_mark_notes_and_quotes(write: Write) -> None:
    text = '\ufeff# Demo data, invented;;\n# second note\nname;x\n"a;b";1\n"two\n# no note";2\n# last\n"say ""so""";3\n'
    table = read_table(write(text))
    assert table.notes == ("Demo data, invented", "second note", "last")
    assert table.demo
    assert table.labels("name").tolist() == ["a;b", "two\n# no note", 'say "so"']


def test_decimal_comma_is_taken_where_cells_are_numbers_only_with_it(write: Write) -> None:
    table = read_table(write("x;n;y\n1,5;1;<2,25\n-0,125;2;\n"))
    assert values(table, "x") == [1.5, -0.125]
    assert values(table, "n") == [1.0, 2.0]
    assert values(table, "y") == [2.25, None]
    assert table.numbers("y").below.tolist() == [True, False]
    assert values(read_table(write("x\n1,5\n2,5\n")), "x") == [1.5, 2.5]
    assert values(read_table(write('x,y\n"1,5",2\n"2,5",3\n')), "x") == [1.5, 2.5]


@pytest.mark.parametrize("text", ["x;y\n1,234;a\n2,345;b\n", "x;y\n<1,234;a\n−999,999;b\n"])
def test_a_comma_before_three_digits_everywhere_is_never_guessed(write: Write, text: str) -> None:
    path = write(text)
    said = refused(path)
    assert "column x" in said
    assert "row 1" in said
    assert "--decimal" in said
    assert values(read_table(path, decimal=","), "x")[0] == 1.234
    with pytest.raises(InputError, match="1,234"):
        read_table(path, decimal=".").numbers("x")


@pytest.mark.parametrize("cells", ["1,234;0,5", "0,234;0,999", "1234,567;1,234", "1,234;2,2"])
def test_one_clear_comma_settles_the_table(write: Write, cells: str) -> None:
    one, two = cells.split(";")
    table = read_table(write(f"x;y\n{one};1\n{two};2\n"))
    assert values(table, "x") == [float(c.replace(",", ".")) for c in (one, two)]


def test_two_decimal_marks_in_one_table_are_refused(write: Write) -> None:
    path = write("x;y\n1,5;2.5\n2,5;3.5\n")
    said = refused(path)
    assert "column y" in said
    assert "column x" in said
    assert "--decimal" in said
    assert values(read_table(path, decimal=","), "x") == [1.5, 2.5]
    assert values(read_table(path, decimal="."), "y") == [2.5, 3.5]


@pytest.mark.parametrize(
    ("cell", "value", "below", "above"),
    [
        *(("<5", 5.0, True, False), ("< 5.5", 5.5, True, False), ("≤5", 5.0, True, False), ("<=5", 5.0, True, False)),
        *((">5", 5.0, False, True), ("≥ 1e3", 1e3, False, True), (">=-2", -2.0, False, True)),
        *(("−5", -5.0, False, False), ("+5", 5.0, False, False), (" 5 ", 5.0, False, False), (".5", 0.5, False, False)),
    ],
)
def test_bounds_and_signs(write: Write, cell: str, value: float, below: bool, above: bool) -> None:
    column = read_table(write(f"x,y\n{cell},1\n1,2\n")).numbers("x")
    assert (column.value[0], column.below[0], column.above[0]) == (value, below, above)
    assert not column.censored[1]


@pytest.mark.parametrize(
    "cell", ["", "NA", "na", "N/A", "n.a.", "NaN", "null", "#N/A", "-", "--", "–", "—", ".", "?", "  "]
)
def test_missing_cells_of_a_column_of_numbers(write: Write, cell: str) -> None:
    table = read_table(write(f"x,y\n1,1\n{cell},2\n3,3\n"))
    column = table.numbers("x")
    assert column.missing.tolist() == [False, True, False]
    assert not column.censored.any()
    assert table.labels("x").tolist() == ["1", "", "3"]


def test_a_dash_may_be_a_name(write: Write) -> None:
    table = read_table(write("seen,x\n+,1\n-,2\n,3\nNA,4\n"))
    assert table.labels("seen").tolist() == ["+", "-", "", ""]


@pytest.mark.parametrize(
    "cell", ["1_000", "5 %", "1,234.5", "0x10", "1.2.3", "<", "< ", "<nan", "<inf", "a", "1 2", "TRUE"]
)
def test_other_cells_make_a_column_text_and_asking_for_numbers_names_the_row(write: Write, cell: str) -> None:
    table = read_table(write(f'x,y\n1,1\n"{cell}",2\n'))
    assert not isinstance(table.columns["x"], Numbers)
    with pytest.raises(InputError, match=r"column x of t\.csv, row 2"):
        table.numbers("x")


def test_names_made_of_digits_count_as_written(write: Write) -> None:
    table = read_table(write("id,x\n007,1\n7,2\n1e2,3\n12345678901234567890,4\n"))
    assert table.labels("id").tolist() == ["007", "7", "1e2", "12345678901234567890"]


def test_infinity_is_no_measurement(write: Write) -> None:
    from stanch.verify.table import take

    with pytest.raises(InputError, match="row 2"):
        take(read_table(write("x\n1\ninf\n")), numbers=("x",))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", "empty"),
        (b"\n \n", "empty"),
        (b"# note only\n", "header"),
        (b"a,b\n", "without rows"),
        (b"a,b\n,\n,\n", "without rows"),
        (b"a,a\n1,2\n", "a twice"),
        (b"a,,c\n1,2,3\n", "column 2"),
        (b"a,b\n1,2\n1\n3,4\n", "row 2"),
        (b"a,b\n1,2\n\n1,2,3\n", "row 2"),
        (b'a,b\n1,"2\n', "end of data"),
        (b"a,b\n1,\xe4\n", "line 2"),
        ("a,b\n1,2\n".encode("utf-16"), "UTF-16"),
        (b"a,b\n1,\0\n", "binary"),
        (b"PAR1 but not really", "Parquet"),
        (b"PK\x03\x04 but not really", "spreadsheet"),
        (b"a,b\n1,#DIV/0!\n", "row 1"),
    ],
)
def test_refusals(write: Write, text: bytes, words: str) -> None:
    assert words in refused(write(text))


def test_no_file_and_a_folder(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "none.csv")
    assert "folder" in refused(tmp_path)


def test_an_exported_edge_of_empty_cells_is_dropped(write: Write) -> None:
    table = read_table(write("a,b,\n1,2,\n3,,\n,,\n,,\n"))
    assert list(table.columns) == ["a", "b"]
    assert table.rows == 2
    assert values(table, "b") == [2.0, None]


def test_a_sheet_of_a_text_file_is_refused(write: Write) -> None:
    assert "sheet one" in refused(write("a\n1\n"), sheet="one")


def test_composed_and_decomposed_names_are_one(write: Write) -> None:
    table = read_table(write("a\u0308,x\nu\u0308,1\n\u00fc,2\n"))
    assert list(table.columns) == ["\u00e4", "x"]
    assert table.labels("\u00e4").tolist() == ["\u00fc", "\u00fc"]


def test_parquet(tmp_path: Path) -> None:
    pa = pytest.importorskip("pyarrow")
    from pyarrow import parquet

    path = tmp_path / "t.parquet"
    columns = {
        "well": pa.array(["base", None, "low"]).dictionary_encode(),
        "x": pa.array([1.5, None, float("nan")]),
        "n": pa.array([1, 2**60 + 1, None]),
        "y": pa.array(["<2", "3", None]),
        "ok": pa.array([True, False, None]),
    }
    parquet.write_table(pa.table(columns), path)
    table = read_table(path)
    assert table.labels("well").tolist() == ["base", "", "low"]
    assert values(table, "x") == [1.5, None, None]
    assert table.labels("n").tolist() == ["1", str(2**60 + 1), ""]
    assert table.numbers("y").below.tolist() == [True, False, False]
    assert table.labels("ok").tolist() == ["true", "false", ""]


def spreadsheet(path: Path, sheets: dict[str, list[list[str]]]) -> Path:
    """A minimal Office Open XML workbook (ECMA-376); a cell that begins with = is taken as raw XML content."""
    types = "".join(
        f'<Override PartName="/xl/worksheets/s{k}.xml" '
        'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/>'
        for k in range(len(sheets))
    )
    rel = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    pack = "http://schemas.openxmlformats.org/package/2006"
    with zipfile.ZipFile(path, "w") as book:
        book.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{pack}/content-types"><Default Extension="rels" '
            'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            '<Override PartName="/xl/workbook.xml" ContentType='
            f'"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>{types}</Types>',
        )
        book.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{pack}/relationships"><Relationship Id="r" Type="{rel}/officeDocument" '
            'Target="xl/workbook.xml"/></Relationships>',
        )
        listed = "".join(f'<sheet name="{n}" sheetId="{k + 1}" r:id="r{k}"/>' for k, n in enumerate(sheets))
        book.writestr(
            "xl/workbook.xml", f'<workbook xmlns="{main}" xmlns:r="{rel}"><sheets>{listed}</sheets></workbook>'
        )
        linked = "".join(
            f'<Relationship Id="r{k}" Type="{rel}/worksheet" Target="worksheets/s{k}.xml"/>' for k in range(len(sheets))
        )
        book.writestr(
            "xl/_rels/workbook.xml.rels", f'<Relationships xmlns="{pack}/relationships">{linked}</Relationships>'
        )
        for k, rows in enumerate(sheets.values()):
            body = "".join(f"<row>{''.join(map(_cell, row))}</row>" for row in rows)
            book.writestr(
                f"xl/worksheets/s{k}.xml", f'<worksheet xmlns="{main}"><sheetData>{body}</sheetData></worksheet>'
            )
    return path


def _cell(cell: str) -> str:
    if cell.startswith("#!"):
        return f'<c t="e"><v>{cell[2:]}</v></c>'
    if cell.startswith("bool:"):
        return f'<c t="b"><v>{cell[5:]}</v></c>'
    try:
        return f"<c><v>{float(cell)!r}</v></c>"
    except ValueError:
        return f'<c t="inlineStr"><is><t>{cell.replace("<", "&lt;")}</t></is></c>'


def test_spreadsheet(tmp_path: Path) -> None:
    pytest.importorskip("python_calamine")
    grid = [["# Demo data"], ["well", "x", "y", "ok"], ["base", "1.5", "<2", "bool:1"], ["low", "", "3", "bool:0"]]
    table = read_table(spreadsheet(tmp_path / "t.xlsx", {"results": grid, "empty": []}))
    assert table.demo
    assert values(table, "x") == [1.5, None]
    assert values(table, "y") == [2.0, 3.0]
    assert table.numbers("y").below.tolist() == [True, False]
    assert table.labels("y").tolist() == ["<2", "3"]
    assert table.labels("ok").tolist() == ["true", "false"]


def test_sheets_are_named_not_guessed(tmp_path: Path) -> None:
    pytest.importorskip("python_calamine")
    path = spreadsheet(tmp_path / "t.xlsx", {"one": [["a"], ["1"]], "two": [["a"], ["2"]]})
    said = refused(path)
    assert "one, two" in said
    assert "--sheet" in said
    assert values(read_table(path, sheet="two"), "a") == [2.0]
    assert "one, two" in refused(path, sheet="three")


def test_formula_errors_in_a_spreadsheet_are_refused_with_their_row(tmp_path: Path) -> None:
    pytest.importorskip("python_calamine")
    path = spreadsheet(tmp_path / "t.xlsx", {"one": [["a", "b"], ["1", "2"], ["2", "#!#DIV/0!"]]})
    said = refused(path)
    assert "sheet one" in said
    assert "#DIV/0!" in said
    grid = [["a", "b"], ["1", "2"], ["2", "#!#N/A"]]
    path = spreadsheet(tmp_path / "t.xlsx", {"one": grid, "two": [["a"], ["#!#REF!"]]})
    assert values(read_table(path, sheet="one"), "b") == [2.0, None]


CELLS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.sampled_from([word.decode() for word in MISSING_NUMBERS]),
    st.tuples(st.sampled_from(["<", ">", "≤", "≥ ", "<="]), st.floats(-1e9, 1e9).map(repr)).map("".join),
)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(st.lists(CELLS, min_size=1, max_size=40))
def test_the_whole_column_reads_as_its_cells_do_one_by_one(cells: list[str]) -> None:
    whole = numbers_of(np.array([c.encode() for c in cells]))
    assert whole is not None
    for k, cell in enumerate(cells):
        if cell.lower().encode() in MISSING_NUMBERS:
            assert np.isnan(whole.value[k])
            continue
        bare = cell.lstrip("<>≤≥= ")
        assert whole.value[k] == float(bare)
        assert whole.below[k] == cell.startswith(("<", "≤"))
        assert whole.above[k] == cell.startswith((">", "≥"))


@settings(derandomize=True, deadline=None, max_examples=100)
@given(
    st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=30),
    st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\0\r"), max_size=12), min_size=30, max_size=30),
    st.sampled_from([",", ";", "\t"]),
)
def test_what_a_csv_writer_writes_is_read_back(numbers: list[float], texts: list[str], mark: str) -> None:
    import tempfile
    import unicodedata

    sink = io.StringIO()
    writer = csv.writer(sink, delimiter=mark, quoting=csv.QUOTE_NONNUMERIC)
    writer.writerow(["x", "name"])
    writer.writerows([x, "a" + text] for x, text in zip(numbers, texts))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "t.csv"
        path.write_text(sink.getvalue(), encoding="utf-8", newline="")
        table = read_table(path, delimiter=mark)
    assert values(table, "x") == numbers
    found = table.labels("name").tolist()
    assert found == [unicodedata.normalize("NFC", ("a" + text).strip(" \t\n\r\v\f")) for text in texts[: len(numbers)]]


def test_a_large_table_keeps_every_number(tmp_path: Path) -> None:
    n = 150_000
    rng = np.random.default_rng(5)
    x = rng.normal(size=n)
    path = tmp_path / "big.csv"
    with path.open("w") as sink:
        sink.write("run,x\n")
        sink.writelines(f"r{k % 7},{value!r}\n" for k, value in enumerate(x.tolist()))
    table = read_table(path)
    assert np.array_equal(table.numbers("x").value, x)
    assert table.labels("run")[[0, 8, n - 1]].tolist() == ["r0", "r1", f"r{(n - 1) % 7}"]
