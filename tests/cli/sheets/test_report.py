"""report: says what the plan says, is the same every time, small, self-contained, and inert whatever the names are."""

import base64
import hashlib
import itertools
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from cli.report.blocks import Bullets, Picture, Section, Table, Text
from cli.report.html import report_html
from cli.report.level_maps import mapped_layouts, seat_marks
from cli.report.pdf import report_pdf
from cli.report.whole import model_numbers, report_bytes, report_content
from cli.terminal.plan_options import choose_plan
from roommodes.plan.choices import Choices
from roommodes.plan.file import write_results
from roommodes.plan.starting_values import starting_values
from roommodes.running import Running

from .conftest import BECAUSE, project_text, results_of

HOSTILE = "<script>alert(1)</script>\" onload='x' ${7*7} {{7*7}} </style>&amp;"


@pytest.fixture(scope="module")
def computed(plan_file: Path):
    """Plan, comparison and findings, computed once."""
    plan = choose_plan(plan_file)
    return plan, *model_numbers(plan, Running())


@pytest.fixture(scope="module")
def page(computed) -> str:
    return report_bytes(*computed, ".html").decode()


class Outline(HTMLParser):
    """Tags, attributes and the text under each tag."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


def test_the_page_says_the_plans_figures(page: str, computed) -> None:
    plan, _, found = computed
    lead = re.search(r'<p class="lead">(.*?)</p>', page, re.S)
    assert lead
    first, words = lead[1].strip().split(". ")[0], " ".join(lead[1].split())
    assert first.startswith(("The target of", "Whether it is loud enough")), "loud enough or not comes first"
    assert f"the variation, is {plan.variation_db:.1f} dB" in words
    spread = plan.level_db.max(axis=1) - plan.level_db.min(axis=1)
    assert f"lie {spread.mean():.0f} dB apart on average" in words
    usual = plan.results.choices.usual
    own = usual.of_count(plan.subs)
    assert f"{usual.driven_variation_db[own].min():.1f} dB with optimised settings" in words
    for sub in starting_values(plan, rate_hz=48000.0).subs:
        assert f">{sub.delay_s * 1e3:.2f} ms<" in page
    for mode in found.modes:
        assert f">{mode.rigid_hz:.1f}<" in page
    assert "invented" in page, "sources of constructions"
    for caution in ("hearing", "Glass: panes", "Electrical supply: leave circuits", "ventilation", "lift cabinets"):
        assert caution.lower() in page.lower()
    assert plan.project.sha256 in page
    assert "seed 7" in page


def test_no_commands_no_keys_no_coefficients(page: str) -> None:
    """Filters stand as they are entered; what a file or a terminal wants is not in a report."""
    words = re.sub(r"<script.*?</script>|<style.*?</style>|<[^>]+>", " ", page, flags=re.S)
    for pattern in (r"roommodes [a-z]+ ", r"\[[a-z]+[._][a-z]+\]", r"--[a-z]", r"\b[a-z]+_(?:m|db|hz|ms)\b", r"\bb0\b"):
        assert not re.search(pattern, words), re.search(pattern, words)
    assert re.search(r"peaking\s+[0-9.]+ Hz\s+[0-9.]+\s+-[0-9.]+ dB", words)


def test_the_page_tells_what_the_search_stored(page: str, computed) -> None:
    """The advice, what was bought, the bound, the fronts and the rows, as the file has them."""
    plan = computed[0]
    assert plan.subs == 2, "the advised number of subs, though 4 are more even"
    assert BECAUSE in page
    assert "Recommended: the plan with 2 subs." in page
    assert "in the front corners, with identical settings, have 4.60 dB" in page
    assert "The best settings found at the middles of front and rear wall bring it to 3.30 dB" in page
    assert "the best found at these positions reach 0.40 dB." in page
    assert "front at 2.70 m, 10 cm further back" in page
    tables = [block for section in report_content(*computed).sections for block in section.blocks]
    captions = {block.caption: block for block in tables if isinstance(block, Table)}
    for count, table in plan.results.plans.items():
        front = captions[f"{count} sub{'s' * (count > 1)}: variation against output"]
        first = (f"{table.variation_db[0]:.2f}", f"{table.output_db[0]:+.1f}")
        assert front.rows[0][:2] == first
        assert len(front.rows) == 3
    assert len(captions["Variation with one row moved, the plan found for the moved rows held [dB]"].rows) == 5
    assert "something is in the way" in captions["Usual layouts"].rows[1][0]


def test_another_plan_than_the_recommended_says_so(run, plan_file: Path) -> None:
    assert run("report", plan_file, "--subs", 4, "-o", "r.html").exit_code == 0
    page = Path("r.html").read_text()
    assert "This report is of the plan with 4 subs." in page
    assert "This plan has 4 subs; recommended: 2 subs." in page


def test_a_file_of_before_the_choices_is_reported_as_well(run, tmp_path: Path) -> None:
    """The number of subs then follows from the variations and what each further sub must take off."""
    results = replace(results_of(project_text()), choices=Choices())
    write_results(tmp_path / "plan.h5", results, force=False)
    variation = {count: float(table.variation_db[0]) for count, table in results.plans.items()}
    wanted = min(variation, key=lambda count: variation[count] + 0.3 * count)
    assert choose_plan(tmp_path / "plan.h5").subs == wanted
    assert run("report", "plan.h5", "-o", "r.html").exit_code == 0
    page = Path("r.html").read_text()
    assert f"Build {wanted} sub" in page
    assert 'id="front"' not in page
    assert 'id="rows"' not in page


def test_the_page_is_whole_and_loads_nothing(page: str) -> None:
    outline = Outline(page)
    assert outline.of("html")[0]["lang"] == "en"
    levels = [int(tag[1]) for tag, _ in outline.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    for tag, attributes in outline.tags:
        for key in ("src", "href", "srcset", "action", "poster", "data"):
            if key in attributes:
                assert str(attributes[key]).startswith(("data:", "#")), (tag, attributes[key])
        assert "style" not in attributes
        assert not any(key.startswith("on") for key in attributes)
    assert not outline.of("link")
    assert not outline.of("iframe")
    for image in outline.of("img"):
        assert len(image["alt"] or "") > 30, "the alternative text states the finding"
    names = [attributes["id"] for _, attributes in outline.tags if "id" in attributes]
    assert len(names) == len(set(names))
    anchors = [str(link["href"])[1:] for link in outline.of("a")]
    assert set(anchors) <= set(names)


def test_the_policy_lets_nothing_run_but_its_own_texts(page: str) -> None:
    policy = next(str(m["content"]) for m in Outline(page).of("meta") if m.get("http-equiv"))
    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy
    for kind, tag in (("script-src", "script"), ("style-src", "style")):
        (text,) = re.findall(rf"<{tag}>(.*?)</{tag}>", page, flags=re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{kind} 'sha256-{digest}'" in policy


def test_the_maps_numbers_are_the_plans(page: str, computed) -> None:
    """Unpacked as the script does, against the model's map and the stored levels."""
    plan, compared, _ = computed
    (text,) = re.findall(r'<script type="application/json" id="map-data">(.*?)</script>', page, flags=re.DOTALL)
    data = json.loads(text)
    layout = next(one for one in data["layouts"] if one["name"] == "this plan")
    steps = np.frombuffer(base64.b64decode(layout["levels"]), dtype="<u2")
    shape = (len(data["hz"]), data["ny"], data["nx"])
    level = steps.reshape(shape) * data["quantum"] + data["floor"]
    weight = plan.seats.weight / plan.seats.weight.sum()
    mean = plan.level_at_limit_db @ weight
    expected = (compared.plan_map_db - mean[:, None, None]).transpose(0, 2, 1)
    inside = (expected > -29.9) & (expected < 14.9)
    assert inside.mean() > 0.9
    np.testing.assert_allclose(level[inside], expected[inside], atol=0.0051)
    np.testing.assert_allclose(layout["seats"], plan.level_at_limit_db - mean[:, None], atol=0.0501)


def test_every_picture_has_its_table(computed) -> None:
    for section in report_content(*computed).sections:
        kinds = [type(block) for block in section.blocks]
        assert kinds.count(Picture) <= kinds.count(Table), section.heading


def test_size_and_bytes(page: str, computed) -> None:
    assert len(page.encode()) < 1_000_000
    assert report_bytes(*computed, ".html").decode() == page
    first = report_bytes(*computed, ".pdf")
    assert first == report_bytes(*computed, ".pdf")
    assert first.startswith(b"%PDF")
    assert len(first) < 1_000_000
    assert b"/CreationDate" not in first


def test_forty_seats_stay_under_a_megabyte(run, tmp_path: Path) -> None:
    """Five rows of eight: what grows with the seats are a table and the marks in the maps."""
    text = project_text().replace("points_per_octave = 6", "points_per_octave = 16")
    a, b = text.index("[[rows]]"), text.index("[screen]")
    places = [round(0.5 + 0.42 * seat, 2) for seat in range(8)]
    rows = [
        f'[[rows]]\nname = "row {k + 1}"\nx_m = {1.2 + 0.7 * k:.1f}\ny_m = {places}\near_height_m = 1.2\n'
        for k in range(5)
    ]
    write_results(tmp_path / "plan.h5", results_of(text[:a] + "".join(rows) + text[b:]), force=False)
    for kind, most in (("html", 1_000_000), ("pdf", 400_000)):
        assert run("report", "plan.h5", "-o", f"r.{kind}", "--quiet").exit_code == 0
        assert Path(f"r.{kind}").stat().st_size < most
    assert "row 5 8" in Path("r.html").read_text()


def with_text(computed, text: str):
    """The report with a text put in every place where a user's text can be."""
    report = report_content(*computed)
    table = Table(caption=text, headers=(text, text), rows=((text, text),))
    section = Section(key="x", heading=text, blocks=(Text(text=text), Bullets(items=(text,)), table))
    fields = {"title": text, "subtitle": text, "lead": text, "closing": text}
    return type(report)(**fields, sections=(*report.sections[:3], section))


@pytest.mark.parametrize("text", [HOSTILE, "\u202egnol\u202c \u05d0\u05d1", "x" * 500, "a\x00\x1b[31m\x07\ud800"])
def test_hostile_texts_are_inert(computed, text: str) -> None:
    report = with_text(computed, text)
    page = report_html(report).decode()
    assert page.count("<script") == 2
    assert "<script>alert" not in page
    assert Outline(page).of("h2")[-1]
    assert not any(key.startswith("on") for _, attributes in Outline(page).tags for key in attributes)
    assert report_pdf(report, computed[0]).startswith(b"%PDF")


def test_hostile_names_from_the_file(run, make_plan) -> None:
    """All the way from a plan file: names, and the free texts of constructions."""
    name = "<script>alert(1)</script> =1+1 'x\\\"y"
    plan = make_plan(NAME=name, ROW=name, ZONE=name, SOURCE="</td><script>\\u202e\\u0007", DESCRIPTION=name)
    assert run("report", plan, "-o", "r.html", "--subs", 1).exit_code == 0
    page = Path("r.html").read_text()
    assert page.count("<script") == 2
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "\u202e" not in page
    assert "\\u202e" in page


def test_no_usual_layout_and_no_limit_and_one_seat(run, tmp_path: Path) -> None:
    text = project_text().replace("[1.2, 2.0, 2.8]", "[2.0]").replace('max_level_1m_db = { "20" = 98, "40" = 108 }', "")
    write_results(tmp_path / "plan.h5", results_of(text), force=False)
    assert run("report", "plan.h5", "-o", "r.html").exit_code == 0
    assert "dB against one sub at 1 m, free field" in Path("r.html").read_text()


def test_one_seat_alone(run, tmp_path: Path) -> None:
    """Nothing differs between seats: the report speaks of level, and of no zeros."""
    text = project_text().replace("[1.2, 2.0, 2.8]", "[2.0]")
    a, b = text.index('[[rows]]\nname = "back"'), text.index("[screen]")
    results = results_of(text[:a] + text[b:])
    write_results(tmp_path / "plan.h5", results, force=False)
    assert run("report", "plan.h5", "-o", "r.html").exit_code == 0
    page = Path("r.html").read_text()
    assert "There is one seat, so nothing differs between seats" in page
    assert "the level at the seat runs from" in page
    assert 'id="front"' not in page
    assert ">0.00<" not in page.split('id="counts"')[1].split("</section>")[0]
    assert run("report", "plan.h5", "-o", "r.pdf").exit_code == 0


def test_marks_of_many_seats_do_not_cover_each_other() -> None:
    """Forty seats 0.9 by 1.3 m apart in a hall: whole decibels, as large as fits; seven in a small room as they are."""
    hall = np.array([[5.0 + 1.3 * row, 1.2 + 0.92 * seat, 1.1] for row in range(5) for seat in range(8)])
    size, decimals = seat_marks(hall, 14.0)
    assert decimals == 0
    assert size == pytest.approx(14.0 / 6.4)
    size, decimals = seat_marks(hall[:, :] * 0.3, 14.0)
    assert size * 27 <= 100 * 0.92 * 0.3 + 1e-9, "never higher than the seats are apart"
    assert seat_marks(np.array([[3.0, 1.0, 1.1], [3.0, 2.0, 1.1]]), 6.4) == (1.0, 1)


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["-o", "r.docx"], 2, "got '.docx'; allowed: .html, .pdf"),
        (["-o", "no/r.html"], 5, "does not exist"),
        (["--subs", 5, "-o", "r.html"], 2, "this file has plans with 1, 2, 4 subs"),
    ],
)
def test_faults(run, plan_file: Path, arguments: list[object], code: int, words: str) -> None:
    result = run("report", plan_file, *arguments)
    assert result.exit_code == code
    assert words in " ".join(result.stderr.split())
    assert not list(Path().iterdir())


def test_an_existing_report_is_kept(run, plan_file: Path) -> None:
    Path("r.html").write_text("mine")
    assert run("report", plan_file, "-o", "r.html").exit_code == 5
    assert Path("r.html").read_text() == "mine"


def test_a_map_counts_from_the_models_own_mean(computed) -> None:
    """Measured levels have another zero than the model's; the seats' marks are the measured ones."""
    plan, compared, _ = computed
    (as_found,) = (one for one in mapped_layouts(plan, compared) if one.name == "this plan")
    other = SimpleNamespace(
        measured=object(),
        tuning=None,
        level_at_limit_db=plan.level_at_limit_db - 30.0,
        positions_m=plan.positions_m,
        seats=plan.seats,
    )
    (shifted,) = (one for one in mapped_layouts(other, compared) if one.name == "this plan")
    np.testing.assert_allclose(shifted.map_db, as_found.map_db, atol=0.1)  # the seats by the map's model: 0.03 dB
    np.testing.assert_allclose(shifted.seat_db, as_found.seat_db, atol=1e-9)
