"""The report on paper: what stands in the PDF, read back from its page streams."""

import io
import re
import zlib
from dataclasses import replace
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from cli.drawing.primitives import Sheet
from cli.figures.common_axes import STYLE
from cli.report.blocks import Block, Drawing, Picture, Report, Section, Table, Text
from cli.report.pdf import report_pdf
from cli.report.print import Inset, Print, text_width_pt
from cli.report.whole import model_numbers, report_bytes
from cli.terminal.plan_options import choose_plan
from roommodes.plan.starting_values import starting_values
from roommodes.running import Running

SHOWN = re.compile(rb"\((?:[^()\\]|\\.)*\)")


def streams(pdf: bytes) -> list[bytes]:
    """All streams of a file, unpacked."""
    found = []
    for start in re.finditer(rb"stream\r?\n", pdf):
        try:
            found.append(zlib.decompressobj().decompress(pdf[start.end() :]))
        except zlib.error:
            continue
    return found


def shown(pdf: bytes) -> str:
    """All texts of one-byte letters, piece by piece."""
    texts = []
    for stream in streams(pdf):
        if b"BT" in stream:
            for group in re.findall(rb"BT(.*?)ET", stream, flags=re.DOTALL):
                pieces = [re.sub(rb"\\(.)", rb"\1", piece[1:-1]) for piece in SHOWN.findall(group)]
                texts.append(b"".join(pieces).decode("latin-1"))
    return "\n".join(texts)


def page_of(*artists: Print | Inset, size_in: tuple[float, float] = (4.0, 3.0)) -> bytes:
    """A page with these on it."""
    figure = Figure(figsize=size_in)
    for one in artists:
        figure.add_artist(one)
    buffer = io.BytesIO()
    with mpl.rc_context({**STYLE, "pdf.fonttype": 3}), PdfPages(buffer, metadata={"CreationDate": None}) as pages:
        pages.savefig(figure)
    return buffer.getvalue()


def test_the_pages_hold_the_plans_figures_as_text(plan_file: Path) -> None:
    plan = choose_plan(plan_file)
    pdf = report_bytes(plan, *model_numbers(plan, Running(), ".pdf"), ".pdf")
    text = shown(pdf)
    for sub in starting_values(plan, rate_hz=48000.0).subs:
        assert f"{sub.delay_s * 1e3:.2f} ms" in text
        assert f"{sub.gain_db:+.1f} dB".lstrip("+") in text
    level = "level relative to the average over the seats [dB]"
    for expected in ("Starting values", "Where they stand", level, "frequency [Hz]"):
        assert expected in text, "headings, and the labels of pictures"
    assert b"/Subtype /Image" not in pdf, "pictures are lines and letters"
    assert len(pdf) < 400_000


def filled(*blocks: Block) -> int:
    """Pages of a report of one section."""
    section = Section(key="k", heading="h", blocks=blocks)
    report = Report(title="t", subtitle="s", lead="l", sections=(section,), closing="c")
    return report_pdf(report, None).count(b"/Type /Page ")


def test_pages_are_not_left_half_empty() -> None:
    """A picture that does not fit lets a table pass, or shrinks a little; a long table is cut under its headers."""
    half = Text(text="word " * 480)
    picture = Picture(title="p", alt="p", size_in=(5.0, 5.5), draw=lambda figure: figure.subplots())
    table = Table(caption="c", headers=("a", "b"), rows=(("x", "y"),) * 20)
    assert filled(half, picture) == filled(half, picture, table) == 2
    plan = Drawing(title="d", alt="d", sheet=lambda width: Sheet(width_mm=width, height_mm=200.0, scale=50.0))
    assert filled(half, plan, table) == 2, "a plan to scale waits for the next page as well"
    assert filled(half) == filled(half, replace(picture, size_in=(5.0, 2.8))) == 1
    long = replace(table, rows=(("x", "y"),) * 60)
    assert filled(half, long) == 2


def test_a_text_is_written_in_full() -> None:
    """Letters that a font joins, brackets, and letters beyond one byte; upright and bold."""
    page = Print()
    for row, text in enumerate(("office", "of (ice) \\", "ice \u00e9", "Žižkov")):
        page.text(10.0, 60.0 - 8.0 * row, text, 9.0, bold=row == 2)
    text = shown(page_of(page)).splitlines()
    assert text[1] == "of (ice) \\"
    assert text[2] == "ice é"
    assert "kov" in text[3]


@pytest.mark.parametrize("bold", [False, True])
def test_widths_are_those_of_the_outlines(bold: bool) -> None:
    """From the font's table of widths, against the drawn outlines' own extent."""
    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
    for text in ("1234.5 dB", "H0H", "5890 to 6310"):
        box = TextPath((0.0, 0.0), f"|{text}|", size=100.0, prop=font).get_extents()
        bar = TextPath((0.0, 0.0), "|", size=100.0, prop=font).get_extents()
        between = box.x1 - box.x0 - (bar.x1 - bar.x0)  # from the first bar to the last: the text and one bar's width
        expected = between - text_width_pt("|", 100.0, bold=bold)
        assert text_width_pt(text, 100.0, bold=bold) == pytest.approx(expected, rel=4e-3)


def test_a_figure_set_into_a_page_keeps_its_place_and_size() -> None:
    """The frame of an axes that fills a figure 50.8 by 25.4 mm, 20 mm from the left and 30 mm above the lower edge."""
    inner = Figure(figsize=(2.0, 1.0))
    axes = inner.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.plot([0.0, 1.0], [0.0, 1.0], linewidth=0.777)
    axes.set(xlim=(0.0, 1.0), ylim=(0.0, 1.0), xticks=[], yticks=[])
    stream = next(one for one in streams(page_of(Inset(inner, 20.0, 30.0))) if b"0.777 w" in one)
    line = re.search(rb"([\d.]+) ([\d.]+) m\s+([\d.]+) ([\d.]+) l\s+S", stream[stream.index(b"0.777 w") :])
    assert line is not None
    point = 25.4 / 72.0
    np.testing.assert_allclose(np.array(line.groups(), dtype=float) * point, (20.0, 30.0, 70.8, 55.4), atol=1e-3)
