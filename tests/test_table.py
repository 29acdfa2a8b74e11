"""One table of a result: the same cells as HTML, text and CSV."""

import csv
import io

from gantrysim.records.table import Table

TABLE = Table(("what", "how <much>"), [("a & b", 1.5), ("c", None)], "two things")


def test_html_escapes_whatever_a_cell_holds():
    page = TABLE.html()
    assert page.startswith("<table><caption>two things</caption><tr><th>what</th>")
    assert "<th>how &lt;much&gt;</th>" in page
    assert "<td>a &amp; b</td><td>1.5</td>" in page
    assert page.count("<tr>") == 3


def test_a_long_table_says_how_much_it_leaves_out():
    assert TABLE.html(most=1).endswith("</table><p>and 1 more</p>")
    assert "more" not in TABLE.html(most=2)


def test_rows_without_heads():
    assert Table((), [("span", "430 mm")]).html() == (
        "<table><tr><td>span</td><td>430 mm</td></tr></table>"
    )


def test_text_is_aligned_to_the_right():
    assert Table(("n", "mm"), [(1, "20.5"), (10, "3")]).text() == " n    mm\n 1  20.5\n10     3"


def test_csv_reads_back():
    text = TABLE.csv("a remark\nin two lines")
    assert text.startswith("# a remark in two lines\n")
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[1:] == [["what", "how <much>"], ["a & b", "1.5"], ["c", ""]]
    assert Table(("x",), [(1 / 3,)]).csv() == "x\n0.333333333\n"
