"""How sure a plan is whose seats were not all measured, in words and as plain data."""

from dataclasses import asdict
from typing import Any

from cli.terminal.output import Page, counted, name
from solvers.field.uncertain import Uncertain


def sure_words(found: Uncertain, *, promised: str = "promised") -> str:
    """What becomes of the variation with the errors that the estimate may have.

    Parameters
    ----------
    found : of the plan.
    promised : how the variation shown beside it came about.
    """
    return (
        f"{counted(len(found.seats), 'seat')} of {found.seat_count} {'is' if len(found.seats) == 1 else 'are'} "
        f"estimated, and what is promised is only as good as the field: variation {found.promised_db:z.2f} dB as "
        f"{promised}, {found.mean_db:z.2f} dB on average with the field's errors drawn from their deviations, below "
        f"{found.nine_of_ten_db:z.2f} dB in nine of ten of {found.draws} draws."
    )


def seat_rows(found: Uncertain) -> list[tuple[str, str, str]]:
    """Seat, deviation, the same in dB."""
    return [(name(one.name), f"{one.deviation:.0%}", f"{one.level_db:z.1f}") for one in found.seats]


SEAT_HEADERS = ("estimated seat", "deviation", "level +- [dB]")
SEAT_LEGEND = (
    "deviation: one standard deviation of the sum of all subs over its rms at the seats. level +-: the same of the "
    "level, median over frequency."
)


def print_sure(page: Page, found: Uncertain | None) -> None:
    """The same on a page; nothing where all was measured."""
    if found is None:
        return
    page.heading("How sure it is")
    page.table(list(SEAT_HEADERS), [list(row) for row in seat_rows(found)], right=(1, 2))
    page.line(SEAT_LEGEND)
    page.line(sure_words(found))


def sure_json(found: Uncertain | None) -> dict[str, Any] | None:
    """The same for --json; None where all was measured."""
    return None if found is None else asdict(found)
