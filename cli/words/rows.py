"""One setting for all rows, in words and as plain data."""

from typing import Any

import numpy as np

from cli.terminal.output import Page, counted, name
from cli.words.basis import basis_words, responses_word, weighting_words
from cli.words.plan import subs_word
from roommodes.plan.plan import Plan
from solvers.listening.row_compromise import Compromise


def print_rows(page: Page, plan: Plan, found: Compromise) -> None:
    """How alike the rows are, and what one setting costs each."""
    rows = counted(len(found.rows), "row")
    page.heading(f"{name(plan.project.name)}: one setting for {rows}, {subs_word(plan.subs)}")
    if basis := basis_words(plan.results):
        page.line(basis)
    if weighted := weighting_words(plan.results):
        page.line(weighted)
    if found.pairs:
        cells = [
            [
                f"{row_name(plan, pair.rows[0])}, {row_name(plan, pair.rows[1])}",
                f"{pair.response_db:z.1f} dB",
                f"{pair.level_db:+z.1f} dB",
                f"{1e3 * pair.first_sound_s:+z.1f} ms",
                f"{1e3 * pair.energy_s:+z.1f} ms",
            ]
            for pair in found.pairs
        ]
        headers = ["rows", "responses differ by", "level difference", "arrives later by", "energy delay"]
        page.table(headers, cells, right=(1, 2, 3, 4))
        page.line(
            "responses differ by: rms over the band of the difference of both rows' mean levels, less its mean; "
            "smaller is more alike. level difference: the first row's level over the second's. arrives later by: "
            "first direct sound in the second row, from distances; below 0 earlier. energy delay: the centre of "
            "energy in the band, the room's ringing included."
        )
    else:
        page.line("There is only one row, so one setting costs nothing.")
    page.heading("What one setting costs each row")
    cells = [
        [
            row_name(plan, cost.row),
            str(int(np.count_nonzero(plan.seats.row == cost.row))),
            f"{cost.here_db:z.2f} dB",
            f"{cost.alone_db:z.2f} dB",
            f"{cost.cost_db:z.2f} dB",
            f"{cost.output_alone_db - cost.output_here_db:+z.1f} dB",
            f"{cost.all_alone_db:z.2f} dB",
        ]
        for cost in found.costs
    ]
    headers = ["row", "seats", "as planned", "set for it alone", "cost", "its output then", "all seats then"]
    page.table(headers, cells, right=(1, 2, 3, 4, 5, 6))
    page.line(
        "as planned, set for it alone: variation within the row, at the plan's positions; cost: the difference. all "
        "seats then: variation over all seats if everybody got this row's setting; as planned it is "
        f"{found.variation_db:z.2f} dB. Filters are left out on both sides. A row of one seat has no variation in it."
    )


def rows_json(plan: Plan, found: Compromise) -> dict[str, Any]:
    """What `rows --json` prints."""
    return {
        "project": plan.project.name,
        "responses": responses_word(plan.results),
        "subs": plan.subs,
        "rank": plan.rank,
        "variation_db": found.variation_db,
        "pairs": [
            {
                "rows": [row_name(plan, row) for row in pair.rows],
                "response_db": pair.response_db,
                "level_db": pair.level_db,
                "first_sound_ms": 1e3 * pair.first_sound_s,
                "energy_ms": 1e3 * pair.energy_s,
            }
            for pair in found.pairs
        ],
        "rows": [
            {
                "row": row_name(plan, cost.row),
                "variation_db": cost.here_db,
                "alone_variation_db": cost.alone_db,
                "cost_db": cost.cost_db,
                "output_db": cost.output_here_db,
                "alone_output_db": cost.output_alone_db,
                "all_seats_alone_variation_db": cost.all_alone_db,
                "alone_gain_db": cost.drives.gain_db.tolist(),
                "alone_delay_ms": (1e3 * cost.drives.delay_s).tolist(),
                "alone_polarity": [int(sign) for sign in cost.drives.polarity],
            }
            for cost in found.costs
        ],
    }


def row_name(plan: Plan, row: int) -> str:
    """The row's name in the project."""
    return name(plan.project.rows[row].name)
