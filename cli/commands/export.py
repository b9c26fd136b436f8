"""`roommodes export`: the seats' responses in open formats, for other programs."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, counted, print_json, warn
from cli.terminal.plan_options import PlanFile, Rank, Rate, Subs, choose_plan, suffix_fault
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from roommodes.plan.plan import Plan

SUFFIXES = (".sofa", ".wav", ".csv", ".zip")
STILL_RINGS_DB = -40.0
LONGEST_S = 20.0


@guarded
def export(
    file: PlanFile,
    output: Annotated[
        Path,
        typer.Option("--output", "-o", metavar="FILE", help="A .sofa, .wav, .csv or .zip file.", show_default=False),
    ],
    subs: Subs = None,
    rank: Rank = None,
    sub: Annotated[
        int | None,
        typer.Option("--sub", metavar="K", help="WAV: one sub alone, without settings; left out: the whole plan."),
    ] = None,
    rate: Rate = None,
    seconds: Annotated[float, typer.Option("--seconds", metavar="S", help="WAV: length of the responses.")] = 2.0,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write the seats' responses in an open format.

    SOFA (AES69) holds the transfer function of every sub to every seat. WAV holds impulse responses, one channel per
    seat, of the plan with its settings and filters, over the band of the search; measured ones as far as they hold. CSV
    holds the predicted curves of every seat and of their average in energy, before and after: of the subs, and of the
    mains and their sum where the plan has a crossover. ZIP holds the same as one text file for each curve.

    Example: roommodes export plan.h5 -o seats.wav
    """
    from cli.words.basis import basis_words, reduced_words, responses_word
    from roommodes.storage.whole_file import write_whole

    if fault := suffix_fault(output, SUFFIXES):
        raise typer.BadParameter(fault, param_hint="--output")
    if not 0.5 <= seconds <= LONGEST_S:
        raise typer.BadParameter(f"got {seconds:g}; allowed: 0.5 to {LONGEST_S:g}", param_hint="--seconds")
    plan = choose_plan(file, subs=subs, rank=rank)
    rate_hz = _whole_rate(rate or plan.project.processor.rate_hz)
    if sub is not None and not 1 <= sub <= plan.subs:
        raise typer.BadParameter(f"got {sub}; allowed: 1 to {plan.subs}", param_hint="--sub")
    check_targets({"--output": output}, inputs=[file], force=force)
    if output.suffix.lower() == ".sofa":
        made = _transfer_functions(plan)
    elif output.suffix.lower() in {".csv", ".zip"}:
        made = _curves(plan, whole=output.suffix.lower() == ".csv", quiet=quiet)
    else:
        made = _impulse_responses(plan, sub=sub, rate_hz=rate_hz, seconds=seconds, quiet=quiet)
    write_whole(output, made.data, force=force)
    if as_json:
        print_json(
            {
                "written": str(output),
                "seats": list(plan.seats.name),
                "subs": plan.subs,
                "responses": responses_word(plan.results),
                "latency_ms": made.latency_ms,
                "response_error": made.error,
            }
        )
    elif not quiet:
        page = Page()
        page.line(f"Wrote {output}: {made.words}.")
        if checked := reduced_words(made.error or 0.0):
            page.line(checked)
        if basis := basis_words(plan.results):
            page.line(basis)


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """A file's bytes and what they are in words.

    Where they are impulses: the delay before the first sound [ms], and the error of a reduced model over the rms.
    """

    data: bytes
    words: str
    latency_ms: float | None = None
    error: float | None = None


def _transfer_functions(plan: "Plan") -> Exported:
    """SOFA: every sub to every seat."""
    from cli.formats.sofa_wav import sofa_bytes

    emitters, receivers = counted(plan.subs, "sub"), counted(len(plan.seats), "seat")
    return Exported(data=sofa_bytes(plan), words=f"{emitters} as emitters, {receivers} as receivers, undriven")


def _curves(plan: "Plan", *, whole: bool, quiet: bool) -> Exported:
    """CSV, or a ZIP of one text file for each curve."""
    from cli.formats.curves import curves_csv, curves_words, curves_zip
    from solvers.listening.curves import plan_curves

    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        curves = plan_curves(plan, running=running)
    return Exported(data=curves_csv(curves) if whole else curves_zip(plan, curves), words=curves_words(curves))


def _impulse_responses(plan: "Plan", *, sub: int | None, rate_hz: int, seconds: float, quiet: bool) -> Exported:
    """WAV: one channel for each seat; says where they still ring at their end."""
    from cli.formats.sofa_wav import wav_bytes, wav_words
    from roommodes.responses.impulse_response import left_at_end_db
    from solvers.listening.impulses import impulses_length_s, seat_impulses

    length_s = impulses_length_s(plan, seconds=seconds, rate_hz=rate_hz)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        impulse = seat_impulses(plan, sub=sub, rate_hz=rate_hz, duration_s=length_s, running=running)
    if (left := left_at_end_db(impulse.samples)) > STILL_RINGS_DB and not quiet:
        longer = "make them longer with --seconds"
        if plan.measured is not None and length_s < seconds:
            longer = "export the measurements with finer points, or longer ones, and search again"
        warn([f"the responses still ring at their end ({left:z.0f} dB); {longer}"])
    return Exported(
        data=wav_bytes(impulse.samples, rate_hz),
        words=wav_words(plan, length_s, latency_s=impulse.latency_s, alone=sub is not None),
        latency_ms=1e3 * impulse.latency_s,
        error=impulse.error,
    )


def _whole_rate(rate: float) -> int:
    """The sample rate as WAV files have it; a usage error says what is allowed."""
    from roommodes.plan.starting_values import RATE_RANGE_HZ

    low, high = RATE_RANGE_HZ
    if not low <= rate <= high or rate != int(rate):
        raise typer.BadParameter(f"got {rate:g}; allowed: whole numbers from {low:g} to {high:g}", param_hint="--rate")
    return int(rate)
