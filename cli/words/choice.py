"""What helps to choose among the plans, in words and as plain data: the recommended plan, what was bought, the rows."""

from math import ceil, floor
from typing import Any

import numpy as np

from cli.terminal.output import Page, name
from cli.terminal.plan_options import LOUDEST, MOST_EVEN
from cli.words.kinds.mixes import kinds_words, money
from cli.words.plan import BEST, subs_word
from roommodes.lengths import Lengths, lengths_of
from roommodes.plan.choices import FrontTable, RowTable
from roommodes.plan.front_ranks import front_ranks
from roommodes.plan.plan import Plan, Results
from roommodes.plan.tables import PlanTable
from roommodes.project.project import Project

WORTH_SAYING_DB = 1.0
MOST_PLACES = 13  # of a row, on one line


def print_recommendation(page: Page, results: Results) -> None:
    """Which plan to build, and why."""
    advice = results.choices.recommendation
    if advice is None:
        return
    page.heading(f"Recommended: the plan with {subs_word(advice.subs)}")
    for reason in advice.reasons:
        page.line(reason, mark="- ")
    if words := price_words(results, advice.subs):
        page.line(words, mark="- ")


def given_away_db(results: Results, count: int) -> float:
    """By how much the best plan with so many subs plays less loud than the loudest of its front [dB]; 0 without one."""
    front = results.choices.fronts.get(count)
    if front is None or not len(front.output_db):
        return 0.0
    return max(0.0, float(front.output_db.max() - results.plans[count].output_db[BEST]))


def price_words(results: Results, count: int) -> str:
    """What the best plan costs in level, in words; empty where that is little."""
    lost = given_away_db(results, count)
    if lost < WORTH_SAYING_DB:
        return ""
    front = results.choices.fronts[count]
    loudest = int(front.output_db.argmax())
    rank = front_ranks(results.plans[count], front)[loudest]
    means = "the same subs and amplifiers"
    if len(results.project.kinds) > 1:
        other = results.plan(count, rank)
        means = kinds_words(other) + ("" if other.price is None else f" for {money(other.price, results.project)}")
    return (
        f"Its price in level: it plays {lost:z.1f} dB less loud than the loudest plan found with {subs_word(count)} "
        f"({front.output_db[loudest]:z.1f} dB, variation {front.variation_db[loudest]:z.2f} dB, --rank {rank}), with "
        f"{means}. The list of variation against output has what lies between."
    )


def print_worth(page: Page, results: Results, count: int) -> None:
    """What settings and positions bought for one count, beside the usual layouts."""
    table, usual = results.plans[count], results.choices.usual
    if table.merits.alike_db is None:
        return
    page.line()
    rows = [["this plan's positions", _db(table.merits.alike_db[BEST]), _db(table.variation_db[BEST])]]
    if usual is not None:
        for k in usual.of_count(count):
            free = "" if usual.stands_free[k] else " (something is in the way)"
            rows.append(
                [
                    f"usual: {name_of(usual.name[k])}{free}",
                    _db(usual.alike_variation_db[k]),
                    _db(usual.driven_variation_db[k]),
                ]
            )
    page.table(["variation with", "identical settings", "optimised"], rows, right=(1, 2))
    if len(rows) > 1 and (words := usual_steps_words(results.project)):
        page.line(words)
    if count > 1 and (words := free_weights_words(table, BEST)):
        page.line(words)
    if words := proof_words(results.plan(count, BEST + 1)):
        page.line(words)
    if table.merits.smoothness_db is not None and table.merits.decay_s is not None:
        page.line(f"Smoothness {table.merits.smoothness_db[BEST]:z.1f} dB, decay {table.merits.decay_s[BEST]:.2f} s.")


def usual_steps_words(project: Project) -> str:
    """That usual layouts stand in corners and wall middles themselves, where subs stand in whole steps; else empty."""
    if project.search.round_m == 0.0:
        return ""
    step = lengths_of(project).small_text(project.search.round_m)
    return f"Usual layouts stand in corners and at the middles of walls, not in whole steps of {step}."


def free_weights_words(table: PlanTable, row: int) -> str:
    """What weights free at every frequency could do at a plan's positions; empty where it was not worked out."""
    merits = table.merits
    if merits.weights_db is None:
        return ""
    words = f"Weights free at every frequency: the best found at these positions reach {_db(merits.weights_db[row])}"
    if merits.weights_output_db is None or merits.weights_least_db is None:
        return f"{words}."
    cost = round(float(table.output_db[row] - merits.weights_output_db[row]), 1)
    words += f" with {abs(cost):z.1f} dB {'less' if cost > 0.0 else 'more'} output" if cost else " with as much output"
    found = float(merits.weights_db[row])
    least = floor(100.0 * float(merits.weights_least_db[row])) / 100.0
    if least > 0.0:
        gap = f"gap {found - least:z.2f} dB"
        return f"{words}. Lower bound, proven: {least:z.2f} dB ({gap}). Only other positions lead further."
    return f"{words}. No better weights were found; no lower bound is proven."


def proof_words(plan: Plan) -> str:
    """How much more even than a plan any layout could be, as far as it is proven; empty where that was not asked."""
    least = plan.table.found.layouts_least_db
    if least is None:
        return ""
    number = plan.results.candidates.n_first
    which = f"layout of {subs_word(plan.subs)} among the {number} candidates, with any settings in the ranges,"
    shown_db, gap = floor(100.0 * least) / 100.0, ceil(100.0 * (plan.variation_db - least)) / 100.0
    if shown_db <= 0.0:
        return f"Proof: nothing in the time given; how much more even a {which} could be is not known."
    field = "the measured responses" if plan.results.measured is not None else "the model's field"
    by = f"{field} at the search's frequencies, within the wishes of the project"
    if gap <= 0.0:
        return f"Proven: no {which} is more even than this plan: none gets below {shown_db:.2f} dB ({by})."
    more = f"is more than {gap:.2f} dB more even than this plan"
    return f"Proven: no {which} {more}: none gets below {shown_db:.2f} dB ({by})."


def print_aims_legend(page: Page) -> None:
    """What the further aims mean."""
    page.line(
        "smoothness: rms deviation of the average level over the seats from a straight line over log frequency, "
        "before any equaliser; decay: T60 of the single mode that would ring as long as what the seats hear. Smaller "
        "is better."
    )


def print_front(page: Page, results: Results) -> None:
    """Variation against output for the recommended count."""
    advice = results.choices.recommendation
    front = None if advice is None else results.choices.fronts.get(advice.subs)
    if advice is None or front is None or len(front.variation_db) < 2:
        return
    page.heading(f"{subs_word(advice.subs)}: variation against output")
    best = results.plans[advice.subs]
    same = (front.variation_db == best.variation_db[BEST]) & (front.output_db == best.output_db[BEST])
    recommended = int(np.argmax(same)) if best.found.by_aims and same.any() else -1
    ranks, several = front_ranks(best, front), len(results.project.kinds) > 1
    rows = [
        [
            str(ranks[k]),
            *([kinds_words(results.plan(advice.subs, ranks[k]))] if several else []),
            f"{front.variation_db[k]:z.2f} dB",
            f"{round(float(front.output_db[k]), 1) + 0.0:z.1f} dB",
            f"{front.smoothness_db[k]:z.1f} dB",
            f"{front.decay_s[k]:.2f} s",
            ", ".join(_standing(front, k, recommended)),
        ]
        for k in range(len(front.variation_db))
    ]
    headers = ["rank", *(["subwoofers"] if several else []), "variation", "output", "smoothness", "decay"]
    right = (0, *(at + several for at in (1, 2, 3, 4)))
    page.table([*headers, "against the first"], rows, right=right)
    page.line(
        "The best found: no plan met beats one of these in both variation and output. Every command that reads the "
        f"plan file takes one of them with --rank, by its number or as {MOST_EVEN} or {LOUDEST}; weights.output in "
        "[search] chooses along the front."
    )


def _standing(front: FrontTable, k: int, recommended: int) -> list[str]:
    """Where a plan stands on its front, and what it costs against the first."""
    last = len(front.variation_db) - 1
    said = [MOST_EVEN.replace("-", " ")] if k == 0 else [_exchange(front, k)]
    return [*said, *([LOUDEST] if k == last else []), *(["recommended"] if k == recommended else [])]


def print_rows(page: Page, results: Results) -> None:
    """Where the rows should be, and how sensitive that is."""
    moves = results.choices.rows
    if not moves or len(next(iter(moves.values())).offset_m) != len(results.project.rows):
        return
    page.heading("Where the rows should be")
    lengths = lengths_of(results.project)
    moving = [k for k, row in enumerate(results.project.rows) if row.move_m and max(row.move_m) > 0.0]
    rows = []
    for count, move in moves.items():
        rows.append([str(count), _db(move.drawn_variation_db), _db(move.variation_db), _db(move.worst_near_db)])
        rows[-1] += [_place(results.project.rows[k].x_m, float(move.offset_m[k]), lengths) for k in moving]
    headers = [
        "subs",
        "rows as drawn",
        "rows moved",
        "worst nearby",
        *(name(results.project.rows[k].name) for k in moving),
    ]
    page.table(headers, rows, right=(0, 1, 2, 3))
    step = lengths.small_text(next(iter(moves.values())).step_m)
    page.line(
        "Variation with the best plan found for the rows as drawn, and with another found for the moved rows (in the "
        f"plan file and in --json). Worst nearby: every row that may move up to {step} off, the settings fixed. x "
        "of the ears from the front wall. Change x_m, check sight lines and ways through, and run the search again."
    )
    advice = results.choices.recommendation
    count = advice.subs if advice is not None and advice.subs in moves else next(iter(moves))
    move = moves[count]
    for k in moving:
        row = name(results.project.rows[k].name)
        held = "the plan that was found for the moved rows held"
        page.line(f"{subs_word(count)}, {row} moved alone (+ is back), {held}: {_around(move, k, lengths)}.", mark="- ")


def choice_json(results: Results) -> dict[str, Any]:
    """The same for machines: keys beside those of `words.plan.plans_json`."""
    choices, position_m = results.choices, results.candidates.position_m
    usual = choices.usual
    worth = []
    for count, table in results.plans.items():
        own = [] if usual is None else usual.of_count(count)
        worth.append(
            {
                "subs": count,
                "variation_db": float(table.variation_db[BEST]),
                "alike_variation_db": _first(table.merits.alike_db),
                "weights_db": _first(table.merits.weights_db),
                "weights_output_db": _first(table.merits.weights_output_db),
                "weights_least_db": _first(table.merits.weights_least_db),
                **_proof_json(table),
                "smoothness_db": _first(table.merits.smoothness_db),
                "decay_s": _first(table.merits.decay_s),
                "usual": [
                    {
                        "name": usual.name[k],
                        "stands_free": bool(usual.stands_free[k]),
                        "alike_variation_db": float(usual.alike_variation_db[k]),
                        "alike_output_db": float(usual.alike_output_db[k]),
                        "driven_variation_db": float(usual.driven_variation_db[k]),
                        "driven_output_db": float(usual.driven_output_db[k]),
                    }
                    for k in own
                    if usual is not None
                ],
            }
        )
    advice = choices.recommendation
    return {
        "recommended": None
        if advice is None
        else {
            "subs": advice.subs,
            "reasons": list(advice.reasons),
            "level_given_away_db": given_away_db(results, advice.subs),
        },
        "worth": worth,
        "fronts": [
            {
                "subs": count,
                "plans": [
                    {"rank": rank, **_front_plan(front, k, position_m)}
                    for k, rank in enumerate(front_ranks(results.plans[count], front))
                ],
            }
            for count, front in choices.fronts.items()
        ],
        "rows": [_row_json(count, move, position_m) for count, move in choices.rows.items()],
    }


def name_of(text: str) -> str:
    """A layout's name, as long as it is: it is ours, but may come from a file."""
    return name(text) if len(text) > 120 else text


def _front_plan(front: FrontTable, k: int, position_m: Any) -> dict[str, Any]:
    return {
        "variation_db": float(front.variation_db[k]),
        "output_db": float(front.output_db[k]),
        "smoothness_db": float(front.smoothness_db[k]),
        "decay_s": float(front.decay_s[k]),
        **_drives(front.candidate_index[k], front.gain_db[k], front.delay_s[k], front.polarity[k], position_m),
    }


def _row_json(count: int, move: RowTable, position_m: Any) -> dict[str, Any]:
    return {
        "subs": count,
        "offset_m": move.offset_m.tolist(),
        "drawn_variation_db": move.drawn_variation_db,
        "variation_db": move.variation_db,
        "output_db": move.output_db,
        "worst_near_db": move.worst_near_db,
        "step_m": move.step_m,
        **_drives(move.candidate_index, move.gain_db, move.delay_s, move.polarity, position_m),
        "around": [
            {"row": int(row), "offset_m": float(at), "variation_db": float(value)}
            for row, at, value in zip(move.around.at_row, move.around.at_m, move.around.at_variation_db, strict=True)
        ],
    }


def _drives(index: Any, gain_db: Any, delay_s: Any, polarity: Any, position_m: Any) -> dict[str, Any]:
    return {
        "positions_m": position_m[index].tolist(),
        "gain_db": gain_db.tolist(),
        "delay_ms": (delay_s * 1e3).tolist(),
        "polarity": [int(sign) for sign in polarity],
    }


def _proof_json(table: PlanTable) -> dict[str, float]:
    """What no layout gets below, where that was asked, and how far the plan lies above it."""
    least = table.found.layouts_least_db
    if least is None:
        return {}
    return {"layouts_least_db": least, "layouts_gap_db": max(float(table.variation_db[BEST]) - least, 0.0)}


def _first(values: Any) -> float | None:
    return None if values is None else float(values[BEST])


def _exchange(front: FrontTable, k: int) -> str:
    lost = float(front.variation_db[k] - front.variation_db[0])
    gained = float(front.output_db[k] - front.output_db[0])
    return f"{lost:z.2f} dB of variation for {gained:z.1f} dB of output"


def _place(x_m: float, offset_m: float, lengths: Lengths) -> str:
    if abs(offset_m) < 0.0005:
        return f"{lengths.text(x_m)}, as drawn"
    return f"{lengths.text(x_m + offset_m)} ({_by(offset_m, lengths)} {'back' if offset_m > 0 else 'forward'})"


def _by(offset_m: float, lengths: Lengths) -> str:
    """How far a row is moved, without the sign."""
    return lengths.shift(abs(offset_m)).removeprefix("+")


def _around(move: RowTable, row: int, lengths: Lengths) -> str:
    """The variation at a row's places, in a line."""
    around = move.around
    own = np.flatnonzero(around.at_row == row)
    best = int(np.argmin(np.abs(around.at_m[own] - move.offset_m[row])))
    stride = max(1, -(-len(own) // MOST_PLACES))
    shown = [own[k] for k in range(len(own)) if (k - best) % stride == 0]
    return ", ".join(f"{_shift(float(around.at_m[k]), lengths)} {_db(around.at_variation_db[k])}" for k in shown)


def _shift(offset_m: float, lengths: Lengths) -> str:
    return f"0 {lengths.small[0]}" if abs(offset_m) < 0.0005 else lengths.shift(offset_m)


def _db(value: float) -> str:
    return f"{float(value):z.2f} dB"
