"""What an estimate or a fit is worth, told by places left out: by third octave, in words, as rows and as JSON."""

from typing import Any

from cli.terminal.output import Page
from roommodes.storage.left_out import LeftOutTable
from solvers.field.errors import LeftOut, Worth
from solvers.field.estimate import FIELD
from solvers.fit.left_out import FIT

LEGEND = (
    "left: rms of the complex error over that of the responses. median, rms: of the level error. model alone: the "
    "project's room as it stands in the file, its level and phase from the other places. interpolation alone: direct "
    "sound and plane waves, no room; both with what they leave and the rms of their level error."
)
NOT_TOLD = (
    "What it leaves at places left out cannot be told: that takes four places at least, and files that kept level, "
    "sign and time."
)
OF = {
    FIELD: "The level is the mean in dB over what the response may be. within +-: share of the errors below one stated "
    "standard deviation; 68 % is right. The strengths of the estimate's parts come from all places; with them from the "
    "others alone the error is a little larger.",
    FIT: "left, median and rms are those of a fit to the other places, by its slopes at the end: near the truth as "
    "long as no single place decides on the room.",
}


def left_out_headers(table: LeftOutTable) -> list[str]:
    """The columns of `left_out_rows`."""
    own = ["band", "left", "median dB", "rms dB", *(["within +-"] if table.states_deviations else [])]
    return own + list(table.way[1:])


def left_out_rows(table: LeftOutTable) -> list[list[str]]:
    """A row for each third octave, then one for the whole band."""
    rows = []
    for at, hz in enumerate(table.band_hz):
        row = [f"{hz:g} Hz" if hz else "all", f"{table.left[at, 0]:.0%}"]
        row += [f"{table.median_db[at, 0]:.1f}", f"{table.rms_db[at, 0]:.1f}"]
        if table.states_deviations:
            row.append(f"{table.within[at, 0]:.0%}")
        ways = range(1, len(table.way))
        rows.append(row + [f"{table.left[at, way]:.0%}, {table.rms_db[at, way]:.1f} dB" for way in ways])
    return rows


def left_out_legend(table: LeftOutTable) -> str:
    """What the columns are."""
    return f"{LEGEND} {OF.get(table.way[0], '')}".strip()


def print_left_out(page: Page, table: LeftOutTable) -> None:
    """Every measured place from the others, beside the model alone and interpolation alone."""
    page.heading("Each measured place predicted from the others")
    headers = left_out_headers(table)
    page.table(headers, left_out_rows(table), right=tuple(range(1, len(headers))))
    page.line(left_out_legend(table))


def left_out_json(checked: LeftOut) -> dict[str, Any]:
    """Errors at the places left out, each way, by third octave and by place."""
    return {
        way: {
            **_worth_json(checked.worth(way)),
            "third_octaves": [{"hz": hz, **_worth_json(one)} for hz, one in checked.by_third_octave(way)],
            "left_by_place": checked.by_place(way).tolist(),
        }
        for way in checked.ways
    }


def _worth_json(one: Worth) -> dict[str, float | None]:
    within = None if one.within != one.within else one.within
    return {"left": one.left, "median_db": one.median_db, "rms_db": one.rms_db, "within_deviation": within}
