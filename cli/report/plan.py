"""The report's sections on what the plan is: recommendation, drawing, seats before and after, values."""

import numpy as np
from matplotlib.figure import Figure

from cli.drawing.notes import centre_words, space_lines
from cli.drawing.objects import stances
from cli.drawing.sheet import plan_to_fit
from cli.figures.report import bands_before_after
from cli.report.blocks import PICTURE_IN, Bullets, Drawing, Picture, Section, Table, Text, shown
from cli.report.choice import mean_words
from cli.report.with_filters import filtered, mean_output_db, seat_level_db, seat_variation_db, with_words
from cli.words.basis import stands_key, subs_stand
from cli.words.crossover_settings import (
    BOTH_WAYS,
    TOTAL_HEADERS,
    others_words,
    setting_lines,
    total_rows,
)
from cli.words.headroom_words import band_names
from cli.words.kinds.mixes import price_line
from cli.words.plan import from_walls, polarity_word, subs_word
from cli.words.settings import filter_cells, pair_lines, sub_table, wiring_lines
from roommodes.arrays import Floats
from roommodes.lengths import ROUNDED, lengths_of
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan
from roommodes.plan.starting_values import StartingValues, beyond_processor
from roommodes.plan.wiring import limit_at
from roommodes.project.placing.standing import hanging_words
from roommodes.responses.third_octaves import third_octaves
from solvers.listening.before_after import BeforeAfter
from solvers.loudness.of_plan import PlanHeadroom


def lead_words(plan: Plan, headroom: PlanHeadroom | None) -> str:
    """What a person reads first: loud enough or not, how even, against the usual layouts, what to do."""
    return " ".join(
        sentence
        for sentence in (
            _loud_sentence(plan, headroom),
            _even_sentence(plan),
            _usual_sentence(plan),
            _do_sentence(plan),
        )
        if sentence
    )


def _loud_sentence(plan: Plan, headroom: PlanHeadroom | None) -> str:
    if headroom is None:
        mean = mean_words(mean_output_db(plan), plan.subs, plan)
        return f"Whether it is loud enough is not known here; the average level over the seats is {mean}."
    head = headroom.headroom
    band, target = band_names(headroom)[head.worst], plan.project.target.rms_db
    if head.least_db < 0.0:
        return (
            f"The target of {target:z.0f} dB SPL is not reached: {-head.least_db:z.1f} dB are missing at {band} Hz, "
            "average over the seats, by third-octave."
        )
    return (
        f"The target of {target:z.0f} dB SPL is reached in every third-octave, average over the seats, with "
        f"{head.least_db:z.1f} dB to spare at {band} Hz."
    )


def _even_sentence(plan: Plan) -> str:
    if len(plan.seats) == 1:
        return "There is one seat, so nothing differs between seats."
    low_hz, high_hz = plan.project.search.band_hz
    words = _spread_words(plan.frequency_hz, seat_level_db(plan))
    said = (
        f"From {low_hz:g} to {high_hz:g} Hz {words}; the standard deviation over the seats, the variation, is "
        f"{seat_variation_db(plan):z.1f} dB"
    )
    return f"{said} with the filters, {plan.variation_db:z.1f} dB without." if filtered(plan) else f"{said}."


def _usual_sentence(plan: Plan) -> str:
    """Against the usual layouts as they are found, and with settings of their own; none beside measured responses."""
    usual = plan.results.choices.usual
    own = [] if usual is None or plan.measured is not None else usual.of_count(plan.subs)
    if usual is None or not own or len(plan.seats) == 1:
        return ""
    alike, driven = (
        min(own, key=lambda k: values[k]) for values in (usual.alike_variation_db, usual.driven_variation_db)
    )
    best = f"{usual.driven_variation_db[driven]:z.1f} dB with optimised settings ({usual.name[driven]})"
    if plan.subs == 1:
        return f"The most even of the usual places has a variation of {best}."
    same = f"{usual.alike_variation_db[alike]:z.1f} dB with identical settings ({usual.name[alike]})"
    return f"The most even of the usual layouts have a variation of {same} and {best}."


def _do_sentence(plan: Plan) -> str:
    them = "it" if plan.subs == 1 else "them"
    if plan.recommended and subs_stand(plan.results):
        stands = "the sub where it stands" if plan.subs == 1 else f"the {subs_word(plan.subs)} where they stand"
        return f"Leave {stands}, as measured, and dial in the starting values{_and_filters(plan)}."
    if plan.recommended:
        dial = f"dial in the starting values{_and_filters(plan)}"
        return f"Build {subs_word(plan.subs)} where the drawing shows {them} and {dial}."
    wanted = plan.results.recommended_subs
    other = "the first plan" if wanted == plan.subs else subs_word(wanted)
    return f"This plan has {subs_word(plan.subs)}; recommended: {other}."


def _and_filters(plan: Plan) -> str:
    return " and the filters" if filtered(plan) else ""


def place_section(plan: Plan) -> Section:
    """Where the subs stand."""
    room, lengths = plan.project.room, lengths_of(plan.project)
    subs, several = stances(plan), len(plan.project.kinds) > 1
    any_cabinet = any(sub.has_cabinet for sub in subs)
    rows = []
    for sub, zone in zip(subs, plan.zones, strict=True):
        kind = (sub.name,) if several else ()
        row: tuple[str, ...] = (str(sub.number), *kind, shown(zone, 40), from_walls(sub.centre_m, room, lengths))
        if any_cabinet and not sub.has_cabinet:
            row += ("-",) * 4
        elif sub.has_cabinet:
            spans = [f"{lengths.fine(a)} to {lengths.fine(b)}" for a, b in zip(sub.low_m, sub.high_m, strict=True)]
            row += (*spans, f"{sub.faces} wall")
        rows.append(row)
    headers: tuple[str, ...] = ("sub", *(("kind",) if several else ()), stands_key(plan.results), "acoustic centre")
    if any_cabinet:
        unit = "" if lengths.feet else " [mm]"
        headers += (f"cabinet from front wall{unit}", f"from left wall{unit}", f"above floor{unit}", "faces")
    cabinet_words = []
    for table in dict.fromkeys(kind for kind in plan.kinds if kind.cabinet_m is not None):
        of = f" ({shown(table.name, 40)})" if several else ""
        cabinet_words += [
            f"The cross in each cabinet{of} is its acoustic centre, {centre_words(table, lengths)}.",
            *space_lines(table, lengths),
        ]
    said = [*hanging_words(plan.project, plan.positions_m, plan.kind), *cabinet_words]
    if not subs_stand(plan.results):
        said.append("The sheets to work from, at their scale, are those of the drawing.")
    said += [ROUNDED] if lengths.feet else []
    places = "; ".join(f"sub {sub.number} {from_walls(sub.centre_m, room, lengths)}" for sub in subs)
    return Section(
        key="place",
        heading="Where they stand",
        blocks=(
            Drawing(
                title="The room from above, front wall to the left, with dimensions in "
                f"{'feet and inches' if lengths.feet else 'mm'} from the finished walls.",
                alt=f"Plan of the room with {subs_word(plan.subs)}: {places}.",
                sheet=lambda width_mm: plan_to_fit(plan, width_mm),
            ),
            Table(caption="Positions", headers=headers, rows=tuple(rows), stacked=True),
            *((Text(text=price),) if (price := price_line(plan)) else ()),
            *((Text(text=words),) if (words := " ".join(said)) else ()),
        ),
    )


def heard_picture(plan: Plan, compared: BeforeAfter) -> tuple[str, Picture]:
    """What the seats hear before and after, in a sentence and as the band about the average."""
    results, rival = plan.results, compared.rival
    hz, weight = results.frequency_hz, results.seats.weight
    after = seat_level_db(plan)
    before = rival.level_db if rival else None
    alone = len(results.seats) == 1

    def draw(figure: Figure) -> None:
        bands_before_after(
            figure.subplots(),
            frequency_hz=hz,
            before_db=before,
            after_db=after,
            seat_weight=weight,
            before_name="usual layout",
            after_name="this plan",
        )

    finding = f"With this plan {_spread_words(hz, after)}"
    if rival:
        finding = f"With {subs_word(plan.subs)} {rival.name} {_spread_words(hz, rival.level_db)}. {finding}"
    then = ", before and after" if rival else " with this plan"
    picture = Picture(
        title=f"{'Level at the seat' if alone else 'All seats, and the average over them'}{then}.",
        alt=f"{finding}.",
        size_in=(PICTURE_IN, 3.1),
        draw=draw,
    )
    return finding, picture


def heard_section(plan: Plan, compared: BeforeAfter) -> Section:
    """What each seat hears before and after."""
    rival, after = compared.rival, seat_level_db(plan)
    alone = len(plan.seats) == 1
    finding, picture = heard_picture(plan, compared)
    unit = plan.results.level_unit
    blocks: list[Text | Picture | Table | Bullets] = [
        Text(
            text=f"{finding}. What is common to all seats an equaliser can lift or lower"
            + ("." if alone else "; what differs between them it cannot.")
        ),
        *((Text(text=said),) if (said := with_words(plan)) else ()),
        picture,
        _seat_table(plan, after, f"Level at every seat, this plan, third-octave bands [{unit}]"),
    ]
    if rival:
        usual = f"{subs_word(plan.subs)} {rival.name}, with identical settings"
        title = f"Level at every seat, {usual}, third-octave bands [{unit}]"
        blocks.append(_seat_table(plan, rival.level_db, title, alike=True))
    if unit == "dB SPL":
        blocks.append(
            Text(
                text="These are the highest clean levels, the loudest sub at its limit, not levels to listen at: they "
                "harm hearing within minutes.",
                strong=True,
            )
        )
    return Section(key="heard", heading="What each seat hears", blocks=tuple(blocks))


def values_section(plan: Plan, values: StartingValues) -> Section:
    """What is dialled in."""
    beyond = beyond_processor(values, plan.project.processor)
    headers, rows_of_subs = sub_table(values, lengths_of(plan.project))
    tables: list[Table | Text | Bullets] = [
        Table(
            caption=f"Starting values; samples at {values.rate_hz:g} Hz",
            headers=headers,
            rows=tuple(tuple(row) for row in rows_of_subs),
            right=tuple(range(headers.index("gain"), headers.index("gain") + 4)),
            stacked=True,
        )
    ]
    if faults := plan.wired.faults:
        said = [
            f"{fault[0].upper()}{fault[1:]} Until then it is not known how loud the plan plays." for fault in faults
        ]
        tables.append(Bullets(items=tuple(shown(line, 500) for line in said)))
    if words := [*wiring_lines(values), *pair_lines(plan, values)]:
        tables.append(Text(text=" ".join(words)))
    if beyond:
        tables.append(Bullets(items=tuple(f"Beyond the processor: {line}" for line in beyond)))
    tables += filter_blocks(plan, values)
    tables += crossover_blocks(plan, values)
    inverted = [sub.number for sub in values.subs if polarity_word(sub.polarity) == "inverted"]
    note = f" Inverted: {', '.join(f'sub {number}' for number in inverted)}." if inverted else ""
    return Section(
        key="values",
        heading="Starting values",
        blocks=(
            *tables,
            Text(
                text="Delays count from the earliest sub. Distance: the delay times the speed of sound, by how much "
                "further away a sub would have to be to arrive as late. For distance entry, enter D minus "
                f"this value, with the same large D for every sub.{note}"
            ),
        ),
    )


def filter_blocks(plan: Plan, values: StartingValues) -> list[Table | Text]:
    """The filters in the subs' paths; none where there are none."""
    if not (rows := _filter_rows(plan, values)):
        return []
    headers = ("for", "type", "frequency", "Q", "gain")
    return [
        Table(caption="Filters", headers=headers, rows=rows, right=(2, 3, 4), stacked=True),
        Text(text=f"{_filter_words(plan)} Measure before you keep them."),
    ]


def crossover_blocks(plan: Plan, values: StartingValues) -> list[Table | Text]:
    """How the subs meet the mains, where that was settled."""
    if values.common is None:
        return []
    return [
        Text(
            text=f"Crossover to the main loudspeakers: {' '.join(setting_lines(plan, values))} {BOTH_WAYS} "
            f"{others_words(values)}"
        ),
        Table(
            caption=f"Totals with the crossover; samples at {values.rate_hz:g} Hz",
            headers=TOTAL_HEADERS,
            rows=tuple(total_rows(values)),
            right=(1, 2, 3),
            stacked=True,
        ),
    ]


def _filter_rows(plan: Plan, values: StartingValues) -> tuple[tuple[str, ...], ...]:
    """For which sub, and the filter as it is dialled in; those that all share last."""
    tuning = plan.tuning
    own = [len(filters) for filters in tuning.sub_filters] if tuning else [0] * len(values.subs)
    rows = [
        (f"sub {sub.number}", one) for sub, count in zip(values.subs, own, strict=True) for one in sub.filters[:count]
    ]
    rows += [("every sub", one) for one in values.subs[0].filters[own[0] :]]
    return tuple((which, *filter_cells(one)) for which, one in rows)


def _filter_words(plan: Plan) -> str:
    tuning = plan.tuning
    if tuning is None:
        return "The filters lower peaks of the predicted mean over the seats."
    return (
        f"With the filters the variation is {tuning.variation_after_db:z.2f} dB, {tuning.variation_before_db:z.2f} dB "
        f"without; leave {tuning.price.boost_db:z.1f} dB of headroom for them."
    )


def _seat_table(plan: Plan, level_db: Floats, caption: str, *, alike: bool = False) -> Table:
    """`alike`: of a layout whose subs all have the same settings, else of the plan."""
    hz, limit_db = plan.frequency_hz, plan.limit_db
    if alike and limit_db is not None:
        raised_db = plan.project.raised_db(plan.candidate_index)
        limit_db = limit_at(plan.project, Drives.alike(plan.subs), hz, plan.positions_m, raised_db, plan.kind)
    levels = level_db if limit_db is None else level_db + limit_db[:, None]
    centres, bands = third_octaves(hz, levels)
    names = plan.seats.name
    rows = [(shown(name, 40), *(f"{level:z.0f}" for level in bands[:, seat])) for seat, name in enumerate(names)]
    spread = bands.max(axis=1) - bands.min(axis=1)
    rows.append(("spread (max - min)", *(f"{value:.0f}" for value in spread)))
    headers = ("Hz", *(f"{centre:g}" for centre in centres))
    return Table(caption=caption, headers=headers, rows=tuple(rows), right=tuple(range(1, len(headers))), folded=True)


def _spread_words(hz: Floats, level_db: Floats) -> str:
    if level_db.shape[1] == 1:
        level = level_db[:, 0] - float(np.mean(level_db))
        return f"the level at the seat runs from {level.min():+z.0f} to {level.max():+z.0f} dB about its average"
    spread = level_db.max(axis=1) - level_db.min(axis=1)
    worst = int(np.argmax(spread))
    return (
        f"loudest and quietest seat lie {_apart(float(np.mean(spread)))} dB apart on average and "
        f"{_apart(spread[worst])} dB at worst, at {hz[worst]:.0f} Hz"
    )


def _apart(spread_db: float) -> str:
    """Whole decibels, tenths where there are few."""
    return f"{spread_db:.1f}" if spread_db < 2.0 else f"{spread_db:.0f}"
