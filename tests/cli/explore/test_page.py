"""The page as people meet it: quiet, on every screen, by keys, by readers; its links, comparisons and files."""

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from roommodes.project.reading import parse_project
from tests.browser import worst_contrast

from .conftest import PROJECT, Explore, Explored, held
from .test_numbers import drag, typed

TEXT = PROJECT.replace("CLOUD\n", "")
HOSTILE = "<script>document.title='taken'</script> \\\"'><img src=x onerror=alert(1)>"


def downloaded(explored: Explored, button: str, folder: Path) -> Path:
    """What a button saves."""
    with explored.page.expect_download() as found:
        explored.page.get_by_role("button", name=button).click()
    path = folder / found.value.suggested_filename
    found.value.save_as(path)
    return path


def test_it_opens_quietly_and_asks_for_nothing(explore: Explore) -> None:
    explored = explore()
    assert explored.opened.said == []
    assert len(explored.opened.asked) == 1
    assert explored.page.title() == "Loft: move the subs"
    assert explored.page.locator("#verdict").inner_text().startswith("2 subs, variation ")


def test_a_hostile_name_is_text(explore: Explore) -> None:
    explored = explore(text=TEXT.replace('"Loft"', f'"{HOSTILE}"').replace('"front"', f'"{HOSTILE}"'))
    assert explored.opened.said == []
    assert explored.page.locator("h1").inner_text().startswith("<script>")
    assert explored.page.evaluate("document.querySelectorAll('h1 *, main img').length") == 0


def test_undo_and_redo_and_one_drag_is_one_step(explore: Explore) -> None:
    explored = explore()
    first = explored.state()
    drag(explored, "#plan .sub >> nth=0", (0.31, 2.6))
    moved = explored.state()
    typed(explored, "sub 2, gain in decibels, typed", "-6")
    last = explored.state()
    page = explored.page
    page.locator("body").click(position={"x": 2, "y": 2})
    page.keyboard.press("Control+z")
    assert explored.state() == moved
    page.get_by_role("button", name="Undo").click()
    assert explored.state() == first
    explored.drawn()
    assert page.get_by_role("button", name="Undo").is_disabled()
    page.keyboard.press("Control+y")
    page.keyboard.press("Control+Shift+z")
    assert explored.state() == last
    held(explored)


def test_the_address_brings_a_state_back(explore: Explore) -> None:
    explored = explore()
    page = explored.page
    typed(explored, "sub 1, y in metres", "2.17")
    typed(explored, "row front, shift in metres, typed", "-0.12")
    page.get_by_role("button", name="Pin this as A").click()
    page.get_by_label("back 1", exact=True).uncheck()
    page.get_by_role("button", name="Add a seat").click()
    page.get_by_label("Frequency", exact=True).fill("5")
    page.get_by_label("between the candidates").uncheck()
    page.wait_for_timeout(500)
    again = explore(fragment="#" + page.url.split("#")[1])
    assert again.state() == explored.state()
    assert again.page.evaluate("roommodes.app.frequency") == 5
    assert not again.page.evaluate("roommodes.app.free")
    pinned = "JSON.stringify(roommodes.app.pinned.state)"
    assert json.loads(again.page.evaluate(pinned)) == json.loads(page.evaluate(pinned))
    again.page.evaluate("fragment => { location.hash = fragment; }", "b=0.31,0.35,0.27,0,0,1,0,1,-1/0,0//")
    again.page.wait_for_timeout(100)
    assert len(again.state()["subs"]) == 1


@pytest.mark.parametrize(
    "fragment",
    [
        "#b=9,9,9,0,0,1,0,1,-1/0,0//",
        "#b=nonsense",
        "#b=0.31,0.35,0.27,0,0,1,0,1,-1/0,5//",
        "#b=0.31,0.35,0.27,99,0,1,0,1,-1/0,0//",
        "#b=0.31,0.35,0.27,0,0,2,0,1,-1/0,0//",
        "#b=0.31,0.35,0.27,0,0,1,0,1,3/0,0//",
        "#b=0.31,0.35,0.27,0,0,1,0,1,-1/0,0/77/",
        "#b=/0,0//",
        "#b=%E0%A4%A/0,0//&hz=-4&a=1",
    ],
)
def test_a_link_that_does_not_fit_is_said_and_left(explore: Explore, fragment: str) -> None:
    explored = explore(fragment=fragment)
    assert "does not fit this plan" in explored.page.locator("#notice").inner_text()
    assert len(explored.state()["subs"]) == 2
    held(explored)


def test_a_against_b(explore: Explore) -> None:
    explored = explore()
    page = explored.page
    before = explored.numbers()
    page.get_by_role("button", name="Pin this as A").click()
    typed(explored, "sub 1, gain in decibels, typed", "-9")
    after = held(explored)
    row = page.locator("#numbers tr", has_text="variation").locator("td")
    texts = [text.replace("\u2212", "-") for text in row.all_inner_texts()]
    assert texts[0] == f"{before['variation']:.2f} dB"
    assert texts[1] == f"{after['variation']:.2f} dB"
    by = after["variation"] - before["variation"]
    assert texts[2].startswith(f"{by:+.2f} dB")
    assert texts[2].endswith("worse" if by > 0 else "better")
    explored.drawn()
    assert page.locator("#curves .pinned").count() == 3
    state = explored.state()
    page.get_by_role("button", name="Change A and B round").click()
    assert explored.numbers()["variation"] == before["variation"]
    page.get_by_role("button", name="Change A and B round").click()
    assert explored.state() == state
    page.get_by_role("button", name="Let A go").click()
    explored.drawn()
    assert page.locator("#curves .pinned").count() == 0


def test_the_layout_for_the_project_file(explore: Explore, tmp_path: Path) -> None:
    explored = explore(subs=3)
    typed(explored, "sub 1, y in metres", "1.93")
    explored.page.get_by_label("sub 2 on").uncheck()
    explored.drawn()
    text = downloaded(explored, "Layout for the project (TOML)", tmp_path).read_text()
    project = parse_project(TEXT + text, source="test")
    layout = project.layout
    assert layout is not None
    on = [sub for sub in explored.state()["subs"] if sub["on"]]
    assert [list(point) for point in layout.positions_m] == [sub["at"] for sub in on]
    assert list(layout.gain_db) == pytest.approx([sub["gain"] for sub in on], abs=1e-4)
    assert list(layout.delay_ms) == pytest.approx([sub["delay"] for sub in on], abs=1e-5)
    assert list(layout.polarity) == [sub["polarity"] for sub in on]
    assert tomllib.loads(explored.page.locator("#toml").inner_text()) == tomllib.loads(text)


def test_the_layout_for_the_command_line(explore: Explore, tmp_path: Path) -> None:
    explored = explore()
    typed(explored, "row front, shift in metres, typed", "0.05")
    data = json.loads(downloaded(explored, "Layout for roommodes (JSON)", tmp_path).read_text())
    assert data["format"] == "roommodes layout"
    assert data["project_toml"] == explored.plan.project.toml_text
    assert data["rows"] == [{"name": "front", "shift_m": 0.05}, {"name": "back", "shift_m": 0}]
    assert data["numbers"]["variation_db"] == explored.numbers()["variation"]


def test_the_command_line_reads_the_layout_back(explore: Explore, run: Any, tmp_path: Path) -> None:
    """`predict` of the project with the page's layout: the page's own numbers, row moved and all."""
    explored = explore()
    typed(explored, "row front, shift in metres, typed", "0.15")
    typed(explored, "sub 1, y in metres", "1.93")
    typed(explored, "sub 2, delay in milliseconds, typed", "3.4")
    saved = downloaded(explored, "Layout for roommodes (JSON)", tmp_path)
    (tmp_path / "loft.toml").write_text(TEXT)
    result = run("predict", "loft.toml", "--layout", saved.name, "--json")
    assert result.exit_code == 0
    told = json.loads(result.stdout)
    page = explored.numbers()
    assert told["variation_db"] == pytest.approx(page["variation"], abs=0.01)
    assert told["output_db"] == pytest.approx(page["output"], abs=0.01)


def test_the_picture(explore: Explore, tmp_path: Path) -> None:
    explored = explore()
    drawing = downloaded(explored, "Picture (SVG)", tmp_path)
    text = drawing.read_text()
    assert text.startswith("<svg")
    assert "data:image/png;base64," in text, "the map"
    assert "Loft" in text
    image = downloaded(explored, "Picture (PNG)", tmp_path).read_bytes()
    assert image.startswith(b"\x89PNG")
    assert len(image) > 20_000
    page = explored.page
    page.goto(drawing.as_uri())
    assert page.evaluate("document.documentElement.getBBox().width") > 600
    over = """[...document.querySelectorAll('text')].filter((one) =>
      one.getBoundingClientRect().right > document.documentElement.getBoundingClientRect().right + 0.5)
      .map((one) => one.textContent)"""
    assert page.evaluate(over) == [], "a text is cut at the picture's edge"
    assert page.evaluate("[...document.querySelectorAll('script')].length") == 0


@pytest.mark.parametrize("width", [360, 800, 1400])
def test_it_fits_its_screen_and_marks_are_large_enough_for_fingers(explore: Explore, width: int) -> None:
    page = explore(viewport={"width": width, "height": 800}).page
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    grips = page.evaluate(
        "[...document.querySelectorAll('#plan .sub .grip')].map((one) => one.getBoundingClientRect().width)"
    )
    assert min(grips) >= 43.0
    letters = page.evaluate(
        """[...document.querySelectorAll('#curves text')].map((one) => {
          const { a } = one.getScreenCTM();
          return a * parseFloat(getComputedStyle(one).fontSize);
        })"""
    )
    assert min(letters) > 9.0


def test_touch_moves_a_sub(explore: Explore) -> None:
    explored = explore(has_touch=True, viewport={"width": 400, "height": 800})
    page = explored.page
    before = explored.state()["subs"][0]["at"]
    page.evaluate(
        """() => {
          const mark = document.querySelector('#plan .sub');
          const box = mark.querySelector('.disc').getBoundingClientRect();
          const [x, y] = [box.left + box.width / 2, box.top + box.height / 2];
          mark.setPointerCapture = () => {};
          const send = (name, dy) => mark.dispatchEvent(new PointerEvent(name, {
            pointerId: 7, pointerType: 'touch', button: 0, clientX: x, clientY: y - dy, bubbles: true,
          }));
          send('pointerdown', 0);
          send('pointermove', 20);
          send('pointermove', 40);
          send('pointerup', 40);
        }"""
    )
    after = explored.state()["subs"][0]["at"]
    assert after[1] > before[1] + 0.2
    assert page.evaluate("getComputedStyle(document.querySelector('#plan .sub')).touchAction") == "none"
    held(explored)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_of_texts(explore: Explore, scheme: str) -> None:
    """WCAG 2.1, 1.4.3: at least 4.5 to 1, for every text on its own background."""
    page = explore(color_scheme=scheme).page
    page.get_by_role("button", name="Pin this as A").click()
    typed_page = page.get_by_label("sub 1, gain in decibels, typed")
    typed_page.fill("-5")
    typed_page.press("Enter")
    page.wait_for_timeout(100)
    worst, where = worst_contrast(page, besides="svg *, script, button:disabled")
    assert worst >= 4.5, where


def test_everything_is_named_for_readers_of_screens(explore: Explore) -> None:
    """Every control has a name, the numbers stand in tables, and what changes is told."""
    explored = explore()
    page = explored.page
    nameless: list[Any] = page.evaluate(
        """[...document.querySelectorAll('button, input, select, [tabindex]')]
          .filter((one) => !one.closest('[hidden]'))
          .filter((one) => !(one.getAttribute('aria-label') || one.textContent.trim()
            || (one.labels && one.labels.length)))
          .map((one) => one.outerHTML.slice(0, 90))"""
    )
    assert nameless == []
    assert page.locator("#plan .sub").nth(0).get_attribute("aria-label").startswith("Sub 1: 0.31 m from front wall")
    table = page.locator("#levels")
    assert table.locator("tr").count() == 1 + 5 + 3
    assert table.locator("th[scope=col]").count() == 1 + len(explored.numbers()["bands"])
    assert page.locator("#verdict").get_attribute("role") == "status"
    page.get_by_label("Frequency", exact=True).focus()
    page.keyboard.press("Home")
    explored.drawn()
    assert page.locator("#at-frequency").inner_text().startswith("20.0 Hz; mean ")
    assert page.get_by_label("Frequency", exact=True).get_attribute("aria-valuetext") == "20.0 hertz"


def test_what_cannot_be_done_is_said(explore: Explore) -> None:
    explored = explore()
    page = explored.page
    notice = page.locator("#notice")
    typed(explored, "sub 1, gain in decibels, typed", "loud")
    assert notice.inner_text() == "The gain of sub 1: got loud; allowed: -60 to 20."
    typed(explored, "sub 1, y in metres", "")
    assert "must be three numbers" in notice.inner_text()
    typed(explored, "sub 1, y in metres", "3.9")
    assert "No sub may stand at 0.31, 3.9, 0.27" in notice.inner_text()
    assert explored.state()["subs"][0]["at"] == [0.31, 3.65, 0.27]
    for name in ("front 1", "front 2", "front 3", "back 1", "back 2"):
        page.get_by_label(name, exact=True).uncheck()
    explored.drawn()
    assert page.locator("#verdict").inner_text() == "No seat counts."
    page.get_by_role("button", name="Polish from here").click()
    assert "nothing to polish" in notice.inner_text()
    assert explored.opened.said == []


def test_subs_never_stand_in_one_place_and_overlaps_are_said(explore: Explore) -> None:
    explored = explore(subs=3)
    second = explored.state()["subs"][1]["at"]
    drag(explored, "#plan .sub >> nth=0", (second[0], second[1]))
    first = explored.state()["subs"][0]["at"]
    assert first != second
    assert explored.page.locator("#warnings").inner_text() == "Subs 1 and 2 overlap."


def test_colours_follow_the_device_and_the_button(explore: Explore) -> None:
    page = explore(color_scheme="dark").page
    ground = "getComputedStyle(document.body).backgroundColor"
    assert page.evaluate(ground) == "rgb(23, 29, 34)"
    page.get_by_role("button", name="Colours: as the device").click()
    assert page.evaluate(ground) == "rgb(255, 255, 255)"
    page.get_by_role("button", name="Colours: light").click()
    assert page.evaluate(ground) == "rgb(23, 29, 34)"


def test_it_prints_in_light_colours_without_its_buttons(explore: Explore) -> None:
    page = explore(color_scheme="dark").page
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.locator("#undo").is_hidden()
    assert page.locator("#levels").is_visible()
    signs = page.locator("button.sign")
    assert signs.count() > 0
    for at in range(signs.count()):
        assert signs.nth(at).is_visible(), "a sheet that leaves out which sub is inverted would be set up wrongly"
        assert signs.nth(at).inner_text() in {"normal", "inverted"}
    assert page.pdf(format="A4").startswith(b"%PDF")


def test_without_scripts_it_says_what_it_needs(browser: Any, explore: Explore) -> None:
    url = explore().page.url
    context = browser.new_context(java_script_enabled=False)
    bare = context.new_page()
    bare.goto(url)
    assert "scripts are not allowed" in bare.locator("#working").inner_text()
    context.close()
