"""A headless Chromium for the tests of pages.

Needs playwright's Python package and an installed Chromium; what asks for it is skipped where either is missing, unless
ROOMMODES_BROWSER_TESTS=required is set, which makes that a failure.
"""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def unavailable(reason: str) -> None:
    """Skip, or fail where the tests must run."""
    if os.environ.get("ROOMMODES_BROWSER_TESTS") == "required":
        pytest.fail(f"browser tests are required, but {reason}")
    pytest.skip(f"no browser: {reason}")


@contextmanager
def chromium() -> Iterator[Any]:
    """A headless Chromium."""
    try:
        from playwright.sync_api import sync_playwright  # noqa: PLC0415
    except ImportError:
        unavailable("the package playwright is not installed")
    path = os.environ.get("ROOMMODES_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        unavailable("there is no chromium on the path (Debian: apt-get install chromium)")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


@dataclass
class Opened:
    """A page, with what it said on the console and what it asked of the network.

    Parameters
    ----------
    page : playwright's.
    said : lines of the console, faults and dialogs.
    asked : addresses, without data and what the page made itself.
    """

    page: Any
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


def opened_file(browser: Any, path: Path, *, fragment: str = "", **wishes: Any) -> Opened:
    """A file opened in a new page, at a fragment; `wishes` are playwright's for it, such as its viewport."""
    page = browser.new_page(**{"viewport": {"width": 1200, "height": 900}, **wishes})
    opened = Opened(page=page)
    page.on("console", lambda message: opened.said.append(message.text))
    page.on("pageerror", lambda error: opened.said.append(str(error)))
    page.on("dialog", lambda dialog: opened.said.append(f"dialog {dialog.message}"))
    page.on("request", lambda request: _note(opened, request.url))
    page.goto(path.as_uri() + fragment)
    return opened


def _note(opened: Opened, url: str) -> None:
    if not url.startswith(("data:", "blob:")):
        opened.asked.append(url)


def worst_contrast(page: Any, *, besides: str) -> tuple[float, str]:
    """The least contrast of a text with its background (WCAG 2.1, 1.4.3), and the element that has it.

    Parameters
    ----------
    page : playwright's.
    besides : selector of what is left out.
    """
    ratio, where = page.evaluate(
        """(besides) => {
          const parse = (text) => (text.match(/[\\d.]+/g) || []).map(Number);
          const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
            .map((v) => (v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
            .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
          const behind = (node) => {
            for (let at = node; at; at = at.parentElement) {
              const colour = parse(getComputedStyle(at).backgroundColor);
              if (colour.length === 3 || colour[3] > 0) return colour;
            }
            return [255, 255, 255];
          };
          let worst = [21, ''];
          for (const node of document.querySelectorAll(`body *:not(${besides})`)) {
            if (!node.textContent.trim() || node.children.length) continue;
            const [a, b] = [light(parse(getComputedStyle(node).color)), light(behind(node))];
            const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
            if (ratio < worst[0]) worst = [ratio, node.outerHTML.slice(0, 80)];
          }
          return worst;
        }""",
        besides,
    )
    return float(ratio), str(where)
