"""Sentences on what a plan file keeps: its filters when the crossover is found anew, and the other way round."""

from roommodes.plan.plan import Plan


def crossover_after(before: Plan, after: Plan) -> str | None:
    """What became of the crossover in a file whose plan was tuned, in a sentence; None where there was none.

    Parameters
    ----------
    before, after : the plan as the file had it, and with its new filters.
    """
    in_file, old, new = before.results.crossover, before.crossover, after.crossover
    if in_file is None:
        return None
    if old is None:
        whose = _plan(in_file.subs, in_file.rank)
        return f"The crossover of the plan with {whose} is left out: a file carries one plan's settings."
    if new is None:
        return "The crossover is left out, since it was not found anew with these filters: run crossover again."
    return (
        "The crossover was found anew with these filters: subs "
        f"{1e3 * new.delay_s:+z.2f} ms, {_sign(new.polarity)}, {new.gain_db:+z.1f} dB; before "
        f"{1e3 * old.delay_s:+z.2f} ms, {_sign(old.polarity)}, {old.gain_db:+z.1f} dB."
    )


def filters_under(plan: Plan) -> str:
    """Whether the plan's crossover was found with filters, in a sentence."""
    in_file = plan.results.tuning
    if plan.tuning is not None:
        return "Found with the plan's filters in place."
    if in_file is None:
        return "Found without filters: tune finds the crossover anew when it adds some."
    return (
        f"Found without filters; those of the plan with {_plan(in_file.subs, in_file.rank)} belong to another plan. A "
        "file carries one plan's settings."
    )


def _plan(subs: int, rank: int) -> str:
    return f"{subs} {'sub' if subs == 1 else 'subs'}{'' if rank == 0 else f', rank {rank + 1}'}"


def _sign(polarity: int) -> str:
    return "normal" if polarity > 0 else "inverted"
