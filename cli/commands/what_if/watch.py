"""`roommodes watch`: a project that is edited, looked at on every save."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.figure_suffix import suffix_fault
from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, ProjectFile, Quiet
from cli.terminal.output import Page, print_json_line, say_error
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from solvers.plans.side_by_side import Seen
    from solvers.plans.watched import Look, Watcher

LOOK_EVERY_S = 0.15
SETTLED_S = 0.05  # an editor may still be writing
GONE_AFTER_S = 2.0


@guarded
def watch(
    file: ProjectFile,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="FIGURE", help="Drawn anew on every save: a .png or .svg file."),
    ] = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Look at a project on every save: its faults, or its layout's figures and modes beside those before.

    What a change leaves as it was is not worked out again. Ctrl-C ends it.

    Example: roommodes watch cellar.toml -o now.png
    """
    from roommodes.project.reading import read_text

    if output and (fault := suffix_fault(output)):
        raise typer.BadParameter(fault, param_hint="--output")
    check_targets({"--output": output}, inputs=[file], force=force)
    read_text(file)  # says at once that it is not there
    watched = _Watched(file=file, output=output, as_json=as_json, quiet=quiet)
    with interruptible() as stop_asked:
        for text in saves(file, stop_asked):
            watched.show(text, stop_asked)
    if not quiet and not as_json:
        Page().line("Stopped.")


def saves(file: Path, stop_asked: Callable[[], bool]) -> Iterator[str]:
    """The file's text now, and after every save that changed it, until asked to stop."""
    from roommodes.errors import FileUnusable
    from roommodes.project.reading import read_text

    last: str | None = None
    mark: object = None
    missing_since: float | None = None
    while not stop_asked():
        try:
            state = file.stat()
        except OSError:
            missing_since = missing_since or time.monotonic()
            if time.monotonic() - missing_since > GONE_AFTER_S:
                say_error([f"{file} is gone; waiting for it to come back"])
                missing_since = float("inf")
            time.sleep(LOOK_EVERY_S)
            continue
        missing_since = None
        now = (state.st_mtime_ns, state.st_size, state.st_ino)
        if now != mark:
            mark = now
            time.sleep(SETTLED_S)
            try:
                text = read_text(file)
            except FileUnusable as fault:
                say_error([str(fault)])
                continue
            if text != last:
                last = text
                yield text
                continue
        time.sleep(LOOK_EVERY_S)


@dataclass
class _Watched:
    """What was shown last, to set the next beside it."""

    file: Path
    output: Path | None
    as_json: bool
    quiet: bool
    before: "Look | None" = None
    seen_before: "Seen | None" = None
    watcher: "Watcher | None" = None
    page: Page = field(default_factory=Page)

    def show(self, text: str, stop_asked: Callable[[], bool]) -> None:
        """One save: faults, or figures; what is wrong leaves what was right in place."""
        from cli.terminal.kept import kept_here
        from roommodes.errors import Interrupted, OutsideModel, ProjectInvalid
        from roommodes.project.reading import parse_project
        from roommodes.running import Running
        from solvers.plans.watched import Watcher

        self.watcher = self.watcher or Watcher()
        begun = time.perf_counter()
        try:
            project = parse_project(text, source=str(self.file))
            now = self.watcher.look(project, running=Running(cancelled=stop_asked, kept=kept_here()))
        except Interrupted:
            return
        except (ProjectInvalid, OutsideModel) as fault:
            lines = fault.lines() if isinstance(fault, ProjectInvalid) else [f"{self.file}: {fault}"]
            self.tell_faults(lines)
            return
        seen, seen_before = self.pair(now)
        if self.output and seen is not None:
            self.draw(seen, seen_before)
        self.tell(now, seen, seen_before, time.perf_counter() - begun)
        self.before, self.seen_before = now, seen

    def pair(self, now: "Look") -> "tuple[Seen | None, Seen | None]":
        """The layout now and before, over the band that both cover; now alone where they have none."""
        from roommodes.errors import OutsideModel
        from solvers.plans.side_by_side import common_band_hz, seen

        if now.plan is None:
            return None, None
        before = self.before.plan if self.before else None
        if before is not None:
            try:
                band_hz = common_band_hz([before, now.plan])
            except OutsideModel:
                pass
            else:
                return seen(now.plan, band_hz), seen(before, band_hz)
        return seen(now.plan, common_band_hz([now.plan])), None

    def draw(self, seen: "Seen", before: "Seen | None") -> None:
        """The figure, replaced."""
        from cli.figures.side_by_side import side_by_side_page
        from roommodes.storage.whole_file import write_whole

        assert self.output is not None, "a figure was asked for"
        names, plans = ["now"], [seen]
        if before is not None:
            names, plans = ["before", "now"], [before, seen]
        write_whole(self.output, side_by_side_page(names, plans, self.output.suffix), force=True)

    def tell(self, now: "Look", seen: "Seen | None", before: "Seen | None", seconds: float) -> None:
        """Figures, modes, what changed."""
        from cli.words.what_if.watched import look_json, print_look

        if self.as_json:
            print_json_line(look_json(now, seen, self.before, seconds))
        elif not self.quiet:
            worked = ", ".join(now.computed) or "nothing"
            self.page.heading(f"{time.strftime('%H:%M:%S')}  {self.file}: worked out {worked}, {seconds:.1f} s")
            print_look(self.page, now, seen, self.before, before)

    def tell_faults(self, lines: list[str]) -> None:
        """What is wrong with the file as it was saved."""
        if self.as_json:
            print_json_line({"valid": False, "faults": lines})
            return
        if not self.quiet:
            self.page.heading(f"{time.strftime('%H:%M:%S')}  {self.file}: not valid; the figures stay those before")
        say_error(lines)
