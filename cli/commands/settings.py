"""`roommodes settings`: what is dialled into the processor, from a plan."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.guard import guarded
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, print_json, warn
from cli.terminal.plan_options import PlanFile, Rank, Rate, Subs, choose_plan, suffix_fault
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from roommodes.plan.plan import Plan
    from roommodes.plan.starting_values import StartingValues

SUFFIXES = (".csv", ".json", ".txt", ".toml")


@guarded
def settings(
    file: PlanFile,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            metavar="TABLE",
            help="Also write them: .csv, .json; .txt: filters; .toml: manifest for the next measurement.",
        ),
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    rate: Rate = None,
    filters: Annotated[
        bool, typer.Option("--filters/--no-filters", help="Those that tune found, else cuts common to all subs.")
    ] = True,
    divide_out: Annotated[
        bool,
        typer.Option(
            "--divide-out", help="In a .toml: the next measurement has the settings divided out, not left in."
        ),
    ] = False,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Show a plan's starting values: gain, delay, distance, polarity and filters of every sub.

    Delays count from the earliest sub. CSV has one line per sub, and one for the mains where the plan meets them; JSON
    also says what each column means. A plan on measurements says whether its settings replace or add to what stood in
    the processor, and what both come to.

    Example: roommodes settings plan.h5 --rate 96000 -o settings.csv
    """
    from cli.terminal.kept import kept_here
    from cli.words.processor.chains import chains_json, print_chains, sums_warnings
    from cli.words.settings import settings_bytes, settings_json, settings_warnings
    from roommodes.plan.starting_values import check_rate, starting_values
    from roommodes.running import Running
    from roommodes.storage.whole_file import write_whole
    from solvers.plans.next_measurement import chains
    from solvers.tuning.path_filters import path_filters

    if divide_out and (output is None or output.suffix.lower() != ".toml"):
        raise typer.BadParameter("this goes with --output and a name that ends in .toml", param_hint="--divide-out")
    if output and (fault := suffix_fault(output, SUFFIXES)):
        raise typer.BadParameter(fault, param_hint="--output")
    plan = choose_plan(file, subs=subs, rank=rank)
    check_targets({"--output": output}, inputs=[file], force=force)
    rate = rate or plan.project.processor.rate_hz
    check_rate(rate)  # before filters are fitted for it
    paths = path_filters(plan, rate, Running(kept=kept_here())) if filters else ()
    values = starting_values(plan, rate_hz=rate, filters=paths)
    found = chains(plan, values)
    beyond = (*settings_warnings(plan, values), *sums_warnings(found, plan.project.processor))
    if output:
        write_whole(output, settings_bytes(plan, values, output.suffix, left_in=not divide_out), force=force)
    if not quiet:
        warn(beyond)
    if as_json:
        print_json({**settings_json(plan, values, beyond), "processor": chains_json(found, plan)})
    elif not quiet:
        page = Page()
        print_settings(page, plan, values)
        print_chains(page, found, plan)
        print_before_switching_on(page, plan)
        if output:
            Page().line(f"Written to {output}.")


def print_settings(page: Page, plan: "Plan", values: "StartingValues") -> None:
    """Starting values for a person."""
    from cli.terminal.output import name
    from cli.words.crossover_settings import print_common
    from cli.words.plan import from_walls, subs_word
    from cli.words.settings import filter_words, pair_lines, sub_table, wiring_lines
    from cli.words.tune import print_tuned
    from roommodes.filters.biquads import SIGN_CONVENTION
    from roommodes.lengths import ROUNDED, lengths_of
    from roommodes.project.placing.standing import hanging_words

    room = plan.project.room
    known = "measured" if plan.measured else "predicted"
    which = "" if plan.rank == 1 else f", plan {plan.rank} in rank"
    page.heading(f"{name(plan.project.name)}: starting values, {subs_word(plan.subs)}{which}")
    lengths = lengths_of(plan.project)
    headers, rows = sub_table(values, lengths)
    page.table(headers, rows, right=(0, 2, 3, 4, 5))
    for line in (*wiring_lines(values), *pair_lines(plan, values)):
        page.line(line)
    page.line(
        f"samples: at {values.rate_hz:g} Hz. distance: the delay times {values.speed_of_sound_m_s:.1f} m/s, by how "
        "much further away a sub would have to be to arrive as late. For distance entry, enter D minus this "
        "value, with the same large D for every sub."
    )
    page.heading("Where they stand")
    for sub in values.subs:
        page.line(from_walls(sub.position_m, room, lengths), mark=f"{sub.number}  ")
    for line in hanging_words(plan.project, plan.positions_m, plan.kind):
        page.line(line)
    if lengths.feet:
        page.line(ROUNDED)
    print_common(page, plan, values)
    if plan.tuning and any(sub.filters for sub in values.subs):
        print_tuned(page, plan, values)
        return
    page.heading("Common filters, the same for every sub")
    found = values.subs[0].filters
    for number, one in enumerate(found, start=1):
        page.line(filter_words(one), mark=f"{number}  ")
        section = one.biquad
        coefficients = (f"{key} {getattr(section, key):+z.12f}" for key in ("b0", "b1", "b2", "a1", "a2"))
        page.line("  ".join(coefficients), mark="   ")
    if found:
        page.line(
            f"At {values.rate_hz:g} Hz: {SIGN_CONVENTION}. Some processors want a1 and a2 with the opposite sign. They "
            f"lower peaks of the {known} mean over the seats and leave the variation as it is: measure before you "
            "keep them."
        )
    else:
        page.line(f"None: no peak of the {known} mean stands out, or they were not asked for.")


def print_before_switching_on(page: Page, plan: "Plan") -> None:
    """What must be known to switch on safely."""
    from cli.words.plan import cautions_of

    page.heading("Before you switch on")
    page.line(
        "Set the level low, one sub at a time, then together; loud bass harms hearing by level and time. Check that no "
        "amplifier channel is loaded below its rated impedance. Measure at every seat: these are "
        + ("worked out from each sub's measured responses." if plan.measured else "predictions to start from.")
    )
    for line in cautions_of(plan)[1:]:  # hearing is said above
        page.line(line, mark="- ")
