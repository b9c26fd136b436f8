"""Starting values of a plan that was tuned: every sub with its own filters and the shared ones."""

from dataclasses import replace

from cli.terminal.output import Page
from cli.words.chosen_plan import ChosenPlan
from cli.words.settings import as_filter, filter_words
from roommodes.filters.biquads import SIGN_CONVENTION
from roommodes.plan.starting_values import Filter, StartingValues
from roommodes.plan.tuning import Tuning


def tuning_of(plan: ChosenPlan) -> Tuning | None:
    """The file's tuning, if it is this plan's."""
    tuning = plan.results.tuning
    return tuning if tuning and (tuning.subs, tuning.rank) == (plan.count, plan.rank) else None


def tuned_values(plan: ChosenPlan, rate_hz: float) -> StartingValues | None:
    """Starting values with the tuning's filters at a sample rate [Hz]; None where this plan has none."""
    tuning = tuning_of(plan)
    if tuning is None:
        return None
    values = plan.values(rate_hz)
    subs = [
        replace(sub, filters=tuple(as_filter(one, rate_hz) for one in tuning.of_sub(sub.number - 1)))
        for sub in values.subs
    ]
    return replace(values, subs=tuple(subs))


def print_tuned(page: Page, plan: ChosenPlan, values: StartingValues) -> None:
    """The filters, those of single subs first."""
    tuning = tuning_of(plan)
    assert tuning is not None, "only a tuned plan is printed so"
    for sub, own in zip(values.subs, tuning.sub_filters, strict=True):
        if own:
            page.heading(f"Filters of sub {sub.number} alone")
            _print(page, sub.filters[: len(own)])
    if tuning.shared:
        page.heading("Filters, the same for every sub")
        _print(page, values.subs[0].filters[len(tuning.sub_filters[0]) :])
    page.line(
        f"At {values.rate_hz:g} Hz: {SIGN_CONVENTION}. Some processors want a1 and a2 with the opposite sign. With the "
        f"filters the variation is {tuning.variation_after_db:.2f} dB, {tuning.variation_before_db:.2f} dB without. "
        f"Leave {tuning.boost_db:.1f} dB of headroom for them. Measure before you keep them."
    )


def _print(page: Page, filters: tuple[Filter, ...]) -> None:
    for number, one in enumerate(filters, start=1):
        page.line(filter_words(one), mark=f"{number}  ")
        section = one.biquad
        coefficients = (f"{key} {getattr(section, key):+.12f}" for key in ("b0", "b1", "b2", "a1", "a2"))
        page.line("  ".join(coefficients), mark="   ")
