"""Plans side by side in words: one table of figures with their differences, one by third-octave, and as data."""

from collections.abc import Sequence
from typing import Any

from cli.terminal.output import Page
from cli.words.basis import weighting_words
from cli.words.what_if.differences import difference_lines, differences_json
from roommodes.lengths import lengths_of
from roommodes.project.differences import Difference, differences
from roommodes.responses.third_octaves import nominal_hz
from solvers.plans.side_by_side import Seen

LETTERS = "ABCDEFGH"
MOST = len(LETTERS)


def print_side_by_side(page: Page, labels: Sequence[str], plans: Sequence[Seen], band_hz: tuple[float, float]) -> None:
    """Which plans, their figures, and those by third-octave; differences count from the first."""
    letters = LETTERS[: len(plans)]
    page.heading(f"Side by side, {band_hz[0]:g} to {band_hz[1]:g} Hz")
    for letter, label, one in zip(letters, labels, plans, strict=True):
        filters = ", with its filters" if one.plan.tuning is not None and any(one.plan.tuning.sub_filters) else ""
        page.line(f"{label}: {one.plan.project.name}{filters}", mark=f"{letter}  ")
    page.line()
    print_figures(page, ["", *letters, *(f"{letter} - A" for letter in letters[1:])], plans)
    page.heading("By third-octave [dB]")
    print_bands(page, letters, plans)
    said = [weighting_words(one.plan.results) for one in plans]
    for words in filter(None, dict.fromkeys(said)):
        whose = ", ".join(letter for letter, own in zip(letters, said, strict=True) if own == words)
        page.line(f"{whose}: {words}")
    if len(set(said)) > 1:
        page.line("Variations are not compared alike: frequencies are weighted differently.")
    if len({one.plan.results.level_unit for one in plans}) > 1:
        page.line("Mean levels are not compared: they do not count from the same.")


def print_figures(page: Page, headers: Sequence[str], plans: Sequence[Seen]) -> None:
    """One row for each figure: what it is, each plan's, and by how much the others differ from the first."""
    rows = [[name, *values, *less] for name, values, less in _figures(plans)]
    page.table(headers, rows, right=tuple(range(1, len(headers))))


def print_bands(page: Page, names: Sequence[str], plans: Sequence[Seen]) -> None:
    """Variation, mean level and headroom of each plan by third-octave."""
    bands = sorted(set.union(*(set(one.bands) for one in plans)))
    headers = ["Hz", *(f"{nominal_hz(band):g}" for band in bands)]
    page.table(headers, _band_rows(names, plans, bands), right=tuple(range(1, len(headers))))


def print_projects(page: Page, plans: Sequence[Seen]) -> None:
    """What differs between the first project and each other one."""
    first = plans[0].plan.project
    page.heading("What differs in the projects, layouts aside")
    for letter, one in zip(LETTERS[1:], plans[1:], strict=False):
        lines = difference_lines(differences(first, one.plan.project), "in A", f"in {letter}", lengths_of(first))
        for line in lines or ["nothing."]:
            page.line(f"A and {letter}: {line}", mark="- ")


def side_by_side_json(
    labels: Sequence[str], files: Sequence[str], plans: Sequence[Seen], band_hz: tuple[float, float]
) -> dict[str, Any]:
    """What `compare --json` prints."""
    first = plans[0].plan.project
    lettered = zip(LETTERS[1:], plans[1:], strict=False)
    others = [_differ(letter, differences(first, one.plan.project)) for letter, one in lettered]
    each = zip(labels, files, plans, strict=True)
    return {
        "band_hz": list(band_hz),
        "plans": [{"name": label, "file": file, **seen_json(one)} for label, file, one in each],
        "projects_differ": others,
    }


def seen_json(one: Seen) -> dict[str, Any]:
    """One plan's figures as data."""
    least, plan = one.least_headroom, one.plan
    return {
        "project": plan.project.name,
        "project_sha256": plan.project.sha256,
        "subs": plan.subs,
        "positions_m": plan.positions_m.tolist(),
        "gain_db": plan.drives.gain_db.tolist(),
        "delay_ms": (1e3 * plan.drives.delay_s).tolist(),
        "polarity": plan.drives.polarity.tolist(),
        "variation_db": one.variation_db,
        "output_db": one.output_db,
        "smoothness_db": one.smoothness_db,
        "decay_s": one.decay_s,
        "headroom_db": None if least is None else least[1],
        "headroom_at_hz": None if least is None else nominal_hz(least[0]),
        "price": one.price,
        "level_unit": plan.results.level_unit,
        "bands": [
            {
                "hz": nominal_hz(band),
                "variation_db": float(one.band_variation_db[place]),
                "mean_db": float(one.band_mean_db[place]),
                "headroom_db": one.headroom_db.get(band),
            }
            for place, band in enumerate(one.bands)
        ],
    }


def _differ(letter: str, found: Sequence[Difference]) -> dict[str, Any]:
    return {"from": LETTERS[0], "to": letter, "keys": differences_json(found)}


def _figures(plans: Sequence[Seen]) -> list[tuple[str, list[str], list[str]]]:
    """Rows: what it is, each plan's figure, and by how much the others differ from the first."""
    rows: list[tuple[str, list[str], list[str]]] = []

    def add(name: str, values: Sequence[float | None], unit: str, digits: int) -> None:
        if all(value is None for value in values):
            return
        first = values[0]
        texts = ["-" if value is None else f"{value:z.{digits}f} {unit}".rstrip() for value in values]
        less = [
            "-" if value is None or first is None else f"{value - first:+z.{digits}f} {unit}".rstrip()
            for value in values[1:]
        ]
        rows.append((name, texts, less))

    add("subs", [float(one.plan.subs) for one in plans], "", 0)
    if all(len(one.plan.seats) > 1 for one in plans):
        add("variation", [one.variation_db for one in plans], "dB", 2)
    add("output", [one.output_db for one in plans], "dB", 1)
    least = [one.least_headroom for one in plans]
    add("headroom, worst third-octave", [None if one is None else one[1] for one in least], "dB", 1)
    if any(least):
        at = ["-" if one is None else f"{nominal_hz(one[0]):g} Hz" for one in least]
        rows.append(("  which is at", at, [""] * (len(plans) - 1)))
    add("smoothness", [one.smoothness_db for one in plans], "dB", 1)
    add("decay", [one.decay_s for one in plans], "s", 2)
    add("price", [one.price for one in plans], "", 0)
    return rows


def _band_rows(letters: Sequence[str], plans: Sequence[Seen], bands: Sequence[int]) -> list[list[str]]:
    def cells(one: Seen, values: dict[int, float], form: str) -> list[str]:
        return [format(values[band], form) if band in values else "-" for band in bands]

    rows = []
    several = all(len(one.plan.seats) > 1 for one in plans)
    for letter, one in zip(letters, plans, strict=True):
        if several:
            variation = dict(zip(one.bands, one.band_variation_db.tolist(), strict=True))
            rows.append([f"variation {letter}", *cells(one, variation, "z.1f")])
    if len({one.plan.results.level_unit for one in plans}) == 1:
        for letter, one in zip(letters, plans, strict=True):
            mean = dict(zip(one.bands, one.band_mean_db.tolist(), strict=True))
            rows.append([f"mean level {letter}", *cells(one, mean, "z.0f")])
    for letter, one in zip(letters, plans, strict=True):
        if one.headroom_db:
            rows.append([f"headroom {letter}", *cells(one, one.headroom_db, "+z.1f")])
    return rows
