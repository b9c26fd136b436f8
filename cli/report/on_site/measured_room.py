"""The pages of `fit` and `field`: how far room and field are known, told by places left out."""

from collections.abc import Sequence
from typing import Literal

import numpy as np

from cli.report.blocks import Bullets, Report, Section, Table, Text, shown
from cli.report.html import report_html
from cli.report.on_site.left_out import worth_blocks
from cli.report.pdf import report_pdf
from cli.terminal.output import counted
from cli.words.on_site.field import (
    KNOWN_HEADERS,
    KNOWN_LEGEND,
    NEXT_HEADERS,
    flattered,
    known_cells,
    known_rows,
    next_cells,
    next_words,
)
from cli.words.on_site.left_out import NOT_TOLD
from roommodes.measured.data import MeasuredSet
from roommodes.project.project import Project
from roommodes.storage.stamp import now_utc
from roommodes.version import __version__
from solvers.field.estimate import FIELD, Estimate
from solvers.field.next_place import NextPlaces
from solvers.fit.outcome import Fit

MOST_PLACES = 60


def fit_page_bytes(project: Project, measured: MeasuredSet, fit: Fit, suffix: str) -> bytes:
    """What a fit found and what it is worth, as .html or .pdf."""
    told = [one for one in fit.estimates if one.told and one.parameter.group not in {"subs", "microphones"}]
    left_out, compared = fit.judgement.left_out, fit.compared
    rows = tuple(
        (
            f"{shown(one.parameter.name, 60)} {f'[{one.parameter.unit}]' if one.parameter.unit else ''}".strip(),
            f"{one.parameter.start:.4g}",
            f"{one.value:.4g}",
            f"{one.deviation:.2g}",
        )
        for one in told
    )
    sections = (
        Section(
            key="fit",
            heading="How well the model explains the measurements",
            blocks=(
                Text(text=fit.judgement.text, strong=True),
                Text(
                    text=f"Misfit: {compared.misfit_before:.0%} of the responses' rms as drawn, "
                    f"{compared.misfit_after:.1%} as fitted."
                ),
                *((Bullets(items=tuple(shown(one, 500) for one in fit.remarks)),) if fit.remarks else ()),
            ),
        ),
        Section(
            key="left-out",
            heading="At places left out of the fit",
            blocks=worth_blocks(None if left_out is None else left_out.table()) or (Text(text=NOT_TOLD),),
        ),
        Section(
            key="told",
            heading="What the measurements tell",
            blocks=(
                Table(
                    caption="Parameters that they tell, with one standard deviation",
                    headers=("parameter", "in the project", "fitted", "+-"),
                    rows=rows,
                    right=(1, 2, 3),
                ),
            )
            if rows
            else (Text(text="They tell nothing beyond what was known before."),),
        ),
    )
    lead = f"{compared.misfit_after:.0%} of the responses' rms is left by the fitted model"
    lead += "." if left_out is None else f", {left_out.table().left[-1, 0]:.0%} at places left out of the fit."
    return _bytes(project, measured, "Room fitted to measurements", lead, sections, suffix)


def field_page_bytes(found: Estimate, following: NextPlaces | None, suffix: str) -> bytes:
    """What a field is worth, how far it is known, where to measure next, as .html or .pdf."""
    project, measured = found.project, found.measured
    fitted = flattered(project)
    known = known_cells(found)
    share = float(np.median([row[2] for row in known_rows(found)]))
    sections = [
        Section(
            key="left-out",
            heading="What it is worth",
            blocks=(
                *((Text(text=fitted, strong=True),) if fitted else ()),
                *worth_blocks(found.left_out.table()),
            ),
        ),
        Section(
            key="known",
            heading="How far it is known",
            blocks=(
                Table(
                    caption=f"{counted(len(known), 'place')}"
                    + (f", the first {MOST_PLACES}" if len(known) > MOST_PLACES else ""),
                    headers=KNOWN_HEADERS,
                    rows=tuple(tuple(row) for row in known[:MOST_PLACES]),
                    right=(1, 2, 3, 4, 5),
                ),
                Text(text=KNOWN_LEGEND),
            ),
        ),
    ]
    if following is not None:
        sections.append(
            Section(
                key="next",
                heading="Where to measure next",
                blocks=(
                    Table(
                        caption="One place after the other",
                        headers=NEXT_HEADERS,
                        rows=tuple(tuple(row) for row in next_cells(following)),
                        right=(1, 2, 3, 5),
                    ),
                    Text(text=next_words(following)),
                ),
            )
        )
    left = found.left_out.worth(FIELD).left
    lead = (
        f"At measured places left out {left:.0%} of the responses' rms is left; where it is wanted one deviation is "
        f"{share:.0%} in the middle of {counted(len(known), 'place')}."
    )
    return _bytes(project, measured, "Field estimated from measurements", lead, sections, suffix)


def _bytes(
    project: Project,
    measured: MeasuredSet,
    subtitle: Literal["Room fitted to measurements", "Field estimated from measurements"],
    lead: str,
    sections: Sequence[Section],
    suffix: str,
) -> bytes:
    """The page in the format of its suffix."""
    places = f"{counted(len(measured.subs), 'sub')} at {counted(len(measured.seats), 'place')}"
    notes = Section(
        key="measured",
        heading="What was measured",
        blocks=(
            Text(text=f"{shown(measured.name, 80)}: {places}."),
            *((Bullets(items=tuple(shown(note, 400) for note in measured.notes)),) if measured.notes else ()),
        ),
    )
    report = Report(
        title=shown(project.name, 120),
        subtitle=subtitle,
        lead=lead,
        sections=(*sections, notes),
        closing=f"Computed by roommodes {__version__} on {now_utc()}; project {project.sha256[:12]}.",
        contents=False,
    )
    return report_html(report) if suffix.lower() == ".html" else report_pdf(report, None)
