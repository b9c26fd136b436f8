"""What an estimate or a fit is worth, as a report shows it: a table by third octave and its picture."""

from matplotlib.figure import Figure

from cli.figures.left_out import by_band
from cli.report.blocks import PICTURE_IN, Picture, Table, Text
from cli.words.on_site.left_out import left_out_headers, left_out_legend, left_out_rows
from roommodes.storage.left_out import LeftOutTable


def worth_blocks(table: LeftOutTable | None) -> tuple[Text | Picture | Table, ...]:
    """Every measured place predicted from the others, beside the model alone and interpolation; empty for None."""
    if table is None:
        return ()
    headers = left_out_headers(table)
    whole = ", ".join(f"{way} {left:.0%}" for way, left in zip(table.way, table.left[-1], strict=True))

    def draw(figure: Figure) -> None:
        by_band(figure.subplots(), table)

    return (
        Picture(
            title="Each measured place predicted from the others: what is left, by third octave.",
            alt=f"Left over the whole band, of the responses' rms: {whole}.",
            size_in=(PICTURE_IN, 3.0),
            draw=draw,
        ),
        Table(
            caption="Each measured place predicted from the others",
            headers=tuple(headers),
            rows=tuple(tuple(row) for row in left_out_rows(table)),
            right=tuple(range(1, len(headers))),
        ),
        Text(text=left_out_legend(table)),
    )
