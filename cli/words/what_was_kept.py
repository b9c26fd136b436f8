"""A plan file carries filters and crossover of one plan: what becomes of the one when the other is found anew."""

from roommodes.plan.crossover import CrossoverRecord
from roommodes.plan.file import Results
from roommodes.plan.tuning import Tuning


def crossover_after(old: CrossoverRecord | None, new: CrossoverRecord | None, *, subs: int, rank: int) -> str | None:
    """What became of the crossover in a file whose plan was tuned, in a sentence; None where there was none.

    Parameters
    ----------
    old, new : in the file before, and now.
    subs, rank : the plan that was tuned; rank from 0.
    """
    if old is None:
        return None
    if (old.subs, old.rank) != (subs, rank):
        whose = _plan(old.subs, old.rank)
        return f"The crossover of the plan with {whose} is left out: a file carries one plan's settings."
    if new is None:
        return "The crossover is left out, since it was not found anew with these filters: run crossover again."
    return (
        "The crossover was found anew with these filters: subs "
        f"{1e3 * new.delay_s:+.2f} ms, {_sign(new.polarity)}, {new.gain_db:+.1f} dB; before "
        f"{1e3 * old.delay_s:+.2f} ms, {_sign(old.polarity)}, {old.gain_db:+.1f} dB."
    )


def tuning_under(results: Results, *, subs: int, rank: int) -> Tuning | None:
    """The file's filters, where they are this plan's."""
    tuning = results.tuning
    return tuning if tuning and (tuning.subs, tuning.rank) == (subs, rank) else None


def filters_under(results: Results, *, subs: int, rank: int) -> str:
    """Whether the crossover was found with filters, in a sentence."""
    tuning = results.tuning
    if tuning is None:
        return "Found without filters: tune finds the crossover anew when it adds some."
    if (tuning.subs, tuning.rank) == (subs, rank):
        return "Found with the plan's filters in place."
    return (
        f"Found without filters; those of the plan with {_plan(tuning.subs, tuning.rank)} belong to another plan. A "
        "file carries one plan's settings."
    )


def _plan(subs: int, rank: int) -> str:
    return f"{subs} {'sub' if subs == 1 else 'subs'}{'' if rank == 0 else f', rank {rank + 1}'}"


def _sign(polarity: int) -> str:
    return "normal" if polarity > 0 else "inverted"
