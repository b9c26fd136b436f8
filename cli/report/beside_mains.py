"""The report's section on the subs with the main loudspeakers."""

from matplotlib.figure import Figure

from cli.figures.report import bands_before_after
from cli.report.blocks import PICTURE_IN, Block, Picture, Section, Text
from cli.words.mains.beside_subs import basis_of_mains, how_searched, mains_variation_words
from cli.words.plan import polarity_word
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import level_db
from solvers.crossover.beside_subs import plan_beside_mains


def mains_section(plan: Plan) -> Section | None:
    """What the seats hear of subs and mains together; None where there are no mains, or one seat."""
    met = None if len(plan.seats) == 1 else plan_beside_mains(plan)
    if met is None:
        return None
    said = mains_variation_words(plan, met)
    hz, weight, n_main = plan.frequency_hz, plan.seats.weight, met.high.shape[2]
    together = level_db(met.total).mean(axis=2)

    def draw(figure: Figure) -> None:
        bands_before_after(
            figure.subplots(),
            frequency_hz=hz,
            before_db=plan.level_db,
            after_db=together,
            seat_weight=weight,
            before_name="subs alone",
            after_name="subs with mains",
        )

    settled = "as settled" if plan.crossover is not None else "found for this report, to be settled with measurements"
    wait = f"{abs(1e3 * met.delay_s):z.2f} ms"
    late = (
        "no further delay"
        if abs(met.delay_s) < 5e-6
        else f"{'all subs' if met.delay_s > 0 else 'the mains'} {wait} later"
    )
    between = (
        f"Between both ({settled}): {late}, all subs {polarity_word(met.polarity)} beside each one's own polarity, "
        f"{met.gain_db:+z.1f} dB on all subs."
    )
    blocks: list[Block] = [
        Text(text=said),
        Picture(
            title="The band of all seats and their mean, subs alone and with the mains"
            + (", levels averaged over the mains." if n_main > 1 else "."),
            alt=said,
            size_in=(PICTURE_IN, 3.1),
            draw=draw,
        ),
        Text(text=f"{basis_of_mains(plan.results, met)} {between} {how_searched(plan.results)}"),
    ]
    return Section(key="mains", heading="With the main loudspeakers", blocks=tuple(blocks))
