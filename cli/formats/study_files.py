"""A study's table, and the marks by which a study knows its own files again.

A study runs again and again over its own files; what stands under their names may meanwhile be somebody else's.
"""

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from cli.terminal.targets import refuse_folders, refuse_inputs
from cli.words.settings import inert
from roommodes.errors import FileUnusable
from roommodes.storage.ordinary_file import Unreadable, ordinary_bytes
from roommodes.storage.whole_file import check_target
from roommodes.studies.results import FINISHED, MARK_NAME, StudyResults, study_mark

Kind = Literal["results", "table", "page"]
MARK_LENGTH = 16  # hexadecimal digits of the study's fingerprint, in the last column of the table
MARKED_BYTES = 65_536  # the mark stands near the start of either file
MOST_PAGE_BYTES = 2**30


def study_csv(results: StudyResults) -> bytes:
    """One row per room and strategy, for a table program; numbers with a point, empty where there is none.

    The column `study` holds the start of the study's fingerprint: tables of several studies may be joined, and a study
    knows its own.
    """
    buffer, mark = io.StringIO(), results.study_sha256[:MARK_LENGTH]
    writer = csv.writer(buffer, lineterminator="\n")
    sizes = ("length_m", "width_m", "height_m", "volume_m3", "decay_s")
    texts = ("label", "build", "seating", "status")
    figures = [key for key in ("variation_db", "tuned_db", "output_db") if key in results.arrays]
    own = (*results.known.properties, *results.known.groupings)
    writer.writerow(["room", *texts, *sizes, *own, "strategy", "subs", *figures, "layouts", "note", "study"])
    for room in range(results.n_room):
        head = [room + 1, *(inert(results.rooms[key][room]) for key in texts)]
        head += [_number(results.rooms[key][room]) for key in sizes]
        head += [_number(values[room]) for values in results.known.properties.values()]
        head += [inert(words[room]) for words in results.known.groupings.values()]
        for place, name in enumerate(results.strategies):
            values = [_number(results.arrays[key][room, place]) for key in figures]
            layouts = int(results.arrays["layouts"][room, place])
            note = results.notes[room][place] if results.rooms["status"][room] == FINISHED else ""
            writer.writerow([*head, inert(name), int(results.subs[place]), *values, layouts, inert(note), mark])
    return buffer.getvalue().encode("utf-8")


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyTargets:
    """What a run of a study writes, and what may be replaced by it: its own files; others only with `force`.

    Parameters
    ----------
    study_sha256 : the study's fingerprint.
    results, table, page : the files; None where not asked for.
    force : whatever stands there may be replaced.
    """

    study_sha256: str
    results: Path
    table: Path | None
    page: Path | None
    force: bool

    def check(self, inputs: Iterable[Path], *, needed_bytes: int, kept: Sequence[Path] = ()) -> None:
        """Before long work: every file can be written, and none of the inputs or of somebody else's would be lost.

        Parameters
        ----------
        inputs : what the study reads.
        needed_bytes : about how large the results will be [bytes].
        kept : folders of finished rooms, in which nothing else is written.

        Raises
        ------
        typer.BadParameter : a target is an input, or named twice.
        FileUnusable : somebody else's file stands there, or it cannot be written.
        """
        named = {"--output": self.results, "--csv": self.table, "--report": self.page}
        given = {option: path for option, path in named.items() if path is not None}
        refuse_inputs(given, inputs)
        refuse_folders(given, kept)
        check_target(self.results, force=self.may_replace("results"), needed_bytes=needed_bytes)
        if self.table is not None:
            check_target(self.table, force=self.may_replace("table"))
        if self.page is not None:
            check_target(self.page, force=self.may_replace("page"))

    def may_replace(self, kind: Kind) -> bool:
        """Whether what stands there may go; asked before the work, and once more when there is something to write."""
        path = {"results": self.results, "table": self.table, "page": self.page}[kind]
        return self.force or (path is not None and is_own(path, self.study_sha256, kind))


def is_own(path: Path, study_sha256: str, kind: Kind) -> bool:
    """Whether a file is one that this study wrote, and of this kind.

    Parameters
    ----------
    path : the file; one that is not there is not its own.
    study_sha256 : the study's fingerprint.
    kind : what the study would write under that name.
    """
    try:
        if kind == "results":
            return study_mark(path) == study_sha256
        text = ordinary_bytes(path, most_bytes=MOST_PAGE_BYTES)[:MARKED_BYTES].decode("utf-8", errors="replace")
    except (Unreadable, FileUnusable):
        return False
    if kind == "page":
        return text.startswith("<!DOCTYPE html>") and f'<meta name="{MARK_NAME}" content="{study_sha256}">' in text
    return _table_mark(text) == study_sha256[:MARK_LENGTH]


def _table_mark(text: str) -> str:
    """The mark in the first row under the header; empty if there is none."""
    rows = csv.reader(io.StringIO(text, newline=""))
    try:
        header, row = next(rows), next(rows)
    except (StopIteration, csv.Error):
        return ""
    return row[-1] if header[-1:] == ["study"] and len(row) == len(header) else ""


def _number(value: float) -> str:
    return repr(float(value)) if np.isfinite(value) else ""
