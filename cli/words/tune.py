"""The filters of a plan in words and as plain data: what they are, what every seat gains, what they cost."""

from dataclasses import asdict
from typing import Any

import numpy as np

from cli.terminal.output import Page, name
from cli.words.basis import basis_words, responses_word, stands_key, weighting_words
from cli.words.on_site.estimated import print_sure, sure_json
from cli.words.plan import cautions_of, print_cautions, subs_word
from cli.words.settings import filter_words
from roommodes.filters.biquads import SIGN_CONVENTION
from roommodes.filters.sections import Section
from roommodes.plan.plan import Plan
from roommodes.plan.starting_values import Filter, StartingValues
from roommodes.plan.tuning import Tuning, TuningSettings
from roommodes.responses.metrics import normalised
from solvers.field.uncertain import uncertain
from solvers.plans.between_frequencies import FINER, finer_variation_db
from solvers.tuning.tune import low_passed_from_hz


def tuning_of(plan: Plan) -> Tuning:
    """The filters of a plan that was tuned."""
    assert plan.tuning is not None, "asked of tuned plans alone"
    return plan.tuning


def section_words(one: Section) -> str:
    """A filter as a person dials it in."""
    if one.kind == "all-pass":
        return f"all-pass {one.frequency_hz:.1f} Hz, Q {one.q:.1f}"
    return f"peaking {one.frequency_hz:.1f} Hz, Q {one.q:.1f}, {one.gain_db:+z.1f} dB"


def print_tuning(page: Page, plan: Plan, free: Tuning | None = None) -> None:
    """Filters of a tuned plan, seats before and after, price; `free`: those of a processor without limits."""
    tuning = tuning_of(plan)
    _print_heading(page, plan, tuning)
    rows = [
        [f"sub {sub + 1}", plan.zones[sub], one.kind, f"{one.frequency_hz:.1f} Hz", f"{one.q:.1f}", _gain(one)]
        for sub, own in enumerate(tuning.sub_filters)
        for one in own
    ]
    rows += [
        ["all subs", "", one.kind, f"{one.frequency_hz:.1f} Hz", f"{one.q:.1f}", _gain(one)] for one in tuning.shared
    ]
    if rows:
        page.table(["on", stands_key(plan.results), "filter", "frequency", "Q", "gain"], rows, right=(3, 4, 5))
    else:
        page.line("None: no filter within the limits is worth its place.")
    own_count = sum(map(len, tuning.sub_filters))
    page.line(
        f"Variation {tuning.variation_before_db:z.2f} dB without, {tuning.variation_after_db:z.2f} dB with them. "
        + (
            "Filters on single subs change it; those on all subs do not."
            if own_count
            else "No filter on a single sub takes enough off it; those on all subs leave it as it is."
        )
    )
    if line := _between_words(plan):
        page.line(line)
    page.heading("Every seat, from the target")
    weight = plan.seats.weight
    before, after = (tuning.from_target_db(level, weight) for level in (tuning.before_db, tuning.after_db))
    cells = [
        [
            name(seat),
            f"{before[index]:z.1f} dB",
            f"{after[index]:z.1f} dB",
            f"{np.mean(tuning.after_db[:, index] - tuning.before_db[:, index]):+z.1f} dB",
        ]
        for index, seat in enumerate(plan.seats.name)
    ]
    page.table(["seat", "before", "after", "level changes by"], cells, right=(1, 2, 3))
    page.line("before, after: rms deviation of the seat's level from the target over the band.")
    print_sure(page, uncertain(plan))
    page.heading("What it costs")
    page.line(price_words(tuning))
    if free is not None:
        page.line(limits_words(plan, free))
    asked = tuning.settings
    page.line(
        f"Limits asked for: at most {asked.boost_db:g} dB up and {asked.cut_db:g} dB down for all common filters "
        f"together, {asked.sub_boost_db:g} dB up and {asked.sub_cut_db:g} dB down for one on a sub, Q {asked.q[0]:g} "
        f"to {asked.q[1]:g}. Nothing is boosted where the seats differ by more than {asked.differ_db:g} dB (standard "
        "deviation) or where one of them has level enough, skirts of 0.5 dB aside. These limits are common practice, "
        "without a source."
    )
    if said := _low_passed_words(plan):
        page.line(said)
    page.line(
        "A boost asks more of amplifiers and cones just where a room takes most: raise the level in steps, listen for "
        "distress, and keep to the limits for hearing. Measure at every seat before you keep a filter."
    )
    print_cautions(page, plan.results, cautions_of(plan))


def _print_heading(page: Page, plan: Plan, tuning: Tuning) -> None:
    """Which plan, what it rests on, and over which band filters are sought."""
    which = "" if plan.rank == 1 else f", plan {plan.rank} in rank"
    page.heading(f"{name(plan.project.name)}: filters, {subs_word(plan.subs)}{which}")
    if basis := basis_words(plan.results):
        page.line(basis)
    hz = tuning.grid(plan.frequency_hz)
    page.line(f"Filters are sought and judged on {len(hz)} frequencies from {hz[0]:.4g} to {hz[-1]:.4g} Hz.")
    if tuning.frequency_hz is None and (weighted := weighting_words(plan.results)):
        page.line(weighted)


def _between_words(plan: Plan) -> str:
    """Variation with the filters between the frequencies of the search, where the files of a measured plan tell it."""
    tuning, record = plan.tuning, plan.measured
    if tuning is None or tuning.frequency_hz is not None or record is None or record.wide is None:
        return ""
    (finer,) = finer_variation_db([plan])
    return f"On {FINER} times as many frequencies it has {finer:.2f} dB with them."


def _low_passed_words(plan: Plan) -> str:
    """From where on no filter stands; empty without a crossover."""
    top_hz = low_passed_from_hz(plan)
    if top_hz is None:
        return ""
    stands = f"No filter stands above {top_hz:.0f} Hz"
    return f"{stands}: there the crossover's low-pass takes more than 12 dB off the subs."


def price_words(tuning: Tuning) -> str:
    """What the filters cost in headroom and level."""
    price = tuning.price
    if price.boost_db < 0.05:
        headroom = "No sub is driven harder than without filters at any frequency"
    else:
        headroom = (
            f"The most heavily driven sub gets {price.boost_db:z.1f} dB more at {price.boost_hz:.0f} Hz, its worst"
        )
    change = (
        f"the mean level at the seats is {price.level_lost_db:z.1f} dB lower"
        if price.level_lost_db >= 0.0
        else f"the mean level at the seats is {-price.level_lost_db:z.1f} dB higher"
    )
    return f"{headroom}. With the most heavily driven sub kept where it was, {change} than without filters."


def limits_words(plan: Plan, free: Tuning) -> str:
    """What the limits of the project's processor cost against one without."""
    tuning, weight = tuning_of(plan), normalised(plan.seats.weight)
    own, other = ((one.variation_after_db, one.off_target_db(weight), one.count) for one in (tuning, free))
    return (
        f"The filters keep to [processor.filters]. Free of its limits, {other[2]} filters in place of {own[2]} would "
        f"leave {other[0]:.2f} dB of variation in place of {own[0]:.2f} dB, and the mean level {other[1]:.1f} dB (rms) "
        f"from the target in place of {own[1]:z.1f} dB."
    )


def tuning_json(plan: Plan, free: Tuning | None = None) -> dict[str, Any]:
    """What `tune --json` prints of a tuned plan; `free`: the filters of a processor without limits."""
    tuning = tuning_of(plan)
    weight = plan.seats.weight
    rate = tuning.settings.sample_rate_hz

    def section(one: Section) -> dict[str, Any]:
        return {**asdict(one), **asdict(one.biquad(rate))}

    return {
        "project": plan.project.name,
        "responses": responses_word(plan.results),
        "subs": plan.subs,
        "rank": plan.rank,
        "sample_rate_hz": rate,
        "sign_convention": SIGN_CONVENTION,
        "individual_filters": [[section(one) for one in own] for own in tuning.sub_filters],
        "common_filters": [section(one) for one in tuning.shared],
        "variation_before_db": tuning.variation_before_db,
        "variation_after_db": tuning.variation_after_db,
        "boost_db": tuning.price.boost_db,
        "boost_hz": tuning.price.boost_hz,
        "level_lost_db": tuning.price.level_lost_db,
        "frequency_hz": tuning.grid(plan.frequency_hz).tolist(),
        "target_db": tuning.target_db.tolist(),
        "ceiling_db": tuning.ceiling_db.tolist(),
        "seats": [
            {
                "name": seat,
                "before_db": tuning.before_db[:, index].tolist(),
                "after_db": tuning.after_db[:, index].tolist(),
                "from_target_before_db": float(tuning.from_target_db(tuning.before_db, weight)[index]),
                "from_target_after_db": float(tuning.from_target_db(tuning.after_db, weight)[index]),
            }
            for index, seat in enumerate(plan.seats.name)
        ],
        "estimated": sure_json(uncertain(plan)),
        "cautions": cautions_of(plan),
        "limits": _limits_json(tuning.settings),
        "without_processor_limits": None
        if free is None
        else {
            "variation_after_db": free.variation_after_db,
            "off_target_db": free.off_target_db(weight),
            "filters": free.count,
        },
    }


def _gain(one: Section) -> str:
    return "" if one.kind == "all-pass" else f"{one.gain_db:+z.1f} dB"


def print_tuned(page: Page, plan: Plan, values: StartingValues) -> None:
    """The filters, the individual ones first."""
    tuning = tuning_of(plan)
    for sub, own in zip(values.subs, tuning.sub_filters, strict=True):
        if own:
            page.heading(f"Individual filters of sub {sub.number}")
            _print_filters(page, sub.filters[: len(own)])
    if tuning.shared:
        page.heading("Common filters, the same for every sub")
        _print_filters(page, values.subs[0].filters[len(tuning.sub_filters[0]) :])
    page.line(
        f"At {values.rate_hz:g} Hz: {SIGN_CONVENTION}. Some processors want a1 and a2 with the opposite sign. With the "
        f"filters the variation is {tuning.variation_after_db:z.2f} dB, {tuning.variation_before_db:z.2f} dB without. "
        f"Leave {tuning.price.boost_db:z.1f} dB of headroom for them. Measure before you keep them."
    )


def _print_filters(page: Page, filters: tuple[Filter, ...]) -> None:
    for number, one in enumerate(filters, start=1):
        page.line(filter_words(one), mark=f"{number}  ")
        section = one.biquad
        coefficients = (f"{key} {getattr(section, key):+z.12f}" for key in ("b0", "b1", "b2", "a1", "a2"))
        page.line("  ".join(coefficients), mark="   ")


def _limits_json(settings: TuningSettings) -> dict[str, Any]:
    """What was asked for; the ends of Q by themselves."""
    asked = asdict(settings)
    q_low, q_high = asked.pop("q")
    return {**asked, "q_low": q_low, "q_high": q_high}
