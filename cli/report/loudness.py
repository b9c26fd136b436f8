"""The report's section on loudness: whether the plan reaches the target, what limits it, what amplifiers must give."""

from matplotlib.figure import Figure

from cli.figures.headroom import level_axes
from cli.report.blocks import PICTURE_IN, Bullets, Picture, Section, Table, Text, shown
from cli.words.headroom_words import (
    CHANNEL_HEADERS,
    amplifier_words,
    band_names,
    band_words,
    box_lines,
    channel_rows,
    drive_words,
    finding_words,
    gain_words,
    limit_rows,
    more_words,
    target_words,
)
from roommodes.plan.plan import Plan
from solvers.loudness.of_plan import PlanHeadroom


def loudness_section(plan: Plan, found: PlanHeadroom | None) -> Section | None:
    """Highest clean level against the target; None where the project does not say how loud a sub plays."""
    if found is None:
        return None

    def draw(figure: Figure) -> None:
        level_axes(figure.subplots(), found, title="", below=True)

    words = finding_words(found)
    blocks: list[Text | Bullets | Table | Picture] = [
        Text(text=words, strong=found.headroom.least_db < 0.0),
        Text(text=target_words(plan.project)),
        Picture(
            title="Highest clean level at every seat by third-octave; the words name what limits each band.",
            alt=words,
            size_in=(PICTURE_IN, 4.4),
            draw=draw,
        ),
        _seats(found),
        Table(
            caption="What limits each third-octave band, and what the room gives",
            headers=("Hz", "limited by", "sub", "next sub's margin", "one sub, 1 m", "room's gain", "rule of thumb"),
            rows=tuple(tuple(row) for row in limit_rows(found)),
            right=(3, 4),
            folded=True,
        ),
        Text(text=f"{band_words(found)} {gain_words(found)} {drive_words(found)}"),
    ]
    if plan.wired.shared or plan.project.amplifiers:
        blocks.append(
            Table(
                caption="Channels of the amplifiers, and what each must give for the target",
                headers=CHANNEL_HEADERS,
                rows=tuple(tuple(shown(cell, 60) for cell in row) for row in channel_rows(found)),
                right=(0, 5, 6, 7),
            )
        )
    if found.headroom.needs is not None:
        blocks += [Text(text=amplifier_words(found)), *(Text(text=line) for line in box_lines(plan))]
    blocks.append(Text(text=" ".join(more_words(plan, found))))
    if found.warnings:
        blocks.append(Bullets(items=tuple(shown(line[0].upper() + line[1:], 400) for line in found.warnings)))
    return Section(key="loud", heading="Is it loud enough?", blocks=tuple(blocks))


def _seats(found: PlanHeadroom) -> Table:
    head = found.headroom
    rows = [
        (shown(seat, 40), *(f"{level:.0f}" for level in head.highest_db[:, index]))
        for index, seat in enumerate(found.plan.seats.name)
    ]
    rows.append(("average over the seats", *(f"{level:.0f}" for level in head.mean_db)))
    if found.plan.project.target.where == "every seat":
        rows.append(("quietest seat", *(f"{level:.0f}" for level in head.judged_db)))
    rows.append(("headroom", *(f"{value:+z.1f}" for value in head.headroom_db)))
    headers = ("Hz", *band_names(found))
    return Table(
        caption="Highest clean level, third-octave bands [dB SPL rms]",
        headers=headers,
        rows=tuple(rows),
        right=tuple(range(1, len(headers))),
        folded=True,
    )
