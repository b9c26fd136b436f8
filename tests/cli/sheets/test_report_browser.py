"""The report in a browser: nothing asked of the network, the slider works by keyboard, hostile names stay text."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from cli.report.whole import model_numbers, report_bytes
from cli.terminal.plan_options import choose_plan
from roommodes.running import Running
from tests.browser import opened_file, worst_contrast

HOSTILE = "<script>document.title='taken'</script> \\\"'><img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def opened(
    browser: Any, make_plan: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Callable[..., tuple[Any, list[str], list[str]]]]:
    """`opened(width, name)`: the report's page, with what it said on the console and what it asked for."""
    made: dict[str, Path] = {}

    def open_page(width: int = 1200, name: str = "Attic cinema") -> tuple[Any, list[str], list[str]]:
        if name not in made:
            plan = choose_plan(make_plan(NAME=name), subs=2)
            made[name] = tmp_path_factory.mktemp("page") / "report.html"
            made[name].write_bytes(report_bytes(plan, *model_numbers(plan, Running()), ".html"))
        found = opened_file(browser, made[name], viewport={"width": width, "height": 900})
        return found.page, found.said, found.asked

    return open_page


def pixels(page: Any, canvas: str) -> str:
    return str(page.evaluate("id => document.getElementById(id).toDataURL()", canvas))


def test_it_opens_quietly_and_asks_for_nothing(opened) -> None:
    page, said, asked = opened()
    assert said == []
    assert asked == [page.url]
    assert page.title() == "Attic cinema: Subwoofer plan"
    assert all(page.evaluate("[...document.images].map(i => i.complete && i.naturalWidth > 100)"))


def test_the_slider_changes_the_map_and_what_is_said(opened) -> None:
    page, said, _ = opened()
    slider = page.get_by_label("Frequency")
    before = (pixels(page, "map-0"), pixels(page, "map-1"), page.locator("#said").inner_text())
    hertz = float(re.match(r"[\d.]+", before[2])[0])
    slider.focus()
    page.keyboard.press("ArrowRight")
    after = (pixels(page, "map-0"), pixels(page, "map-1"), page.locator("#said").inner_text())
    assert all(a != b for a, b in zip(before, after, strict=True))
    assert float(re.match(r"[\d.]+", after[2])[0]) > hertz
    assert slider.get_attribute("aria-valuetext").startswith(re.match(r"[\d.]+ ", after[2])[0] + "hertz")
    page.keyboard.press("Home")
    assert page.locator("#said").inner_text().startswith("20.0 Hz; ")
    page.keyboard.press("End")
    assert page.locator("#said").inner_text().startswith("100.0 Hz; ")
    assert said == []


def test_the_numbers_in_the_seats_are_the_plans(opened, make_plan) -> None:
    page, _, _ = opened()
    plan = choose_plan(make_plan(), subs=2)
    weight = plan.seats.weight / plan.seats.weight.sum()
    page.get_by_label("Frequency").focus()
    page.keyboard.press("Home")
    level = plan.level_at_limit_db[0] - plan.level_at_limit_db[0] @ weight
    for seat, value in enumerate(level):
        shown = page.locator(f"#seat-1-{seat}").text_content().replace("\u2212", "-")
        assert float(shown) == pytest.approx(value, abs=0.0501)


def test_light_is_loud(opened) -> None:
    """The pixel at the loudest point of the plane is lighter than the one at the quietest."""
    page, _, _ = opened()
    light = page.evaluate(
        """() => {
          const data = JSON.parse(document.getElementById("map-data").textContent);
          const bytes = Uint8Array.from(atob(data.layouts[0].levels), (c) => c.charCodeAt(0));
          const levels = new Uint16Array(bytes.buffer);
          const size = data.nx * data.ny, start = data.start * size;
          const frame = Array.from(levels.slice(start, start + size));
          const canvas = document.getElementById("map-0"), context = canvas.getContext("2d");
          return [Math.max(...frame), Math.min(...frame)].map((value) => {
            const at = frame.indexOf(value), i = at % data.nx, j = Math.floor(at / data.nx);
            const x = Math.round((i / (data.nx - 1)) * (canvas.width - 1));
            const y = Math.round((1 - j / (data.ny - 1)) * (canvas.height - 1));
            return context.getImageData(Math.min(x, canvas.width - 2), Math.min(y, canvas.height - 2), 1, 1).data[1];
          });
        }"""
    )
    assert light[0] > light[1] + 60


@pytest.mark.parametrize("width", [390, 1200])
def test_it_fits_its_screen(opened, width: int) -> None:
    page, _, _ = opened(width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    box = page.locator("#map-1").bounding_box()
    assert box["width"] > 0.4 * min(width, 700)


def test_on_a_phone_rows_are_read_one_by_one_and_letters_are_large_enough(opened) -> None:
    """Tables that are not numbers side by side need no scrolling; letters of pictures stay above 7 px."""
    page, _, _ = opened(390)
    wide = page.evaluate(
        "[...document.querySelectorAll('table.stacked')].filter((t) => t.scrollWidth > t.parentElement.clientWidth)"
        ".map((t) => t.caption.textContent)"
    )
    assert wide == []
    labelled = page.evaluate(
        "[...document.querySelectorAll('table.stacked td')].every((cell) => cell.dataset.label !== undefined)"
    )
    assert labelled
    assert page.locator(".still").first.is_hidden(), "the live map stands above it"
    points = page.evaluate(
        "[...document.querySelectorAll('figure:not(.still) img.picture')]"
        ".map((image) => 8 * 96 / 72 * image.width / image.naturalWidth)"
    )
    assert len(points) >= 4
    assert min(points) > 7.0


def test_a_hostile_name_is_text(opened) -> None:
    page, said, asked = opened(1200, HOSTILE)
    assert said == []
    assert asked == [page.url]
    assert page.title() != "taken"
    assert page.locator("h1").inner_text().startswith("<script>document.title='taken'</script>")
    assert page.evaluate("document.querySelectorAll('h1 *').length") == 0


def test_contrast_of_texts(opened) -> None:
    """WCAG 2.1, 1.4.3: at least 4.5 to 1, for every text on its own background."""
    page, _, _ = opened()
    worst, where = worst_contrast(page, besides="svg *, script")
    assert worst >= 4.5, where


def test_it_prints_with_its_tables_open(opened, tmp_path: Path) -> None:
    page, _, _ = opened()
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate("[...document.querySelectorAll('details')].every((one) => one.open)")
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert not page.evaluate("[...document.querySelectorAll('details')].some((one) => one.open)")
    page.emulate_media(media="print")
    assert page.locator("#frequency").is_hidden()
    assert page.pdf(format="A4").startswith(b"%PDF")


def test_without_scripts_the_picture_and_table_remain(browser: Any, opened) -> None:
    page, _, _ = opened()
    context = browser.new_context(java_script_enabled=False)
    bare = context.new_page()
    bare.goto(page.url)
    assert bare.locator("#live").is_hidden()
    assert bare.get_by_text("needs scripts to be allowed").is_visible()
    assert bare.locator("#map img").first.is_visible()
    context.close()
